"""Coefficient tables as files: one row a node of a full grid."""

import csv
import difflib
import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.aero.table import CoefficientTable
from pipeline.errors import InputError
from pipeline.files import write_text

if TYPE_CHECKING:
    import pandas as pd

_REQUIRED_COLUMNS = ("reynolds", "spin_ratio", "cd", "cl")
_COLUMNS = (*_REQUIRED_COLUMNS, "cm")
_ERROR_COLUMNS = ("cd_se", "cl_se", "cm_se")


def write_table(table: CoefficientTable, path: Path) -> None:
    """Write a table as CSV: reynolds, spin_ratio, cd, cl and, where known, cm; one row a node.

    The numbers are written so that `read_table` gives them back exactly; standard errors are not in the file.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    names = _COLUMNS if table.cm is not None else _REQUIRED_COLUMNS
    writer.writerow(names)
    for i, reynolds in enumerate(table.reynolds):
        for j, spin_ratio in enumerate(table.spin_ratio):
            values = [getattr(table, name)[i, j] for name in names[2:]]
            writer.writerow([repr(float(number)) for number in (reynolds, spin_ratio, *values)])
    write_text(path, stream.getvalue())


def read_table(path: Path) -> CoefficientTable:
    """Read a coefficient table from anywhere.

    Parameters
    ----------
    path : Path
        CSV with the columns reynolds, spin_ratio, cd, cl and, where known, cm (see `CoefficientTable` for
        their meaning), in any order of columns and rows, on a full grid of the first two.

    Returns
    -------
    CoefficientTable
        With standard errors of zero.

    Raises
    ------
    InputError
        The file is missing, a column is missing, unknown or there twice, a value is not a number of its
        range, a row is there twice, or a point of the grid is missing; the message names file and line.
    """
    quick = _read_well_formed(Path(path))
    if quick is not None:
        return quick
    names, rows = _read_rows(Path(path))
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
        nodes[key] = [row[name] for name in _COLUMNS[2:] if name in row]
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
    columns = np.moveaxis(grid, -1, 0)
    cm = columns[2] if len(columns) == 3 else None
    return CoefficientTable(np.array(reynolds), np.array(spin_ratio), columns[0], columns[1], cm)


def _read_well_formed(path: Path) -> CoefficientTable | None:
    """Read a file without faults, quickly; None when something is unusual, for `read_table` to name it."""
    import pandas as pd

    try:
        frame = pd.read_csv(path, dtype=float, skipinitialspace=True)
    except (OSError, ValueError):
        return None
    frame.columns = frame.columns.str.strip()
    if not set(_REQUIRED_COLUMNS) <= set(frame.columns) <= set(_COLUMNS) or not isinstance(
        frame.index, pd.RangeIndex
    ):
        return None
    return table_of(frame)


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
    positive = (
        all((values[name] >= 0).all() for name in ("spin_ratio", "cd")) and (values["reynolds"] > 0).all()
    )
    if not (len(rows) and positive and all(np.isfinite(column).all() for column in values.values())):
        return None
    reynolds, i = np.unique(values.pop("reynolds"), return_inverse=True)
    spin_ratio, j = np.unique(values.pop("spin_ratio"), return_inverse=True)
    place = i * spin_ratio.size + j
    if place.size != reynolds.size * spin_ratio.size or np.unique(place).size != place.size:
        return None
    order = np.argsort(place)
    grids = {name: column[order].reshape(reynolds.size, -1) for name, column in values.items()}
    return CoefficientTable(reynolds, spin_ratio, **grids)


def _read_rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the column names and the rows that are not empty, each with its line number."""
    wanted = "columns reynolds, spin_ratio, cd, cl and, where known, cm"
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file; a CSV with the {wanted} is needed") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{path}: cannot be read as text ({error}); a CSV with the {wanted} is needed"
        ) from None
    reader = csv.reader(io.StringIO(text))
    rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    if not rows:
        raise InputError(f"{path}: is empty; a CSV with the {wanted} is needed")
    line, header = rows.pop(0)
    names = [name.strip() for name in header]
    for name in names:
        if name not in _COLUMNS:
            nearest = difflib.get_close_matches(name.lower(), _COLUMNS, n=1, cutoff=0.4)
            right = (
                f'did you mean "{nearest[0]}"?'
                if nearest
                else f"the {wanted}, separated by commas, are known"
            )
            raise InputError(f'{path}:{line}: unknown column "{name}"; {right}')
        if names.count(name) > 1:
            raise InputError(f'{path}:{line}: column "{name}" is there twice; keep one')
    absent = [name for name in _REQUIRED_COLUMNS if name not in names]
    if absent:
        raise InputError(f'{path}:{line}: column "{absent[0]}" is missing; the {wanted} are needed')
    if not rows:
        raise InputError(f"{path}: has a header but no rows; give one row a pair of reynolds and spin_ratio")
    for line, row in rows:
        if len(row) != len(names):
            raise InputError(f"{path}:{line}: has {len(row)} values; the header has {len(names)} columns")
    return names, rows


def _number(path: Path, line: int, name: str, cell: str) -> float:
    wanted = {"reynolds": "a number above 0", "spin_ratio": "a number from 0 up", "cd": "a number from 0 up"}
    try:
        number = float(cell)
    except ValueError:
        number = float("nan")
    too_low = (name == "reynolds" and number <= 0) or (name in ("spin_ratio", "cd") and number < 0)
    if not np.isfinite(number) or too_low:
        right = wanted.get(name, "a number")
        raise InputError(f'{path}:{line}: {name}: "{cell.strip()}" is not {right}')
    return number
