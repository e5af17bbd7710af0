"""Ranking of a shelf: by what a ball is worth to each golfer."""

import numpy as np
import pytest
from shelf.balls import ball
from small_study import SMALL

from pipeline.decide.shelf_rank import ALL, COLUMNS, best_of_patterns, rank_balls
from pipeline.study.file import load_study

SECOND = """\
  - name: slow swing
    launch: {ball_speed: 130 mph, launch_angle: 13 deg, backspin: 2900 rpm}
    weight: 3
"""
BALLS = [
    ball("draggy", cd=1.1, pattern="p", depth_m=2e-4),
    ball("best", pattern="p", depth_m=1.5e-4),
    ball("low", cl=0.6, pattern="q", depth_m=3e-4),
    ball("unknown", cd=1.05),
]


def ranked(tmp_path, text=SMALL):
    (tmp_path / "study.yaml").write_text(text)
    return rank_balls(load_study(tmp_path / "study.yaml"), BALLS)


def test_the_best_comes_first(tmp_path):
    found = ranked(tmp_path)
    assert list(found.columns) == list(COLUMNS) and list(found["rank"]) == [1, 2, 3, 4]
    assert found["ball"][0] == "best" and found["difference_m"][0] == 0.0
    carry = found.set_index("ball")["carry_m"]
    assert carry["best"] > carry["unknown"] > carry["draggy"]
    best = best_of_patterns(found)
    assert set(best["ball"]) == {"best", "low", "unknown"}
    peaks = best.set_index("ball")["peak_height_m"]
    assert peaks["low"] < peaks["best"]  # less lift, lower flight


def test_golfers_are_weighed(tmp_path):
    found = ranked(tmp_path, SMALL + SECOND)
    of = {name: rows.set_index("ball")["carry_m"] for name, rows in found.groupby("golfer")}
    mean = (of["fast swing"] + 3 * of["slow swing"]) / 4
    for name in mean.index:
        assert of[ALL][name] == pytest.approx(mean[name])


def test_a_constraint_of_height_decides(tmp_path):
    window = "    flight_window: {lowest: 0 m, highest: PEAK m, role: constraint}\n"
    free = ranked(tmp_path).set_index("ball")
    peak = float(np.mean([free["peak_height_m"]["low"], free["peak_height_m"]["best"]]))
    found = ranked(tmp_path, SMALL + window.replace("PEAK", f"{peak:.2f}"))
    assert found["ball"][0] == "low" and bool(found["in_window"][0])
    assert not found.set_index("ball")["in_window"]["best"]
