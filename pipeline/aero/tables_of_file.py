"""Coefficient tables of a file: a plain grid, or a study's tables.csv or coefficients.csv."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.aero.moment import moments_to_fly
from pipeline.aero.table import CoefficientTable, out_of_bounds
from pipeline.aero.table_file import read_table, table_of
from pipeline.errors import InputError
from pipeline.files.delimited import number, read_delimited
from pipeline.records.flow import USABLE

if TYPE_CHECKING:
    import pandas as pd

SAME_DEPTH_M = 0.5e-6
"""Depths as close as this are the same [m]; folders of depths have three decimals of a millimetre."""

_WANTED = "a coefficient table (CSV)"
_NUMBERS = ("depth_m", "reynolds", "spin_ratio", "cd", "cl")
_MAYBE = ("cm", "cd_se", "cl_se", "cm_se")


@dataclass(frozen=True, eq=False)
class NamedTable:
    """A coefficient table and where it comes from.

    Parameters
    ----------
    file : Path
        The file.
    pattern : str or None
        Pattern; None for a plain grid.
    depth_m : float or None
        Surface depth; None for a plain grid [m].
    table : CoefficientTable
        The coefficients.
    """

    file: Path
    pattern: str | None
    depth_m: float | None
    table: CoefficientTable

    @property
    def name(self) -> str:
        """The file's name and, where it has several tables, pattern and depth."""
        return self.file.name + self._which

    @property
    def label(self) -> str:
        """The same with the whole path of the file, for messages."""
        return str(self.file) + self._which

    @property
    def _which(self) -> str:
        return "" if self.depth_m is None else f": {self.pattern} {1e3 * self.depth_m:.4g} mm"


def read_tables(
    path: Path, pattern: str | None = None, depth_m: float | None = None
) -> tuple[list[NamedTable], list[str]]:
    """Read the tables of a file that options ask for.

    Parameters
    ----------
    path : Path
        A plain grid as `pipeline.aero.table_file.read_table` reads it; or, with the columns pattern and
        depth_m, a study's tables.csv (the model of the coefficients) or coefficients.csv (its runs, with
        nothing between them but straight lines in ln Re and S).
    pattern : str, optional
        Pattern wanted; all when absent.
    depth_m : float, optional
        Surface depth wanted; all when absent [m].

    Returns
    -------
    tables : list of NamedTable
        In the order of the file.
    notes : list of str
        What is not flown as the file has it, a sentence each.

    Raises
    ------
    InputError
        The file is wrong, has no such pattern or depth, or the rows of one are no full grid; options are
        given with a plain grid.
    """
    path = Path(path)
    header = read_delimited(path, _WANTED).header
    if not {"pattern", "depth_m"} <= set(header):
        for option, value in (("--pattern", pattern), ("--depth", depth_m)):
            if value is not None:
                raise InputError(
                    f"{path}: is one table without patterns and depths; {option} goes with a study's "
                    "tables.csv or coefficients.csv"
                )
        return [NamedTable(path, None, None, read_table(path))], []
    rows = _rows(path)
    names = list(dict.fromkeys(rows["pattern"]))
    if pattern is not None:
        if pattern not in names:
            raise InputError(f"--pattern: {pattern}: is not in {path}, which has {', '.join(names)}")
        rows = rows[rows["pattern"] == pattern]
    notes: list[str] = []
    if "verdict" in rows:
        rows, notes = _usable(path, rows)
    found = [
        NamedTable(path, name, depth, _table(path, name, depth, of_depth))
        for name, depth, of_depth in _chosen(path, rows, depth_m)
    ]
    return found, notes


def _rows(path: Path) -> "pd.DataFrame":
    """Read pattern, depth and numbers of every row; lines are the index."""
    import pandas as pd

    found = read_delimited(path, _WANTED)
    absent = [name for name in _NUMBERS if name not in found.header]
    if absent:
        raise InputError(
            f'{path}:{found.header_line}: column "{absent[0]}" is missing; pattern, {", ".join(_NUMBERS)} '
            "are needed"
        )
    for line, cells in found.rows:
        if trouble := found.width_problem(cells):
            raise InputError(f"{path}:{line}: {trouble}")
    if not found.rows:
        raise InputError(f"{path}: has a header but no rows")
    columns = dict(zip(found.header, zip(*(cells for _, cells in found.rows), strict=True), strict=True))
    kept = {
        name: [number(cell) for cell in columns[name]] for name in (*_NUMBERS, *_MAYBE) if name in columns
    }
    texts = {name: list(columns[name]) for name in ("pattern", "verdict", "run") if name in columns}
    return pd.DataFrame(kept | texts, index=[line for line, _ in found.rows])


