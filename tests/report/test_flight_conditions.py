"""Where in Re and S the page says that flights lie: against the flights themselves."""

import re

import numpy as np
import pytest
from report_studies import Results, copy_results

from pipeline.report.drawing import style
from pipeline.report.flight_conditions import draw_passages, passage_table, study_passages
from pipeline.report.inputs import read_inputs


def test_the_time_outside_is_that_of_the_flights(two_patterns: Results) -> None:
    """`extrapolated` of flights.csv is summed up along each flight by the kernel; here points count."""
    inputs = read_inputs(*two_patterns)
    found = study_passages(inputs, two_patterns.folder)
    assert list(found) == ["ico32", "oct14"]
    rows = passage_table(inputs.study, found).rows
    assert len(rows) == 4
    for row in rows:
        flights = inputs.flights
        own = flights[(flights["golfer"] == row[0].text) & (flights["pattern"] == row[1].text)]
        shown = float(row[4].text.split("\u00a0")[0])
        assert shown == pytest.approx(100.0 * own["extrapolated"].max(), abs=2.0)
        assert row[4].mark == "warn"
        low, high = map(float, row[2].text.split(" to "))
        assert 60.0 < low < high < 215.0


def test_the_page_shows_it(page: str) -> None:
    text = re.sub(r"<[^>]+>", " ", page)
    assert "Time outside the matrix of runs, at most" in text and "Below Re 90000" in text
    assert "points are the runs, the frame is the matrix that they span" in text


def test_results_without_tables_have_no_such_part(small: Results, tmp_path) -> None:
    results = copy_results(small, tmp_path / "old")
    (results.folder / "tables.csv").unlink()
    assert study_passages(read_inputs(*results), results.folder) == {}


def test_runs_and_their_frame_are_drawn(two_patterns: Results) -> None:
    inputs = read_inputs(*two_patterns)
    with style():
        figure = draw_passages(inputs.study, study_passages(inputs, two_patterns.folder))
    panels = [axes for axes in figure.axes if axes.get_title() or axes.get_xlabel()]
    assert len(panels) == len(inputs.study.golfers)
    for axes in panels:
        (points,) = axes.get_lines()
        assert sorted(set(np.round(points.get_xdata(), 6))) == [90.0, 180.0]
        (frame,) = axes.patches
        assert frame.get_bbox().bounds == pytest.approx((90.0, 0.08, 90.0, 0.12))
