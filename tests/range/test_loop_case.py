"""cases/loop from end to end: tracked coefficients, invented firings, a corrected decision."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.long

CASE = Path(__file__).parents[2] / "cases" / "loop"


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    spec = importlib.util.spec_from_file_location("loop", CASE / "loop.py")
    loop = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loop)
    out = tmp_path_factory.mktemp("loop")
    return out, loop.main(out, balls=4)


def test_the_decision_moves_to_the_truth(played):
    _, story = played
    assert story.before[2] < story.best[2] - 3.0  # as computed, it would have been the wrong ball
    assert story.after[2] > story.best[2] - 0.9144 * 2  # two yards
    assert story.after[2] > story.before[2] + 2.0


def test_carry_is_that_of_the_truth(played):
    _, story = played
    row = next(row for row in story.decision.rows if row.pattern == story.after[0])
    # The truth of the depth named, which the flight window costs nothing at its edge but a metre or so.
    assert abs(row.carry_m - story.after[2]) < 2.5 * row.carry_se_m + 1.0
    assert row.carry_se_m < 8.0  # the flow model's own error would be 20 m and more


def test_leaving_balls_out_speaks_for_the_correction(played):
    _, story = played
    correction = story.decision.correction
    assert correction.applied and correction.for_all
    assert correction.others_m < 0.5 * correction.before_m
    level = {term.of: term.value for term in correction.shared if term.term == "level"}
    assert level["ln Cl"] == pytest.approx(np.log(1.2), abs=0.07) and -0.04 < level["Cd"] < -0.015


def test_the_page_shows_before_and_after(played):
    out, _ = played
    page = (out / "results" / "loop" / "report.html").read_text()
    for words in ("Measured balls beside computed ones", "Before and after the correction", "eye protection",
                  "left out in turn", "Differences to reference balls"):  # fmt: skip
        assert words in page
    assert {path.name for path in (out / "results" / "loop" / "figures").iterdir()} >= {
        "measured-balls.png", "corrected-1.png"
    }  # fmt: skip
    tables = (out / "results" / "loop" / "tables.csv").read_text()
    assert tables.splitlines()[7].startswith("# corrected: by")


def test_a_study_without_measured_balls_is_not_corrected(played):
    out, _ = played
    written = json.loads((out / "results" / "loop" / "study.json").read_text())
    assert written["measured"] and written["references"]
    from pipeline.study.file import load_study

    assert "measured" not in load_study(out / "study.yaml").to_json()