def _usable(path: Path, rows: "pd.DataFrame") -> tuple["pd.DataFrame", list[str]]:
    """Leave out runs without numbers or on finer meshes, and moments that are not those of a turning ball."""
    from pipeline.aero.collect import finer_rows

    kept, notes = rows[rows["verdict"].isin(USABLE)], []
    if "run" in rows and (finer := finer_rows(kept)).any():
        kept = kept[~finer]
        notes.append(
            f"{path}: {int(finer.sum())} runs on a finer mesh are left out; tables.csv is corrected by them."
        )
    if kept.empty:
        raise InputError(f"{path}: no run is usable ({', '.join(sorted(set(rows['verdict']))) or 'none'})")
    for name in dict.fromkeys(kept["pattern"]):
        of = kept["pattern"] == name
        if not {"cm", "cm_se", "run"} <= set(kept):
            continue
        flown, why = moments_to_fly(kept[of])
        if not flown:
            kept = kept.assign(cm=kept["cm"].where(~of, np.nan), cm_se=kept["cm_se"].where(~of, np.nan))
        if why is not None:
            notes.append(f"{path}: {why}")
    return kept, notes


def _chosen(
    path: Path, rows: "pd.DataFrame", depth_m: float | None
) -> list[tuple[str, float, "pd.DataFrame"]]:
    """Pattern, depth and rows of every table wanted."""
    there = []
    for name in dict.fromkeys(rows["pattern"]):
        of_pattern = rows[rows["pattern"] == name]
        for depth in np.unique(of_pattern["depth_m"].to_numpy(float)):
            there.append((str(name), float(depth), of_pattern[of_pattern["depth_m"] == depth]))
    found = [entry for entry in there if depth_m is None or abs(entry[1] - depth_m) <= SAME_DEPTH_M]
    if not found and depth_m is not None:
        depths = ", ".join(f"{name} {1e3 * depth:.4g} mm" for name, depth, _ in there)
        raise InputError(f"--depth: {1e3 * depth_m:.4g} mm: is not in {path}, which has {depths}")
    return found


def _table(path: Path, pattern: str, depth_m: float, rows: "pd.DataFrame") -> CoefficientTable:
    """Make the table of one pattern and depth, or say why its rows are none."""
    table = table_of(rows.drop(columns=["pattern", "depth_m", "verdict", "run"], errors="ignore"))
    if table is not None:
        return table
    where = f"{path}: {pattern} {1e3 * depth_m:.4g} mm"
    nodes = rows[["reynolds", "spin_ratio"]]
    if (twice := nodes.duplicated()).any():
        place = int(twice.to_numpy().argmax())
        line, of = nodes.index[place], nodes.iloc[place]
        raise InputError(
            f"{where}: reynolds {of['reynolds']:g}, spin_ratio {of['spin_ratio']:g}: is there twice, the "
            f"second time on line {line}; keep one"
        )
    known = set(nodes.itertuples(index=False, name=None))
    missing = [
        (reynolds, spin_ratio)
        for reynolds in sorted({reynolds for reynolds, _ in known})
        for spin_ratio in sorted({spin_ratio for _, spin_ratio in known})
        if (reynolds, spin_ratio) not in known
    ]
    if missing:
        raise InputError(
            f"{where}: has no usable row for reynolds {missing[0][0]:g}, spin_ratio {missing[0][1]:g} "
            f"({len(missing)} missing); runs that failed leave holes, tables.csv has none"
        )
    raise InputError(f"{where}: has values that no ball has; {_first_wrong(rows)}")


def _first_wrong(rows: "pd.DataFrame") -> str:
    """Line, column and what would be right, of the first value out of its range."""
    for line, row in rows.iterrows():
        for name in ("cd", "cl", "cm", "cd_se", "cl_se", "cm_se"):
            if name not in row or (name.startswith("cm") and rows[name].isna().all()):
                continue
            if right := out_of_bounds(name, float(row[name])):
                return f"line {line}, {name}: {row[name]:g} is not {right}"
    return "reynolds must be above 0 and spin_ratio from 0 up"
