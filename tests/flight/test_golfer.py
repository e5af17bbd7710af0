"""Shots of a golfer follow the stated mean and spread."""

import numpy as np
import pytest

from pipeline.flight.golfer import draw_shots
from pipeline.study import Golfer

LAUNCH = {"ball_speed_m_s": 70.0, "launch_angle_rad": 0.2, "backspin_rad_s": 280.0, "axis_tilt_rad": 0.05}
SPREAD = {"ball_speed_m_s": 1.0, "launch_angle_rad": 0.02, "backspin_rad_s": 25.0, "axis_tilt_rad": 0.04}


def golfer(launch=LAUNCH, spread=SPREAD) -> Golfer:
    return Golfer.model_validate({"name": "invented", "launch": launch, "spread": spread}, by_name=True)


def test_mean_spread_and_independence():
    shots = draw_shots(golfer(), 512, seed=1).as_array()
    mean, spread = np.array(list(LAUNCH.values())), np.array(list(SPREAD.values()))
    assert shots.shape == (512, 4)
    # Even points settle faster than the 1 / sqrt(n) of independent ones, here 4 %.
    assert np.abs((shots.mean(axis=0) - mean) / spread).max() < 0.02
    assert shots.std(axis=0) / spread == pytest.approx(np.ones(4), abs=0.03)
    assert np.abs(np.corrcoef(shots.T) - np.eye(4)).max() < 0.05
    # Gaussian: 68.3 % within one and 95.4 % within two standard deviations.
    inside = np.abs((shots - mean) / spread)
    assert (inside < 1).mean(axis=0) == pytest.approx(np.full(4, 0.683), abs=0.02)
    assert (inside < 2).mean(axis=0) == pytest.approx(np.full(4, 0.954), abs=0.01)


def test_the_seed_decides():
    one, same, other = (draw_shots(golfer(), 64, seed).as_array() for seed in (1, 1, 2))
    assert np.array_equal(one, same) and not np.array_equal(one, other)


def test_without_spread_there_is_the_mean_shot():
    still = golfer(spread={})
    assert draw_shots(still, 100, 1).as_array().tolist() == [list(LAUNCH.values())]


def test_a_wide_spread_gives_no_impossible_shot():
    wild = golfer(LAUNCH | {"ball_speed_m_s": 10.0, "backspin_rad_s": 50.0},
                  {"ball_speed_m_s": 15.0, "backspin_rad_s": 300.0})  # fmt: skip
    shots = draw_shots(wild, 200, 1).as_array()
    assert shots[:, 0].min() == 1.0 and shots[:, 2].min() == 0.0
    assert (shots[:, 1] == 0.2).all() and (shots[:, 3] == 0.05).all()
