"""Tables whose headings name quantities with units: ranges of cells, every fault at once with its line."""

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.files.delimited import Delimited, number, read_delimited

MOST_PROBLEMS = 60
"""Faults of a file that are listed one by one."""

LARGEST_BYTES = 256 * 2**20

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "length": {
        "m": (1.0, 0.0), "mm": (1e-3, 0.0), "cm": (1e-2, 0.0), "um": (1e-6, 0.0), "in": (0.0254, 0.0),
        "ft": (0.3048, 0.0), "yd": (0.9144, 0.0),
    },
    "time": {"s": (1.0, 0.0), "ms": (1e-3, 0.0), "us": (1e-6, 0.0)},
    "speed": {"m_s": (1.0, 0.0), "mph": (0.44704, 0.0), "ft_s": (0.3048, 0.0), "km_h": (1.0 / 3.6, 0.0)},
    "angle": {"deg": (math.pi / 180.0, 0.0), "rad": (1.0, 0.0)},
    "spin": {"rpm": (math.pi / 30.0, 0.0), "rad_s": (1.0, 0.0)},
    "mass": {"g": (1e-3, 0.0), "kg": (1.0, 0.0), "oz": (0.028349523125, 0.0)},
    "temperature": {"degC": (1.0, 273.15), "degF": (5.0 / 9.0, 459.67 * 5.0 / 9.0), "K": (1.0, 0.0)},
    "pressure": {"hPa": (100.0, 0.0), "Pa": (1.0, 0.0), "kPa": (1000.0, 0.0), "mbar": (100.0, 0.0)},
    "share": {"pct": (0.01, 0.0)},
    "count": {"": (1.0, 0.0)},
}  # fmt: skip
"""Units by kind: SI = value * factor + offset."""


class Column(NamedTuple):
    """A quantity of a table: its kind (a key of the units), and the range in SI that is believed."""

    kind: str
    low: float
    high: float
    usual: str


@dataclass(frozen=True, eq=False)
class TableRead:
    """A table that somebody gives, its cells checked.

    Attributes
    ----------
    path : Path
        The file.
    lines : ndarray of int, shape (m,)
        Line of each row.
    texts : dict
        Columns of text, each a list of m.
    values : dict
        Quantities in SI, each an array of m; NaN where a cell is empty or the column absent.
    given : frozenset of str
        Quantities that have a column.
    """

    path: Path
    lines: IntArray
    texts: dict[str, list[str]]
    values: dict[str, FloatArray]
    given: frozenset[str]


