"""Draws for scattered runs: what knots leave of a process, and draws against the posterior in closed form."""

import numpy as np
import pytest

from pipeline.aero.conditions import Points
from pipeline.aero.knots import STEPS, Knots, between, scattered
from pipeline.aero.priors import PRIORS
from pipeline.aero.process import Process, matern
from pipeline.aero.published import smits_smith_1994

DRAWS = 3000


def anywhere(n: int, seed: int = 0) -> Points:
    rng = np.random.default_rng(seed)
    return Points(
        rng.uniform(0.11e-3, 0.3e-3, n), np.exp(rng.uniform(11.1, 12.3, n)), rng.uniform(0.05, 0.3, n)
    )


def fitted(name: str, points: Points) -> Process:
    """The Smits & Smith fit [memory] with a planted effect of depth, and Gaussian noise."""
    off = (points.depth_m - 0.22e-3) / 1e-4
    fit = smits_smith_1994(points.reynolds, points.spin_ratio)
    truth = fit.cd + 0.01 * off**2 if name == "cd" else fit.cl * (1 - 0.05 * off)
    values = truth + np.random.default_rng(1).normal(0, 0.001, truth.size)
    return Process(PRIORS[name], points, values, np.full(truth.size, 0.001))


@pytest.mark.parametrize(("place", "shortest"), [(0, 0.9), (1, 0.45), (2, 0.12)])
def test_little_is_left_between_knots(place: int, shortest: float) -> None:
    # The shortest lengths are the medians of the prior less two of its standard deviations, in logarithms.
    axis = Knots.over((np.array([1.0]), np.array([0.0]), np.array([0.1]))).axes[place]
    at = np.linspace(axis[0], axis[-1], 400)
    cross = matern(np.abs(at[:, None] - axis) / shortest)[0]
    weights = between(matern(np.abs(axis[:, None] - axis) / shortest)[0], cross)
    left = 1.0 - (weights * cross).sum(axis=1)
    assert left.max() < 0.01  # of the variance
    assert axis[1] - axis[0] == pytest.approx(STEPS[place])


def test_what_is_a_grid_with_gaps_and_what_is_not() -> None:
    grid = Points.grid(np.linspace(1e-4, 3e-4, 5), np.geomspace(6e4, 2e5, 4), np.linspace(0.07, 0.3, 4))
    assert not scattered(grid)
    assert not scattered(grid.at(np.random.default_rng(0).random(80) < 0.5))
    assert scattered(anywhere(9))


@pytest.mark.parametrize("name", ["cd", "cl"])
def test_draws_have_the_posterior_of_the_process(name: str) -> None:
    process, also = fitted(name, anywhere(25)), anywhere(6, 5)
    axes = (np.linspace(0.12e-3, 0.29e-3, 3), np.array([7e4, 1.1e5, 2e5]), np.array([0.06, 0.15, 0.28]))
    rng, common = np.random.default_rng(3), np.random.default_rng(4)
    grid, points = process.draws_at(*axes, DRAWS, rng, common, None, also)
    for drawn, at in ((grid.reshape(DRAWS, -1), Points.grid(*axes)), (points, also)):
        covariance = process.covariance(at)
        sd = np.sqrt(np.diag(covariance))
        assert np.abs((drawn.mean(axis=0) - process.mean(at)) / sd).max() < 5.0 / np.sqrt(DRAWS)
        assert drawn.std(axis=0) == pytest.approx(sd, rel=0.08)
        claimed = covariance / np.outer(sd, sd)
        assert np.abs(np.corrcoef(drawn.T) - claimed).max() < 0.08


def test_patterns_share_what_no_run_tells() -> None:
    one, other = fitted("cd", anywhere(12)), fitted("cd", anywhere(12, 9))
    far = (np.array([0.2e-3]), np.array([1e5, 2.3e5]), np.array([0.1, 0.39]))
    drawn = [
        of.draws(*far, DRAWS, np.random.default_rng(seed), np.random.default_rng(7)).reshape(DRAWS, -1)
        for seed, of in enumerate((one, other))
    ]
    assert np.corrcoef(drawn[0][:, -1], drawn[1][:, -1])[0, 1] > 0.5
