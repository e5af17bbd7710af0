"""The Gaussian process of one coefficient: parity, limits, gradients, draws, leave-one-out."""

import numpy as np
import pytest

from pipeline.aero.conditions import Points
from pipeline.aero.priors import PRIORS
from pipeline.aero.process import Process, matern
from pipeline.aero.published import smits_smith_1994

DEPTHS, REYNOLDS, SPIN_RATIOS = (
    np.linspace(0.15e-3, 0.35e-3, 4),
    np.array([8e4, 1.3e5, 2e5]),
    np.array([0.08, 0.2]),
)
POINTS = Points.grid(DEPTHS, REYNOLDS, SPIN_RATIOS)


def runs_of(name, noise, seed=0, points=POINTS):
    """The Smits & Smith fit [memory] with a planted effect of depth, and Gaussian noise."""
    off = (points.depth_m - 0.22e-3) / 1e-4
    fit = smits_smith_1994(points.reynolds, points.spin_ratio)
    truth = fit.cd + 0.01 * off**2 if name == "cd" else fit.cl * (1 - 0.05 * off)
    values = truth + np.random.default_rng(seed).normal(0, noise, truth.size)
    return Process(PRIORS[name], points, values, np.full(truth.size, noise)), values


def test_matern_correlation_against_its_formula():
    # Rasmussen & Williams 2006, equation 4.17, nu 5/2, r = 1: (1 + sqrt5 + 5/3) exp(-sqrt5) [computed].
    value, rate = matern(np.array([0.0, 1.0]))
    assert value == pytest.approx([1.0, 0.523994], abs=1e-6)
    # d/d ln(length) = -r d/dr, by a central difference.
    slope = (matern(np.array([1.0 + 1e-5]))[0] - matern(np.array([1.0 - 1e-5]))[0]) / 2e-5
    assert rate[1] == pytest.approx(-slope[0], rel=1e-8)


@pytest.mark.parametrize("name", ["cd", "cl"])
def test_gradient_of_the_fit(name):
    process, _ = runs_of(name, 0.001)
    centre, width = process._centre, process._width
    step = 1e-4 * np.eye(centre.size)
    for seed in range(3):
        at = np.random.default_rng(seed).normal(0, 0.7, centre.size)
        differences = [
            (process._cost(centre + width * (at + e))[0] - process._cost(centre + width * (at - e))[0]) / 2e-4
            for e in step
        ]
        assert process._cost(centre + width * at)[1] == pytest.approx(differences, rel=1e-4, abs=1e-4)


def test_lift_is_odd_and_drag_even_in_the_spin():
    spins = np.array([-0.15, -0.05, 0.0, 0.05, 0.15])
    points = Points(np.full(5, 0.2e-3), np.full(5, 1e5), spins)
    lift, drag = runs_of("cl", 0.001)[0], runs_of("cd", 0.001)[0]
    assert lift.mean(points) == pytest.approx(-lift.mean(points)[::-1], abs=1e-12)
    assert lift.mean(points)[2] == pytest.approx(0.0, abs=1e-12)
    assert lift.variance(points)[2] == pytest.approx(0.0, abs=1e-10)
    assert drag.mean(points) == pytest.approx(drag.mean(points)[::-1], abs=1e-12)


def test_exact_runs_are_reproduced():
    process, values = runs_of("cd", 1e-7)
    assert process.mean(POINTS) == pytest.approx(values, abs=2e-5)


def test_variance_is_the_diagonal_of_the_covariance():
    process, _ = runs_of("cl", 0.001)
    points = Points.grid(np.array([0.1e-3, 0.2e-3]), np.array([9e4, 1.5e5]), np.array([0.05, 0.1, 0.3]))
    assert process.variance(points) == pytest.approx(np.diag(process.covariance(points)), rel=1e-6, abs=1e-10)


