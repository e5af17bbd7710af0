"""Published balls beside computed ones: the shipped cases, and comparisons whose answers are known."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import InputError
from pipeline.flow.solver.boundary_layer import critical_reynolds
from pipeline.study.file import load_study
from pipeline.validation.published_balls import (
    STUDY,
    compare,
    least_drag,
    published_cases,
    published_values,
    ranking,
    rows_of,
)

DIAMETER_M = 0.0427


def case(folder: Path, *lines: str) -> Path:
    folder.mkdir()
    head = ["# An invented paper", "reynolds,spin_ratio,regime,cd,cd_se,cl,cl_se,mark"]
    (folder / "published.csv").write_text("\n".join([*head, *lines]) + "\n")
    return folder


def runs(*rows: tuple[float, float, float, float, float]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["depth_m", "reynolds", "spin_ratio", "cd", "cl"])
    return frame.assign(cd_se=0.003, cl_se=0.004, verdict="settled", run="r")


def test_every_shipped_case_is_a_study_that_computes_what_is_published():
    folders = published_cases()
    assert len(folders) >= 8
    for folder in folders:
        study = load_study(folder / STUDY)
        assert study.name == folder.name and study.flow.boundary_layer == "tripped"
        for value in published_values(folder):
            assert any(math.isclose(value.reynolds, at, rel_tol=1e-6) for at in study.flow.reynolds)
            assert any(math.isclose(value.spin_ratio, at, abs_tol=1e-6) for at in study.flow.spin_ratios)
            assert value.mark in ("quoted", "memory", "source")


def test_depths_are_the_two_readings_of_a_published_depth():
    # k from the sphere, or from the plane of the edge, which lies d/2 (1 - cos(asin(c / d))) below it.
    ratios = {"choi-2006": 4e-3, "li-2017": 5e-3, "bearman-harvey-1976": 9e-3, "aoki-2011": 7.9e-3,
              "beratlis-2012": 6.3e-3}  # fmt: skip
    for name, ratio in ratios.items():
        study = load_study(next(path for path in published_cases() if path.name == name) / STUDY)
        (pattern,) = study.patterns
        chord = pattern.cavity.chord_diameter_m
        plane = 0.5 * DIAMETER_M * (1.0 - math.cos(math.asin(chord / DIAMETER_M)))
        wanted = [ratio * DIAMETER_M, ratio * DIAMETER_M + plane]
        assert sorted(pattern.depths_m) == pytest.approx(wanted, abs=1.5e-6), name


def test_a_value_is_compared_at_its_own_flow_and_every_depth(tmp_path):
    values = published_values(case(tmp_path / "ball", "1.5e5,0.1,above,0.25,0.004,,,quoted"))
    computed = runs(
        (0.2e-3, 1.5e5, 0.1, 0.26, 0.1), (0.25e-3, 1.5e5, 0.1, 0.24, 0.1), (0.2e-3, 1e5, 0.1, 9.0, 0.1)
    )
    found = compare(values, computed, DIAMETER_M)
    assert [of.computed for of in found] == [0.26, 0.24]
    assert found[0].deviations == pytest.approx(0.01 / 0.005)  # 3-4-5
    rows = rows_of(found, "graded")
    assert [row.within_goal for row in rows] == [True, True]
    assert rows[0].condition == "ball, 0.200 mm, Re 150000, S 0.1" and rows[0].published_se == 0.004
    assert rows_of(compare(values, computed.assign(cd=0.27), DIAMETER_M), "")[0].within_goal is False


def test_lift_may_be_off_by_two_published_errors_and_nothing_is_judged_inside_the_crisis(tmp_path):
    lines = ["1.5e5,0.1,above,,,0.10,0.02,quoted", "7e4,0.1,inside,,,-0.1,0.02,quoted"]
    values = published_values(case(tmp_path / "ball", *lines))
    computed = runs((0.2e-3, 1.5e5, 0.1, 0.25, 0.139), (0.2e-3, 7e4, 0.1, 0.25, 0.1))
    judged = [row.within_goal for row in rows_of(compare(values, computed, DIAMETER_M), "")]
    assert judged == [True, None]
    # Above as published, not wholly tripped as computed: shown only.
    low = 0.9 * critical_reynolds(0.2e-3, DIAMETER_M)
    values = published_values(case(tmp_path / "other", f"{low},0.1,above,,,0.10,0.02,quoted"))
    (row,) = rows_of(compare(values, runs((0.2e-3, low, 0.1, 0.25, 0.1)), DIAMETER_M), "")
    assert row.within_goal is None and "meridians tripped" in row.cause


def test_balls_that_differ_enough_are_ranked(tmp_path):
    one = published_values(case(tmp_path / "one", "1.5e5,0.1,above,0.25,0.01,0.15,0.01,quoted"))
    other = published_values(case(tmp_path / "other", "1.3e5,0.12,above,0.26,0.01,0.21,0.01,quoted"))
    computed = [
        *compare(one, runs((0.2e-3, 1.5e5, 0.1, 0.25, 0.12)), DIAMETER_M),
        *compare(other, runs((0.2e-3, 1.3e5, 0.12, 0.25, 0.14)), DIAMETER_M),
    ]
    (row,) = ranking(computed)  # drag differs by less than three joint standard errors
    assert row.quantity == "cl_ranking" and row.within_goal is True
    assert row.cause == "published -0.060, computed -0.020"


def test_the_depth_of_least_drag_is_found_by_reynolds_number():
    depths = np.array([0.1e-3, 0.2e-3, 0.4e-3])
    rows = [(d, re, 0.0, 0.25 + (d - best) ** 2 * 1e6, 0.0)
            for re, best in ((6e4, 0.4e-3), (1.3e5, 0.2e-3)) for d in depths]  # fmt: skip
    found = least_drag("ball", runs(*rows))
    assert [row.ours for row in found] == pytest.approx([0.4, 0.2])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("reynolds\n1e5\n", "source is missing"),
        ("# paper\nreynolds,spin_ratio\n", "column regime is missing"),
        ("# paper\nreynolds,spin_ratio,regime,cd,cd_se,cl,cl_se,mark\n1e5,0,above,x,0,,,quoted\n",
         "published.csv:3: cd: 'x' is not a number"),
        ("# paper\nreynolds,spin_ratio,regime,cd,cd_se,cl,cl_se,mark\n1e5,0,below,0.2,0,,,quoted\n",
         "published.csv:3: regime: 'below'"),
    ],
)  # fmt: skip
def test_a_bad_file_gets_one_line(tmp_path, text, said):
    (tmp_path / "published.csv").write_text(text)
    with pytest.raises(InputError, match=said.replace(".", r"\.")):
        published_values(tmp_path)
