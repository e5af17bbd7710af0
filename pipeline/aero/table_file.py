"""Coefficient tables as files: one row a node of a full grid."""

import csv
import difflib
import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.aero.table import BOUNDS, CoefficientTable, out_of_bounds
from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.files.delimited import COMMENT, Delimited, number, read_delimited

if TYPE_CHECKING:
    import pandas as pd

_REQUIRED_COLUMNS = ("reynolds", "spin_ratio", "cd", "cl")
_COLUMNS = (*_REQUIRED_COLUMNS, "cm")
_ERROR_COLUMNS = ("cd_se", "cl_se", "cm_se")
_VALUES = (*_COLUMNS[2:], *_ERROR_COLUMNS)

EXTRA_COLUMNS = ("tripped_share",)
"""Columns of our own tables that flights do not need: the share of the meridians on which the boundary layer
is tripped."""

_OF_A_SHELF = re.compile(r"inside|c[dl]_mode_[0-9]+")
"""Columns of the shelf's files (`pipeline.shelf.ball_file`), which are passed over too."""


def write_table(
    table: CoefficientTable,
    path: Path,
    header: Sequence[str] = (),
    more: Mapping[str, FloatArray] | None = None,
) -> None:
    """Write a table as CSV, one row a node: reynolds, spin_ratio, each coefficient and its standard error.

    The numbers are written so that `read_table` gives them back exactly.

    Parameters
    ----------
    table : CoefficientTable
        The table; cm only where it has one.
    path : Path
        The file.
    header : sequence of str
        Lines on what the table is, written above the columns with `# ` before each (`pandas.read_csv` passes
        them over with `comment="#"`).
    more : mapping, optional
        Further columns of `EXTRA_COLUMNS`, arrays of shape (nr, ns).
    """
    names = ("cd", "cl", "cm") if table.cm is not None else ("cd", "cl")
    columns = {column: getattr(table, column) for name in names for column in (name, f"{name}_se")}
    columns |= more or {}
    stream = io.StringIO()
    stream.write(comments(header))
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("reynolds", "spin_ratio", *columns))
    for i, reynolds in enumerate(table.reynolds):
        for j, spin_ratio in enumerate(table.spin_ratio):
            values = [values[i, j] for values in columns.values()]
            writer.writerow([repr(float(value)) for value in (reynolds, spin_ratio, *values)])
    write_text(path, stream.getvalue())


def comments(lines: Sequence[str]) -> str:
    """Return lines as comments of a CSV file; line ends and control characters in them are blanks."""
    plain = ("".join(c if c.isprintable() else " " for c in line) for line in lines)
    return "".join(f"{COMMENT} {line}\n" for line in plain)


def read_table(path: Path) -> CoefficientTable:
    """Read a coefficient table from anywhere.

    Parameters
    ----------
    path : Path
        CSV, separated as `pipeline.files.delimited` finds out, with the columns reynolds, spin_ratio, cd, cl
        and, where known, cm and standard errors (see `CoefficientTable` for their meaning), in any order of
        columns and rows, on a full grid of the first two. Columns of `EXTRA_COLUMNS` and of the shelf's
        files are passed over.

    Returns
    -------
    CoefficientTable
        With standard errors of zero where the file has none.

    Raises
    ------
    InputError
        The file is missing, a column is missing, unknown or there twice, a value is not a number of its
        range, a row is there twice, or a point of the grid is missing; the message names file and line.
    """
    found = _read_rows(Path(path))
    names, rows = found.header, found.rows
    quick = table_of(_frame(found))
    if quick is not None:
        return quick
    where: dict[tuple[float, float], int] = {}
    nodes: dict[tuple[float, float], list[float]] = {}
    for line, cells in rows:
        row = {name: _number(path, line, name, cell) for name, cell in zip(names, cells, strict=True)}
        key = (row["reynolds"], row["spin_ratio"])
        if key in nodes:
            raise InputError(
                f"{path}:{line}: reynolds {key[0]:g}, spin_ratio {key[1]:g}: is on line {where[key]} "
                "already; keep one of the two rows"
            )
        where[key] = line
        nodes[key] = [row[name] for name in names if name in _VALUES]
    reynolds = sorted({key[0] for key in nodes})
    spin_ratio = sorted({key[1] for key in nodes})
    if missing := len(reynolds) * len(spin_ratio) - len(nodes):
        # The list of all that is missing could be far longer than the file.
        first = next((re, s) for re in reynolds for s in spin_ratio if (re, s) not in nodes)
        raise InputError(
            f"{path}: the grid has no row for reynolds {first[0]:g}, spin_ratio {first[1]:g} "
            f"({missing} missing of {len(reynolds)} x {len(spin_ratio)}); give every pair once"
        )
    grid = np.array([[nodes[re, s] for s in spin_ratio] for re in reynolds])
    values = dict(zip((name for name in names if name in _VALUES), np.moveaxis(grid, -1, 0), strict=True))
    return CoefficientTable(np.array(reynolds), np.array(spin_ratio), **values)


