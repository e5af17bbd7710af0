"""Reading the solver's force and moment histories by the names in their headers.

Known forms: `force.dat` and `moment.dat` (OpenCFD; total, pressure, viscous, with or without parentheses) and
`forces.dat` (Foundation and older OpenCFD; nested tuples with or without a porous part).
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.flow.forces.number_table import NumberTable, read_table
from pipeline.flow.forces.restarts import Start, merged_rows, starts

FORCE, MOMENT, FORCES = "force", "moment", "forces"
"""Names of the files, without the start time that a restart may add and without `.dat`."""

PARTS = ("pressure", "viscous", "porous", "internal")
"""What a total is the sum of; the first two are always there."""

NESTED_PARTS = ("pressure", "viscous", "porous")

EXPECTED = "total, pressure and viscous vectors, or forces(pressure viscous) moment(pressure viscous)"

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

    iteration: FloatArray
    force: FloatArray
    moment: FloatArray

    def first(self, samples: int | None) -> "ForceHistory":
        """Its first samples (iterations, when steady); the whole one for None."""
        return ForceHistory(self.iteration[:samples], self.force[:samples], self.moment[:samples])

    def coefficients(self, mirrored: bool = False) -> dict[str, FloatArray]:
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
    parts = [_read_start(start) for start in starts(folder, (FORCE, FORCES))]
    if not parts:
        raise InputError(f"{folder}: no force files; expected TIME/force.dat or TIME/forces.dat in it")
    rows = merged_rows([part.iteration for part in parts])
    return ForceHistory(
        np.concatenate([part.iteration[kept] for part, kept in zip(parts, rows, strict=True)]),
        np.concatenate([part.force[kept] for part, kept in zip(parts, rows, strict=True)]),
        np.concatenate([part.moment[kept] for part, kept in zip(parts, rows, strict=True)]),
    )


def _read_start(start: Start) -> ForceHistory:
    if start.name == FORCES:
        return _nested(read_table(start.path()))
    time, force = _total(read_table(start.path()))
    if not start.path(MOMENT).is_file():
        raise InputError(f"{start.path(MOMENT)}: missing; expected beside {start.path().name}")
    moment_time, moment = _total(read_table(start.path(MOMENT)))
    # The two files are flushed one after the other: the solver may have died between them.
    rows = min(len(time), len(moment_time))
    if not np.array_equal(time[:rows], moment_time[:rows]):
        raise InputError(f"{start.folder}: {start.path().name} and {MOMENT}.dat have different times")
    return ForceHistory(time[:rows], force[:rows], moment[:rows])


def _nested(table: NumberTable) -> ForceHistory:
    """Sum the parts of `forces(pressure viscous) moment(pressure viscous)`; local axes are left out."""
    sums: dict[str, FloatArray] = {}
    for values, name in zip(table.columns[1:], table.names[1:], strict=True):
        match = re.fullmatch(r"(\w+)\((\w+)\)_([xyz])", name)
        if match is None or match[2] not in NESTED_PARTS:
            raise table.unknown_header(EXPECTED)
        total = sums.setdefault(match[1].removesuffix("s"), np.zeros((len(values), 3)))
        total[:, "xyz".index(match[3])] += values
    if "force" not in sums or "moment" not in sums:
        raise table.unknown_header(EXPECTED)
    return ForceHistory(table.columns[0], sums["force"], sums["moment"])


def _total(table: NumberTable) -> tuple[FloatArray, FloatArray]:
    """Time and the total vector, checked against its parts."""
    column = {name: table.columns[index] for index, name in enumerate(table.names)}
    known = [f"{part}_{axis}" for part in ("total", *PARTS) for axis in "xyz"]
    if any(name not in column for name in known[:9]) or any(name not in known for name in table.names[1:]):
        raise table.unknown_header(EXPECTED)
    total = np.stack([column[f"total_{axis}"] for axis in "xyz"], axis=1)
    worst = np.zeros(len(total))
    # Early iterations may hold infinities of a diverging run; they are judged later, not here.
    with np.errstate(invalid="ignore", over="ignore"):
        scale = np.zeros(len(total))
        for axis in "xyz":
            parts = [column[f"{part}_{axis}"] for part in PARTS if f"{part}_{axis}" in column]
            np.maximum(worst, np.abs(column[f"total_{axis}"] - sum(parts)), out=worst)
            for part in parts:
                np.maximum(scale, np.abs(part), out=scale)
        wrong = np.isfinite(worst) & (worst > SUM_TOLERANCE * scale)
    if wrong.any():
        time = column["Time"][int(np.argmax(wrong))]
        raise InputError(f"{table.path}: time {time:g}: total is not pressure plus viscous")
    return column["Time"], total
