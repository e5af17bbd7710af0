"""Computed balls: every pattern and depth of a study, but not those that measured balls have corrected."""

import numpy as np
import pytest
from report.report_studies import ONE_PATTERN, make_results

from pipeline.aero.tables_of_file import read_tables
from pipeline.errors import InputError
from pipeline.shelf.computed import balls_of_study, is_study_results


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return make_results(tmp_path_factory.mktemp("computed"), ONE_PATTERN, lambda run, found: found).folder


def test_every_depth_is_a_ball(results):
    assert is_study_results(results) and not is_study_results(results.parent)
    balls = balls_of_study(results)
    assert [ball.name for ball in balls] == ["small-ico32-150um", "small-ico32-200um", "small-ico32-250um"]
    tables, _ = read_tables(results / "tables.csv")
    for ball, of in zip(balls, tables, strict=True):
        assert (ball.kind, ball.pattern, ball.place) == ("computed", "ico32", "small")
        assert ball.depth_m == of.depth_m
        np.testing.assert_array_equal(ball.table.cd, of.table.cd)
        assert "32 dimples, icosahedral" in ball.geometry and "transient-rans" in ball.conditions
        assert len(ball.date) == 10


def test_corrected_coefficients_are_not_shelved(results):
    path = results / "tables.csv"
    text = path.read_text()
    try:
        path.write_text("# corrected: by 2 measured balls\n" + text)
        with pytest.raises(InputError, match="they would be measured twice"):
            balls_of_study(results)
    finally:
        path.write_text(text)
    (results / "tables.csv").rename(results / "other.csv")
    with pytest.raises(InputError, match="compute the study first"):
        balls_of_study(results)
    (results / "other.csv").rename(path)