def _frame(found: Delimited) -> "pd.DataFrame":
    """Numbers of a file, quickly; NaN for what is none, for `read_table` to name it."""
    import pandas as pd

    cells = np.array([[number(cell) for cell in cells] for _, cells in found.rows])
    return pd.DataFrame(cells, columns=found.header)


def table_of(rows: "pd.DataFrame") -> CoefficientTable | None:
    """Make a table of rows on a full grid; None when they are not that.

    Parameters
    ----------
    rows : DataFrame
        Columns reynolds, spin_ratio, cd, cl and, where known, cm and standard errors (cd_se ...), one row a
        node, in any order; for instance one pattern and depth of `pipeline.aero.export.read_tidy`.

    Returns
    -------
    CoefficientTable or None
        None when a number is missing or out of range, or a node is missing or there twice.
    """
    values = {name: rows[name].to_numpy(float) for name in rows if name in (*_COLUMNS, *_ERROR_COLUMNS)}
    values = {
        name: column for name, column in values.items() if name[:2] != "cm" or np.isfinite(column).any()
    }
    possible = (values["spin_ratio"] >= 0).all() and (values["reynolds"] > 0).all()
    for name, (low, high) in BOUNDS.items():
        possible &= name not in values or ((values[name] >= low) & (values[name] <= high)).all()
    possible &= all((values[name] >= 0).all() for name in _ERROR_COLUMNS if name in values)
    if not (len(rows) and possible and all(np.isfinite(column).all() for column in values.values())):
        return None
    reynolds, i = np.unique(values.pop("reynolds"), return_inverse=True)
    spin_ratio, j = np.unique(values.pop("spin_ratio"), return_inverse=True)
    place = i * spin_ratio.size + j
    if place.size != reynolds.size * spin_ratio.size or np.unique(place).size != place.size:
        return None
    order = np.argsort(place)
    grids = {name: column[order].reshape(reynolds.size, -1) for name, column in values.items()}
    return CoefficientTable(reynolds, spin_ratio, **grids)


def _read_rows(path: Path) -> Delimited:
    """Read columns and rows, and refuse unknown or missing columns and rows that are too short or long."""
    wanted = "columns reynolds, spin_ratio, cd, cl and, where known, cm"
    found = read_delimited(path, f"a CSV with the {wanted}")
    names, line = found.header, found.header_line
    if not names:
        raise InputError(f"{path}: is empty; a CSV with the {wanted} is needed")
    for name in names:
        if name not in (*_COLUMNS, *_ERROR_COLUMNS) and not _passed_over(name):
            nearest = difflib.get_close_matches(name.lower()[:100], _COLUMNS, n=1, cutoff=0.4)
            right = f'did you mean "{nearest[0]}"?' if nearest else f"the {wanted} are known"
            raise InputError(f'{path}:{line}: unknown column "{name[:60]}"; {right}')
        if names.count(name) > 1:
            raise InputError(f'{path}:{line}: column "{name}" is there twice; keep one')
    absent = [name for name in _REQUIRED_COLUMNS if name not in names]
    if absent:
        raise InputError(f'{path}:{line}: column "{absent[0]}" is missing; the {wanted} are needed')
    if not found.rows:
        raise InputError(f"{path}: has a header but no rows; give one row a pair of reynolds and spin_ratio")
    for line, row in found.rows:
        if trouble := found.width_problem(row):
            raise InputError(f"{path}:{line}: {trouble}")
    return found


def _passed_over(name: str) -> bool:
    return name in EXTRA_COLUMNS or _OF_A_SHELF.fullmatch(name) is not None


def _number(path: Path, line: int, name: str, cell: str) -> float:
    value = number(cell)
    if _passed_over(name):
        right = None
    elif name in BOUNDS or name in _ERROR_COLUMNS:
        right = out_of_bounds(name, value)
    else:
        possible = np.isfinite(value) and (value > 0 if name == "reynolds" else value >= 0)
        right = None if possible else f"a number {'above 0' if name == 'reynolds' else 'from 0 up'}"
    if right is not None:
        raise InputError(f'{path}:{line}: {name}: "{cell[:60]}" is not {right}')
    return value