@pytest.mark.parametrize("name", ["cd", "cl"])
def test_draws_have_the_mean_and_the_covariance_of_the_posterior(name):
    process, _ = runs_of(name, 0.001)
    axes = (np.array([0.17e-3, 0.20e-3]), np.array([9e4, 1.6e5]), np.array([0.08, 0.15]))
    drawn = process.draws(*axes, 20000, np.random.default_rng(3), np.random.default_rng(4)).reshape(20000, -1)
    points = Points.grid(*axes)
    covariance = process.covariance(points)
    spread = np.sqrt(np.diag(covariance))
    # 20000 draws know a mean to 0.7 % of the spread and a correlation to 0.7 %: four times that.
    assert ((drawn.mean(axis=0) - process.mean(points)) / spread) == pytest.approx(np.zeros(8), abs=0.03)
    assert np.cov(drawn.T) / np.outer(spread, spread) == pytest.approx(
        covariance / np.outer(spread, spread), abs=0.045
    )


def test_leave_one_out_in_closed_form_equals_fitting_without_the_run():
    # Rasmussen & Williams 2006, equations 5.12, here against the posterior of the other runs at the same
    # hyper-parameters, by a direct solution.
    process, values = runs_of("cd", 0.002, seed=4)
    residual, claimed = process.leave_one_out()
    covariance = process._covariance(process._best)
    for i in (0, 7, 23):
        rest = np.delete(np.arange(values.size), i)
        gain = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[rest, i])
        assert residual[i] == pytest.approx(process._residual[i] - gain @ process._residual[rest], rel=1e-6)
        assert claimed[i] ** 2 == pytest.approx(covariance[i, i] - gain @ covariance[rest, i], rel=1e-6)


@pytest.mark.parametrize("name", ["cd", "cl"])
def test_leave_one_out_residuals_have_their_claimed_size(name):
    # 30 seeded tables whose truth is drawn from the prior at its medians, with noise of the claimed size: the
    # mean square of residual over claimed size is then 1. A table of 24 runs has fewer than 24 independent
    # residuals; 30 tables know the mean to about 8 %.
    process, _ = runs_of(name, 0.001)
    mean = process._terms(POINTS) @ np.array(PRIORS[name].mean)
    root = np.linalg.cholesky(process._covariance(process._centre))
    ratios = []
    for seed in range(30):
        values = mean + root @ np.random.default_rng(seed).standard_normal(mean.size)
        residual, claimed = Process(PRIORS[name], POINTS, values, np.full(mean.size, 0.001)).leave_one_out()
        ratios.append(np.mean((residual / claimed) ** 2))
    assert 0.75 < np.mean(ratios) < 1.25


def test_scatter_beyond_the_claimed_errors_is_found():
    # Runs that scatter by 0.003 and claim 0.0005.
    rng = np.random.default_rng(5)
    points = Points.grid(np.linspace(0.15e-3, 0.35e-3, 6), REYNOLDS, np.array([0.08, 0.14, 0.2]))
    fit = smits_smith_1994(points.reynolds, points.spin_ratio)
    values = fit.cd + rng.normal(0, 0.003, fit.cd.size)
    found = Process(PRIORS["cd"], points, values, np.full(values.size, 0.0005))
    # 54 runs know a standard deviation to 10 %, less the terms that are fitted.
    assert found.hyperparameters["scatter"] == pytest.approx(0.003, rel=0.35)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_a_handful_of_runs_is_enough_for_an_answer(n):
    points = Points(np.full(n, 0.2e-3), np.array([8e4, 2e5, 1e5])[:n], np.array([0.08, 0.2, 0.1])[:n])
    process = Process(PRIORS["cl"], points, np.array([0.1, 0.2, 0.12])[:n], np.full(n, 0.001))
    assert process.mean(points) == pytest.approx(np.array([0.1, 0.2, 0.12])[:n], abs=0.003)
    far = Points(np.array([0.5e-3]), np.array([1.2e5]), np.array([0.3]))
    assert process.variance(far)[0] > 100 * process.variance(points).max()