class Problems:
    """Faults found in files, reported all at once."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, path: Path, line: int, message: str) -> None:
        """Note a fault at a line of a file."""
        self.lines.append(f"{path}:{line}: {message}")

    def refuse(self) -> None:
        """Raise what was found, if anything.

        Raises
        ------
        InputError
            With one line a fault.
        """
        if not self.lines:
            return
        more = len(self.lines) - MOST_PROBLEMS
        shown = self.lines[:MOST_PROBLEMS] + ([f"and {more} more faults like these"] if more > 0 else [])
        raise InputError("\n".join(shown))


def read_columns(
    path: Path,
    wanted: str,
    quantities: Mapping[str, Column],
    texts: Sequence[str],
    needed: Sequence[str],
    problems: Problems,
) -> TableRead | None:
    """Read a table whose headers name quantities with their units (`mass_g`, `time_us`).

    Parameters
    ----------
    path : Path
        CSV, separated as `pipeline.files.delimited` finds out; decimal commas are read where they are
        certain.
    wanted : str
        What the file should be, for messages.
    quantities : mapping
        Quantities by name, without their units.
    texts : sequence of str
        Names of columns of text.
    needed : sequence of str
        Columns that must be there and have a value in every row.
    problems : Problems
        Takes every fault that is found; the table is then not to be used.

    Returns
    -------
    TableRead or None
        None where no row can be read at all.
    """
    try:
        found = read_delimited(Path(path), wanted, LARGEST_BYTES)
    except InputError as error:
        problems.lines.append(str(error))
        return None
    columns = _columns(found, quantities, texts, needed, problems)
    if not found.rows:
        problems.add(found.path, found.header_line, f"has no rows; {wanted} is needed")
        return None
    lines = np.array([line for line, _ in found.rows])
    cells = []
    for line, row in found.rows:
        if problem := found.width_problem(row):
            problems.add(found.path, line, problem)
            row = [*row, *[""] * len(found.header)][: len(found.header)]
        cells.append(row)
    by_column = list(zip(*cells, strict=True))
    read_texts = {name: list(by_column[found.header.index(name)]) for name in texts if name in found.header}
    for name in needed:
        for line, text in zip(lines, read_texts.get(name, ()), strict=False):
            if not text:
                problems.add(found.path, int(line), f"{name}: is empty; it is needed in every row")
    values = {}
    for name, column in quantities.items():
        if name not in columns:
            values[name] = np.full(len(lines), np.nan)
            continue
        place, unit = columns[name]
        values[name] = _values(
            found, lines, by_column[place], found.header[place], column, unit, name in needed, problems
        )
    return TableRead(found.path, lines, read_texts, values, frozenset(columns))


def _columns(
    found: Delimited,
    quantities: Mapping[str, Column],
    texts: Sequence[str],
    needed: Sequence[str],
    problems: Problems,
) -> dict[str, tuple[int, str]]:
    """Place and unit of every quantity that the header names."""
    columns: dict[str, tuple[int, str]] = {}
    for place, head in enumerate(found.header):
        name, unit = _named(head, quantities)
        if name is None:
            if head in texts:
                if found.header.index(head) != place:
                    problems.add(found.path, found.header_line, f"{head}: stands twice; remove one column")
                continue
            known = [*_spelt(quantities), *texts]
            close = difflib.get_close_matches(head, known, n=1, cutoff=0.75)
            if close and not head.startswith("x_"):
                problems.add(
                    found.path, found.header_line, f'{head}: is no column; did you mean "{close[0]}"? '
                    "Columns of your own begin with x_"
                )  # fmt: skip
            continue
        if unit is None:
            units = ", ".join(_spelt({name: quantities[name]}))
            problems.add(
                found.path, found.header_line, f"{head}: its unit is not known; write one of {units}"
            )
        elif name in columns:
            problems.add(found.path, found.header_line, f"{name}: has two columns; remove one")
        else:
            columns[name] = (place, unit)
    have = ", ".join(found.header)[:200] or "none"
    for name in needed:
        if name not in columns and name not in found.header:
            column = quantities.get(name)
            write = f"{name}_{column.usual}" if column is not None and column.usual else name
            problems.add(found.path, found.header_line, f"column {write} is missing; it has {have}")
    return columns


def _named(head: str, quantities: Mapping[str, Column]) -> tuple[str | None, str | None]:
    """Quantity and unit that a heading names; (None, None) for another heading."""
    stems = [name for name in quantities if head == name or head.startswith(f"{name}_")]
    if not stems:
        return None, None
    name = max(stems, key=len)
    unit = head[len(name) + 1 :]
    return name, unit if unit in UNITS[quantities[name].kind] else None


def _spelt(quantities: Mapping[str, Column]) -> list[str]:
    return [
        f"{name}_{unit}" if unit else name
        for name, column in quantities.items()
        for unit in UNITS[column.kind]
    ]


def _values(
    found: Delimited,
    lines: IntArray,
    cells: Sequence[str],
    head: str,
    column: Column,
    unit: str,
    needed: bool,
    problems: Problems,
) -> FloatArray:
    factor, offset = UNITS[column.kind][unit]
    try:
        values = np.array([cell or "nan" for cell in cells], dtype=float) * factor + offset
        wrong = ~((values >= column.low) & (values <= column.high))
    except ValueError:
        values = np.array([number(cell) for cell in cells]) * factor + offset
        wrong = ~((values >= column.low) & (values <= column.high))
    for place in np.flatnonzero(wrong):
        cell = cells[int(place)]
        if not cell and not needed:
            continue
        low, high = ((limit - offset) / factor for limit in (column.low, column.high))
        message = f'"{cell[:40]}" is not a number from {low:.4g} to {high:.4g}'
        if not cell:
            message = f"is empty; a number from {low:.4g} to {high:.4g} is needed in every row"
        elif other := _other_unit(number(cell), column, unit):
            message += f"; is it in {other}? Then name the column {_renamed(head, unit, other)}"
        problems.add(found.path, int(lines[place]), f"{head}: {message}")
    return values


def _other_unit(value: float, column: Column, unit: str) -> str | None:
    """Another unit of the kind in which a value would be believed."""
    if not math.isfinite(value):
        return None
    for other, (factor, offset) in UNITS[column.kind].items():
        if other != unit and column.low <= value * factor + offset <= column.high:
            return other
    return None


def _renamed(head: str, unit: str, other: str) -> str:
    return f"{head[: len(head) - len(unit)]}{other}"
