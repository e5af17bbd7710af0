"""Record of a study that chooses its runs itself, rounds.csv: what was chosen, why, and the decision then."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from pipeline.decide.policy import Choice
from pipeline.errors import Broken, InputError
from pipeline.files.atomic import write_text
from pipeline.files.clean_numbers import clean_json
from pipeline.study.points import RunPoint

REMEDY = "remove it: the runs that are there are found again, and the rounds are chosen anew"


@dataclass(frozen=True)
class RoundRow:
    """A run that was chosen, or, without a pattern, the end of the rounds; SI, units in the names.

    Parameters
    ----------
    round : int
        From 0.
    pattern, level, depth_m, reynolds, spin_ratio
        The run; level "" is the study's own.
    why : str
        Why it was chosen, or why the rounds ended.
    gain_m : float
        Expected regret that it explains; NaN for other reasons [m].
    price_core_s : float
        What it was expected to cost.
    state : str
        State of the decision for all golfers before the round; "" before the first one.
    best_pattern, best_depth_m : str, float
        What was best then.
    p_within_yard, expected_regret_m : float
        Probability that it was within a yard of the best, and the expected regret.
    runs, core_hours : int, float
        Runs that the decision was made of, and what they had cost.
    """

    round: int
    pattern: str
    level: str
    depth_m: float
    reynolds: float
    spin_ratio: float
    why: str
    gain_m: float
    price_core_s: float
    state: str
    best_pattern: str
    best_depth_m: float
    p_within_yard: float
    expected_regret_m: float
    runs: int
    core_hours: float


COLUMNS = tuple(column.name for column in fields(RoundRow))


@dataclass(frozen=True)
class DecisionThen:
    """The decision before a round, as of `RoundRow`."""

    state: str = ""
    best_pattern: str = ""
    best_depth_m: float = math.nan
    p_within_yard: float = math.nan
    expected_regret_m: float = math.nan
    runs: int = 0
    core_hours: float = 0.0


def rows_of(round_: int, chosen: Sequence[Choice], then: DecisionThen) -> list[RoundRow]:
    """Rows of a round."""
    return [
        RoundRow(
            round_,
            choice.point.pattern,
            choice.point.level or "",
            choice.point.depth_m,
            choice.point.reynolds,
            choice.point.spin_ratio,
            choice.why,
            choice.gain_m,
            choice.price_s,
            **vars(then),
        )
        for choice in chosen
    ]


def end_row(round_: int, why: str, then: DecisionThen) -> RoundRow:
    """Row that ends the rounds."""
    nothing = math.nan
    return RoundRow(round_, "", "", nothing, nothing, nothing, why, nothing, nothing, **vars(then))


def points_of(rows: Sequence[RoundRow]) -> list[RunPoint]:
    """Runs that were chosen, in their order."""
    return [
        RunPoint(row.pattern, row.depth_m, row.reynolds, row.spin_ratio, row.level or None, row.round)
        for row in rows
        if row.pattern
    ]


def write_rounds(path: Path, rows: Sequence[RoundRow]) -> None:
    """Write rounds.csv, atomically; numbers are read back exactly."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(["" if value != value else clean_json(value) for value in vars(row).values()])
    write_text(path, text.getvalue())


def read_rounds(path: Path) -> list[RoundRow]:
    """Read rounds.csv; empty when there is none.

    Raises
    ------
    Broken
        It is no table of rounds, or was cut off.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise Broken(path, f"cannot be read ({error})", REMEDY) from None
    if not text.endswith("\n"):
        raise Broken(path, "cut off in its last line", REMEDY)
    found = []
    try:
        for line in csv.DictReader(io.StringIO(text)):
            values: dict[str, Any] = {name: line[name] for name in COLUMNS}
            for column in fields(RoundRow):
                if column.type is int:
                    values[column.name] = int(values[column.name])
                elif column.type is float:
                    values[column.name] = float(values[column.name] or math.nan)
            found.append(RoundRow(**values))
    except (KeyError, ValueError, TypeError) as error:
        raise Broken(path, f"not a table of rounds ({error})", REMEDY) from None
    return found


def check_rounds(path: Path, rows: Sequence[RoundRow], ranges: Mapping[str, tuple[float, float]]) -> None:
    """Refuse rounds of a study that has other patterns or depths now.

    Raises
    ------
    InputError
        A run lies outside the study.
    """
    for row in rows:
        if not row.pattern:
            continue
        low, high = ranges.get(row.pattern, (math.inf, -math.inf))
        if not low - 1e-9 <= row.depth_m <= high + 1e-9:
            raise InputError(
                f"{path}: has a run of {row.pattern} at {1e3 * row.depth_m:.3f} mm, which the study does not "
                "have any more; give the study another name, or remove the file to choose its runs anew"
            )
