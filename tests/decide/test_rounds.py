"""rounds.csv: read back as it was written, refused when it is broken or of another study."""

import math
from pathlib import Path

import pytest

from pipeline.decide.policy import FIRST, Choice
from pipeline.decide.rounds import (
    DecisionThen,
    check_rounds,
    end_row,
    points_of,
    read_rounds,
    rows_of,
    write_rounds,
)
from pipeline.errors import Broken, InputError
from pipeline.study.points import RunPoint

POINTS = [RunPoint("a", 1.8e-4, 91200.0, 0.101), RunPoint("b", 2.2e-4, 1.5e5, 0.2, "medium", 1)]
THEN = DecisionThen("run more", "a", 1.83e-4, 0.7, 1.25, 1, 0.01)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    rows = rows_of(0, [Choice(POINTS[0], FIRST, math.nan, 82.5)], DecisionThen())
    rows += rows_of(1, [Choice(POINTS[1], "explains 0.3 m of regret", 0.3, 53.1)], THEN)
    write_rounds(tmp_path / "rounds.csv", [*rows, end_row(2, "the budget is spent", THEN)])
    return tmp_path / "rounds.csv"


def test_rounds_are_read_back_as_they_were(path: Path) -> None:
    rows = read_rounds(path)
    assert points_of(rows) == POINTS
    assert [point.round for point in points_of(rows)] == [0, 1]
    assert (rows[1].state, rows[1].expected_regret_m, rows[1].gain_m) == ("run more", 1.25, 0.3)
    assert math.isnan(rows[0].gain_m)
    assert (rows[2].pattern, rows[2].why) == ("", "the budget is spent")
    text = path.read_text()
    write_rounds(path, rows)
    assert path.read_text() == text
    assert read_rounds(path.with_name("none.csv")) == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[:-9],
        lambda text: text.replace("round,", "turn,"),
        lambda text: text.replace("91200.0", "fast"),
    ],
)
def test_a_broken_table_is_refused(path: Path, spoil) -> None:
    path.write_text(spoil(path.read_text()))
    with pytest.raises(Broken, match=r"rounds\.csv"):
        read_rounds(path)


def test_rounds_of_other_depths_are_refused(path: Path) -> None:
    rows = read_rounds(path)
    check_rounds(path, rows, {"a": (1e-4, 2e-4), "b": (2e-4, 3e-4)})
    with pytest.raises(InputError, match=r"has a run of b at 0\.220 mm"):
        check_rounds(path, rows, {"a": (1e-4, 2e-4), "b": (2e-4, 2.1e-4)})
