"""Reading the solver's force and moment histories by the names in their headers.

Known forms: `force.dat` and `moment.dat` (OpenCFD; total, pressure, viscous, with or without parentheses) and
`forces.dat` (Foundation and older OpenCFD; nested tuples with or without a porous part).
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError

Floats = NDArray[np.float64]

FRONTAL_AREA = np.pi / 4
"""Of a ball of diameter 1."""

SUM_TOLERANCE = 1e-4
"""Largest accepted difference between total and pressure + viscous, relative to the largest of them; the
files carry seven digits, and pressure and viscous parts may cancel."""


@dataclass(frozen=True)
class ForceHistory:
    """Forces and moments on the ball against iteration (or time), in solver units.

    Attributes
    ----------
    iteration : ndarray, shape (n,)
        Strictly increasing.
    force, moment : ndarray, shape (n, 3)
        Pressure plus viscous part.
    """

    iteration: Floats
    force: Floats
    moment: Floats

    def until(self, iteration: float | None) -> "ForceHistory":
        """History up to and with an iteration; the whole one for None."""
        if iteration is None:
            return self
        kept = self.iteration <= iteration
        return ForceHistory(self.iteration[kept], self.force[kept], self.moment[kept])

    def coefficients(self, mirrored: bool = False) -> dict[str, Floats]:
        """Cd, Cl, Cs on the frontal area and Cm about the spin axis on area times diameter.

        Solver axes: air along +x, lift along +z, spin about +y, so that the side force along +y and, in air
        that resists, a negative Cm.

        Parameters
        ----------
        mirrored : bool
            Whether the forces are those on half a ball: the other half has the same but for the side force,
            which it cancels.

        Returns
        -------
        dict of ndarray, shape (n,)
            Keys cd, cl, cs, cm; velocity and density are 1 in solver units.
        """
        scale = 0.5 * FRONTAL_AREA * (0.5 if mirrored else 1.0)
        return {
            "cd": self.force[:, 0] / scale,
            "cl": self.force[:, 2] / scale,
            "cs": self.force[:, 1] / scale * (0.0 if mirrored else 1.0),
            "cm": self.moment[:, 1] / scale,
        }


def read_history(folder: Path) -> ForceHistory:
    """Merge the force files of all restarts under a function object's folder.

    Parameters
    ----------
    folder : Path
        For instance case/postProcessing/forces, with one folder a start time.

    Returns
    -------
    ForceHistory
        Where restarts overlap, the later start wins.

    Raises
    ------
    InputError
        If there are no force files, or one has an unknown header, a broken line, or a total that is not
        pressure plus viscous.
    """
    starts = sorted(
        (entry for entry in Path(folder).glob("*") if entry.is_dir() and _is_number(entry.name)),
        key=lambda entry: float(entry.name),
    )
    merged: ForceHistory | None = None
    for start in starts:
        part = _read_start(start)
        if part is None:
            continue
        if merged is not None and len(part.iteration):
            keep = merged.iteration < part.iteration[0]
            part = ForceHistory(
                np.concatenate([merged.iteration[keep], part.iteration]),
                np.concatenate([merged.force[keep], part.force]),
                np.concatenate([merged.moment[keep], part.moment]),
            )
        merged = part if merged is None or len(part.iteration) else merged
    if merged is None:
        raise InputError(f"{folder}: no force files; expected TIME/force.dat or TIME/forces.dat in it")
    return merged


def _is_number(name: str) -> bool:
    try:
        return bool(np.isfinite(float(name)))
    except ValueError:
        return False


def _read_start(start: Path) -> ForceHistory | None:
    if (start / "force.dat").is_file() and (start / "moment.dat").is_file():
        time, force = _vector(start / "force.dat", *_read_table(start / "force.dat"))
        moment_time, moment = _vector(start / "moment.dat", *_read_table(start / "moment.dat"))
        # The two files are flushed one after the other: the solver may have died between them.
        rows = min(len(time), len(moment_time))
        if not np.array_equal(time[:rows], moment_time[:rows]):
            raise InputError(f"{start}: force.dat and moment.dat have different times")
        return ForceHistory(time[:rows], force[:rows], moment[:rows])
    if (start / "forces.dat").is_file():
        path = start / "forces.dat"
        names, rows_ = _read_table(path)
        if names[1:] not in (
            _legacy_names(("pressure", "viscous")),
            _legacy_names(("pressure", "viscous", "porous")),
        ):
            raise _unknown_header(path, names)
        half = (len(names) - 1) // 2
        force, moment = (
            rows_[:, 1 + k * half : 1 + (k + 1) * half].reshape(len(rows_), -1, 3).sum(axis=1) for k in (0, 1)
        )
        return ForceHistory(rows_[:, 0], force, moment)
    return None


def _legacy_names(parts: tuple[str, ...]) -> list[str]:
    return [f"{what}({part})_{axis}" for what in ("forces", "moment") for part in parts for axis in "xyz"]


def _vector(path: Path, names: list[str], rows: Floats) -> tuple[Floats, Floats]:
    """Time and the total vector, checked against its parts."""
    column = {name: index for index, name in enumerate(names)}
    parts = {}
    for part in ("total", "pressure", "viscous"):
        wanted = [f"{part}_{axis}" for axis in "xyz"]
        if not all(name in column for name in wanted):
            raise _unknown_header(path, names)
        parts[part] = rows[:, [column[name] for name in wanted]]
    others = [name for name in names[1:] if name.split("_")[0] not in (*parts, "porous", "internal")]
    if others:
        raise _unknown_header(path, names)
    total, summed = parts["total"], parts["pressure"] + parts["viscous"]
    if any(name.startswith(("porous", "internal")) for name in names):
        extra = [index for name, index in column.items() if name.startswith(("porous", "internal"))]
        summed = summed + rows[:, extra].reshape(len(rows), -1, 3).sum(axis=1)
    # Early iterations may hold infinities of a diverging run; they are judged later, not here.
    finite = np.isfinite(total).all(axis=1) & np.isfinite(summed).all(axis=1)
    if finite.any():
        scale = np.maximum(
            np.abs(parts["pressure"][finite]).max(axis=1), np.abs(parts["viscous"][finite]).max(axis=1)
        )
        worst = np.abs(total[finite] - summed[finite]).max(axis=1) - SUM_TOLERANCE * scale
        if (worst > 0).any():
            time = rows[finite, 0][int(np.argmax(worst))]
            raise InputError(f"{path}: time {time:g}: total is not pressure plus viscous")
    return rows[:, 0], total


def _unknown_header(path: Path, names: list[str]) -> InputError:
    return InputError(
        f"{path}: unknown header; found the columns {', '.join(names)}; "
        "expected total, pressure and viscous vectors, or forces(...) moment(...)"
    )


def _read_table(path: Path) -> tuple[list[str], Floats]:
    """Column names from the last comment line and the rows under them."""
    text = path.read_text(errors="replace")
    # A line without its end is still being written, or was cut off when the solver died.
    text = text[: text.rfind("\n") + 1]
    header, body, line_number = "", [], 0
    for line_number, line in enumerate(text.splitlines(), 1):
        if line.startswith("#"):
            header = line
        elif line.strip():
            body.append((line_number, line))
    names = _column_names(header)
    if len(names) < 2 or names[0] != "Time":
        raise InputError(f"{path}: no header line '# Time ...' found")
    numbers = " ".join(line for _, line in body).translate(str.maketrans("()", "  ")).split()
    try:
        values = np.array(numbers, dtype=float)
    except ValueError:
        values = np.empty(0)
    if values.size != len(body) * len(names):
        raise _broken_line(path, body, len(names))
    rows = values.reshape(len(body), len(names))
    if len(rows) and (np.diff(rows[:, 0]) <= 0).any():
        bad = int(np.argmax(np.diff(rows[:, 0]) <= 0)) + 1
        raise InputError(f"{path}:{body[bad][0]}: time {rows[bad, 0]:g} is not later than the line before it")
    return names, rows


def _column_names(header: str) -> list[str]:
    """Names of the numbers in a row; a legacy tuple `forces(pressure viscous)` has three a part."""
    text = header.lstrip("#").strip()
    legacy = re.findall(r"(\w+)\(([^()]*)\)", text)
    if legacy and text.split()[0] == "Time" and "_x" not in text:
        return ["Time"] + [
            f"{what}({part})_{axis}" for what, parts in legacy for part in parts.split() for axis in "xyz"
        ]
    return text.translate(str.maketrans("()", "  ")).split()


def _broken_line(path: Path, body: list[tuple[int, str]], count: int) -> InputError:
    for line_number, line in body:
        found = line.translate(str.maketrans("()", "  ")).split()
        try:
            broken = len([float(number) for number in found]) != count
        except ValueError:
            broken = True
        if broken:
            return InputError(
                f"{path}:{line_number}: {len(found)} numbers where the header names {count}: "
                f"{line.strip()[:60]}"
            )
    return InputError(f"{path}: rows and header do not fit together")
