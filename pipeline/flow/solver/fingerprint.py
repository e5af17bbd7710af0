"""Detects files of a case that were edited by hand between two legs of its run."""

import hashlib
import re
from pathlib import Path

FOLDERS = ("system", "constant", "0")
"""Of a case: everything that its author writes, and the solver only reads."""

MESH_FILES = ("constant/polyMesh/points", "constant/polyMesh/cellZones")
"""The mesh is shared by links; its points tell one from another. Cell zones are the case's own: they hold the
state of the boundary layer."""


def case_files(case: Path) -> dict[str, str]:
    """Fingerprints of a case's files.

    Parameters
    ----------
    case : Path
        Case folder.

    Returns
    -------
    dict of str
        By path below the case. The entry of controlDict by which a run is stopped does not count.
    """
    names = [
        path.relative_to(case).as_posix()
        for folder in FOLDERS
        for path in sorted((case / folder).glob("*"))
        if path.is_file() and not path.name.startswith(".")
    ]
    return {name: _digest(case / name) for name in [*names, *MESH_FILES] if (case / name).is_file()}


def edited(case: Path, written: dict[str, str]) -> list[str]:
    """Names of the files that were changed, added or removed since `case_files` returned `written`."""
    now = case_files(case)
    return sorted(name for name in now.keys() | written.keys() if now.get(name) != written.get(name))


def _digest(path: Path) -> str:
    content = path.read_bytes()
    if path.name == "controlDict":
        content = re.sub(rb"stopAt\s+\w+;", b"", content)
    return hashlib.blake2b(content, digest_size=12).hexdigest()
