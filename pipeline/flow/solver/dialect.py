"""Versions of OpenFOAM: the file names and words of a case that differ between them.

OpenCFD numbers its versions by year and month (1906 to 2606), the Foundation counts (8 to 14). What
the Foundation changed, read in the documentation of each version's source (cpp.openfoam.org/v8 to v14):
`momentumTransport` for `turbulenceProperties` since 8; `fvConstraints` for `fvOptions` since 9;
`physicalProperties` for `transportProperties`, and movers for moving meshes, since 10; `foamRun` with a
solver module for the applications since 11.
"""

import re
from dataclasses import dataclass

from pipeline.errors import MissingError

OLDEST_OPENCFD, OLDEST_FOUNDATION, NEWEST_FOUNDATION = 1906, 8, 14

FIRST_OPENCFD = 1000
"""Numbers of versions from here on are OpenCFD's."""


@dataclass(frozen=True)
class Dialect:
    """Syntax of an OpenFOAM's cases.

    Attributes
    ----------
    foundation : bool
        Whether it is the Foundation's, else OpenCFD's.
    version : int
        Of that family.
    """

    foundation: bool
    version: int

    def since(self, version: int) -> bool:
        """Whether it is the Foundation's of that version or a later one."""
        return self.foundation and self.version >= version

    def application(self, name: str) -> str:
        """Executable that solves what the application of that name solves elsewhere."""
        return "foamRun" if self.since(11) else name

    def file(self, name: str) -> str:
        """Where a file of the case goes that OpenCFD calls `name`."""
        renamed = {
            "constant/turbulenceProperties": (8, "constant/momentumTransport"),
            "constant/fvOptions": (9, "system/fvConstraints"),
            "constant/transportProperties": (10, "constant/physicalProperties"),
        }
        version, other = renamed.get(name, (0, name))
        return other if self.since(version) else name


DISTRIBUTION = Dialect(False, 1912)
"""Of the package that the distribution has."""


def dialect_of(version: str) -> Dialect:
    """Syntax of a version.

    Parameters
    ----------
    version : str
        As the applications print it: "1912", "2306", "8", "13", "dev".

    Returns
    -------
    Dialect
        That of a version newer than those known is taken for the newest's.

    Raises
    ------
    MissingError
        If the version is older than those that are known.
    """
    if version.startswith("dev"):
        return Dialect(True, NEWEST_FOUNDATION)
    number = re.match(r"\d+", version)
    if number is not None:
        found = Dialect(int(number[0]) < FIRST_OPENCFD, int(number[0]))
        if found.version >= (OLDEST_FOUNDATION if found.foundation else OLDEST_OPENCFD):
            return found
    raise MissingError(
        f"OpenFOAM {version}: cases cannot be written for it; use OpenCFD {OLDEST_OPENCFD} or later, or the "
        f"Foundation's {OLDEST_FOUNDATION} or later"
    )
