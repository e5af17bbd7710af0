"""Rows of the summary: errors, and what a file that grows part by part keeps."""

import csv
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.validation.rows import Row, merge_rows, read_rows, write_rows

DRAG = Row(
    "cd", "Re 100, S 0", 1.09, 0.0002, 1.087, "a paper, with a comma", "quoted", 1.0, "16x40", "", "sphere",
    100.0, 0.0, 61440,
)  # fmt: skip
ALONE = Row("order_cd", "Re 100, S 0", 1.9, part="order")


def test_errors_are_shares_of_the_published_value() -> None:
    assert DRAG.error_pct == pytest.approx(100 * 0.003 / 1.087)
    assert DRAG.within_goal is True
    assert Row("cl", "", -0.12, published=-0.10).error_pct == pytest.approx(-20.0)
    assert Row("cd", "", 1.2, published=1.0, goal_pct=10.0).within_goal is False


def test_without_published_value_there_is_no_error_and_without_goal_no_verdict() -> None:
    assert (ALONE.error_pct, ALONE.within_goal) == (None, None)
    assert Row("cd", "", 1.2, published=1.0).within_goal is None
    # A state that is zero or one has no relative error, but can be the same.
    same, other = (Row("sheds", "", ours, published=0.0, goal_pct=0.0) for ours in (0.0, 1.0))
    assert (same.error_pct, same.within_goal, other.within_goal) == (None, True, False)


def test_what_is_written_is_read(tmp_path: Path) -> None:
    write_rows(tmp_path / "summary.csv", [DRAG, ALONE])
    assert read_rows(tmp_path / "summary.csv") == [DRAG, ALONE]
    with (tmp_path / "summary.csv").open(newline="") as stream:
        header, first, _ = csv.reader(stream)
    # The contract of the design: these columns first, others only after them.
    promised = "quantity, condition, ours, ours_se, published, source, mark, error_pct, goal_pct, level"
    assert header[:10] == promised.split(", ")
    assert float(first[header.index("error_pct")]) == pytest.approx(0.275989, rel=1e-5)


def test_a_part_replaces_its_own_rows_alone(tmp_path: Path) -> None:
    path = tmp_path / "summary.csv"
    merge_rows(path, "sphere", [DRAG])
    merge_rows(path, "order", [ALONE])
    fresh = Row("cd", "Re 100, S 0", 1.088, part="some other name")
    merged = merge_rows(path, "sphere", [fresh])
    assert [(row.part, row.ours) for row in merged] == [("sphere", 1.088), ("order", 1.9)]
    assert read_rows(path) == merged


def test_a_broken_summary_gets_one_line(tmp_path: Path) -> None:
    path = tmp_path / "summary.csv"
    with pytest.raises(InputError, match="missing"):
        read_rows(path)
    write_rows(path, [DRAG])
    path.write_text(path.read_text().replace("1.09,", "much,"))
    with pytest.raises(InputError, match=r"summary\.csv:2: not a row"):
        read_rows(path)
