"""From the runs of a study to coefficient tables, one a pattern and depth."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.aero.collect import USABLE
from pipeline.aero.table import CoefficientTable
from pipeline.errors import InputError

FloatArray = NDArray[np.float64]

_VALUES = ("cd", "cl", "cm", "cd_se", "cl_se", "cm_se")
_NEEDED = ("pattern", "depth_m", "reynolds", "spin_ratio", "verdict", "run", *_VALUES)


def tables_from_coefficients(
    frame: pd.DataFrame,
) -> tuple[dict[tuple[str, float], CoefficientTable], list[str]]:
    """Make a table of every pattern and depth from the usable runs.

    A hole (a run that is not usable) is filled from the nearest shallower and deeper depth of the same
    pattern that have the run, by linear interpolation in depth; its standard error is that of the weighted
    mean of two independent values, and does not contain the curvature over depth. A Reynolds number or spin
    ratio at which no depth has a usable run is left out for all depths of the pattern, and so is a depth with
    a hole that cannot be filled; runs are never extrapolated in depth.

    Parameters
    ----------
    frame : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    tables : dict
        From (pattern, depth_m) to its table: patterns in the order of the frame, shallow to deep. Empty when
        no run is usable. All depths of a pattern have the same grid; all have Cm, or none has.
    notes : list of str
        What was filled or left out, a sentence each.

    Raises
    ------
    InputError
        A column is missing, or two rows are of the same run.
    """
    absent = [name for name in _NEEDED if name not in frame]
    if absent:
        raise InputError(f'coefficients: column "{absent[0]}" is missing; {", ".join(_NEEDED)} are needed')
    tables: dict[tuple[str, float], CoefficientTable] = {}
    notes: list[str] = []
    for pattern in frame["pattern"].unique():
        _Pattern(str(pattern), frame[frame["pattern"] == pattern], notes).add_to(tables)
    return tables, notes


class _Pattern:
    """Runs of one pattern on the full grid depth x Reynolds number x spin ratio; NaN where none is usable."""

    def __init__(self, name: str, rows: pd.DataFrame, notes: list[str]) -> None:
        self.name = name
        self.notes = notes
        missing = rows["reynolds"].isna() | rows["spin_ratio"].isna() | rows["depth_m"].isna()
        if missing.any():
            self._note(
                f"{missing.sum()} of {len(rows)} runs left no result ({rows['run'][missing].iloc[0]}, ...)"
            )
        rows = rows[~missing]
        key = ["depth_m", "reynolds", "spin_ratio"]
        twice = rows.duplicated(key)
        if twice.any():
            row = rows[twice].iloc[0]
            raise InputError(
                f"coefficients: pattern {name}, depth {_mm(row['depth_m'])}, reynolds {row['reynolds']:g}, "
                f"spin_ratio {row['spin_ratio']:g}: has two rows; keep one"
            )
        (self.depth, d), (self.reynolds, r), (self.spin_ratio, s) = (
            np.unique(rows[column].to_numpy(float), return_inverse=True) for column in key
        )
        shape = (self.depth.size, self.reynolds.size, self.spin_ratio.size)
        self.verdict = np.full(shape, "missing", dtype=object)
        self.verdict[d, r, s] = rows["verdict"].to_numpy(object)
        self.values = {column: np.full(shape, np.nan) for column in _VALUES}
        for column, values in self.values.items():
            values[d, r, s] = rows[column].to_numpy(float)
        usable = np.isin(self.verdict.astype(str), USABLE)
        for column in ("cd", "cl", "cd_se", "cl_se"):
            usable &= np.isfinite(self.values[column])
        self.usable: NDArray[np.bool_] = usable

    def _note(self, text: str) -> None:
        self.notes.append(f"{self.name}: {text}.")

    def add_to(self, tables: dict[tuple[str, float], CoefficientTable]) -> None:
        """Fill the holes and add the table of every depth that has none left."""
        if not self.usable.any():
            self._note("no run is usable, so that nothing can be said of this pattern")
            return
        has_cm = np.isfinite(self.values["cm"]) & np.isfinite(self.values["cm_se"])
        with_cm = bool(has_cm[self.usable].all())
        if not with_cm and has_cm.any():
            self._note("some runs have no moment; the spin decays at the published rate for all of them")
        self._leave_lines_out()
        complete = self._fill(("cd", "cl", "cm") if with_cm else ("cd", "cl"))
        for d in np.flatnonzero(complete):
            columns = {name: values[d] for name, values in self.values.items()}
            if not with_cm:
                columns["cm"] = columns["cm_se"] = None
            tables[self.name, float(self.depth[d])] = CoefficientTable(
                self.reynolds, self.spin_ratio, **columns
            )

    def _leave_lines_out(self) -> None:
        """Drop Reynolds numbers and spin ratios until every pair left has a usable run at some depth."""
        while True:
            lost = ~self.usable.any(axis=0)
            if not lost.any():
                return
            by_reynolds, by_spin_ratio = lost.mean(axis=1), lost.mean(axis=0)
            if by_reynolds.max() >= by_spin_ratio.max():
                r = int(by_reynolds.argmax())
                self._note(f"no usable run at reynolds {self.reynolds[r]:g}, which is left out")
                self.reynolds = np.delete(self.reynolds, r)
                self._drop(axis=1, index=r)
            else:
                s = int(by_spin_ratio.argmax())
                self._note(f"no usable run at spin_ratio {self.spin_ratio[s]:g}, which is left out")
                self.spin_ratio = np.delete(self.spin_ratio, s)
                self._drop(axis=2, index=s)

    def _drop(self, axis: int, index: int) -> None:
        self.values = {name: np.delete(values, index, axis) for name, values in self.values.items()}
        self.usable = np.delete(self.usable, index, axis)
        self.verdict = np.delete(self.verdict, index, axis)

    def _fill(self, names: tuple[str, ...]) -> NDArray[np.bool_]:
        """Fill holes from neighbours in depth; return which depths are complete."""
        complete = np.ones(self.depth.size, dtype=bool)
        for d, r, s in np.argwhere(~self.usable):
            have = np.flatnonzero(self.usable[:, r, s])
            shallower, deeper = have[have < d], have[have > d]
            what = (
                f"depth {_mm(self.depth[d])}, reynolds {self.reynolds[r]:g}, "
                f"spin_ratio {self.spin_ratio[s]:g}: no usable run ({self.verdict[d, r, s]})"
            )
            if not (shallower.size and deeper.size):
                complete[d] = False
                self._note(f"{what} and no depth on both sides to fill it from; this depth is left out")
                continue
            low, high = shallower[-1], deeper[0]
            weight = (self.depth[d] - self.depth[low]) / (self.depth[high] - self.depth[low])
            for name in names:
                values, errors = self.values[name], self.values[f"{name}_se"]
                values[d, r, s] = (1 - weight) * values[low, r, s] + weight * values[high, r, s]
                errors[d, r, s] = np.hypot((1 - weight) * errors[low, r, s], weight * errors[high, r, s])
            self._note(f"{what}; filled from depths {_mm(self.depth[low])} and {_mm(self.depth[high])}")
        return complete


def _mm(depth_m: float) -> str:
    return f"{depth_m * 1e3:.3f} mm"
