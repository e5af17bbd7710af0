"""Rows of results/verification/summary.csv: one computed value beside one published value."""

import csv
import io
import math
from collections.abc import Iterable
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files.atomic import write_text

_COLUMNS = (
    "quantity", "condition", "ours", "ours_se", "published", "source", "mark", "error_pct", "goal_pct",
    "level", "cause", "part", "reynolds", "spin_ratio", "cells", "within_goal",
    "published_se", "ball", "depth_m",
)  # fmt: skip
"""In the file's order; columns are only ever added, at the end."""


@dataclass(frozen=True)
class Row:
    """One value of ours, with a published one where there is one.

    Attributes
    ----------
    quantity : str
        What it is, with its unit: cd, cl, separation_deg, wake_length (in diameters), strouhal, sheds (1 yes,
        0 no), ...
    condition : str
        Flow in words, for instance "Re 100, S 0.5".
    ours, ours_se : float or None
        Computed value, and its standard error: that of the averaging, or what the source of `quantity` says.
    published : float or None
        The value to compare with.
    source, mark : str
        Where `published` comes from; mark: source (read there), quoted (by another), computed (from a stated
        formula), memory (not confirmed), or empty without one.
    goal_pct : float or None
        Largest error that counts as agreement [%]; None where the value is only shown.
    level : str
        Resolution of the mesh, for instance "16x40".
    cause : str
        What must be known of the comparison, such as why there is no extrapolated value.
    part : str
        Part of the suite that computed it.
    reynolds, spin_ratio : float or None
        The flow, for plots.
    cells : int or None
        Of the mesh, a mirrored half counted as it was solved.
    published_se : float or None
        Standard error of `published`, where one is known or taken.
    ball, depth_m : str, float or None
        Published ball that was computed, and at which reading of its depth [m].
    """

    quantity: str
    condition: str
    ours: float
    ours_se: float | None = None
    published: float | None = None
    source: str = ""
    mark: str = ""
    goal_pct: float | None = None
    level: str = ""
    cause: str = ""
    part: str = ""
    reynolds: float | None = None
    spin_ratio: float | None = None
    cells: int | None = None
    published_se: float | None = None
    ball: str = ""
    depth_m: float | None = None

    @property
    def error_pct(self) -> float | None:
        """Difference from the published value as a share of it [%]; None without one, or when it is zero."""
        if not self.published:
            return None
        return 100.0 * (self.ours - self.published) / abs(self.published)

    @property
    def within_goal(self) -> bool | None:
        """Whether the error is no larger than the goal; None without published value or goal."""
        if self.published is None or self.goal_pct is None:
            return None
        return abs(self.ours - self.published) <= 0.01 * self.goal_pct * abs(self.published)

    def columns(self) -> dict[str, object]:
        """All columns by name, as in the file."""
        return {name: getattr(self, name) for name in _COLUMNS}


def write_rows(path: Path, rows: Iterable[Row]) -> None:
    """Write rows as CSV, atomically; None is an empty field, yes and no are 1 and 0."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _text(value) for name, value in row.columns().items()})
    write_text(path, stream.getvalue())


def read_rows(path: Path) -> list[Row]:
    """Read what `write_rows` wrote; unknown columns are left out.

    Raises
    ------
    InputError
        If the file is missing or a line is broken.
    """
    if not path.is_file():
        raise InputError(f"{path}: missing; depthline verify makes it")
    rows = []
    with path.open(newline="", encoding="utf-8") as stream:
        reader = csv.DictReader(stream)
        for line in reader:
            try:
                rows.append(_row(line))
            except (TypeError, ValueError, KeyError) as error:
                raise InputError(f"{path}:{reader.line_num}: not a row of the summary ({error})") from None
    return rows


def merge_rows(path: Path, part: str, rows: Iterable[Row]) -> list[Row]:
    """Put the rows of a part in the place of its earlier ones, and write them with those of all others.

    Parameters
    ----------
    path : Path
        Summary file; made when missing.
    part : str
        Name of the part.
    rows : iterable of Row
        Its rows, whatever they say of their part.

    Returns
    -------
    list of Row
        Everything that the file holds now, parts in the order of their first computation.
    """
    before = read_rows(path) if path.is_file() else []
    fresh = [
        Row(**{entry.name: getattr(row, entry.name) for entry in fields(Row)} | {"part": part})
        for row in rows
    ]
    names = list(dict.fromkeys([row.part for row in before] + [part]))
    merged = [
        row
        for name in names
        for row in (fresh if name == part else [row for row in before if row.part == name])
    ]
    write_rows(path, merged)
    return merged


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return f"{value:.8g}"
    return str(value)


def _row(line: dict[str, str]) -> Row:
    values: dict[str, Any] = {}
    for entry in fields(Row):
        # Files of before have no later columns.
        text = line[entry.name] if entry.default is MISSING else line.get(entry.name, "")
        if entry.type is str:
            values[entry.name] = text
        elif entry.type is float or text:
            values[entry.name] = int(text) if entry.name == "cells" else float(text)
            if not math.isfinite(values[entry.name]):
                raise ValueError(f"{entry.name}: {text}")
        else:
            values[entry.name] = None
    return Row(**values)
