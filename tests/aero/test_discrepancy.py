"""The discrepancy: its posterior against integration by hand, and what it learns from made-up balls."""

import numpy as np
import pytest
from aero.simulated_makers import one_maker
from scipy.stats import multivariate_normal

from pipeline.aero.discrepancy import OWN, SHARED, SIZES, Comparison, _design, _noise, columns, learn

RE, S = (of.ravel() for of in np.meshgrid([8e4, 1.3e5, 1.9e5], [0.07, 0.15, 0.25]))


def ball(pattern, depth, drag, lift, place="A", error=0.0):
    """Discrepancy with weights of the four terms of Cd and ln Cl."""
    at = columns(depth, RE, S)
    modes = np.zeros((2, 2, RE.size))
    modes[0, 0], modes[1, 1] = error, 5 * error
    difference = np.stack([at @ np.array(drag), at @ np.array(lift)])
    return Comparison(f"{pattern}-{depth:g}-{place}", pattern, place, depth, RE, S, difference, modes)


def test_without_balls_the_posterior_is_the_prior():
    mean, sd = learn(["a", "b"], []).shared()
    assert (mean == 0).all()
    scale = sd / np.array([of.shared for of in SIZES])
    assert scale == pytest.approx(np.full((2, 4), scale[0, 0]))
    # Root mean square of a half-normal of scale 1 over the grid, which leaves its tail out.
    assert 0.5 < scale[0, 0] < 1.0


def test_the_mixture_is_bayes_rule_on_the_grid():
    """Mean of every parameter by another way: joint Gaussian of parameters and rows, conditioned by hand."""
    patterns = ["a", "b"]
    given = [ball("a", 1.5e-4, (-0.02, 0.01, 0, 0), (0.1, 0, 0, 0.05), error=0.002)]
    given += [ball("b", 2.2e-4, (-0.03, 0, 0.01, 0), (0.2, 0.02, 0, 0), "B")]
    found = learn(patterns, given)
    rows = np.concatenate([of.difference.ravel() for of in given])
    design, noise = _design(patterns, given), _noise(given)
    weight, mean = [], []
    steps = [np.gradient(np.array(grid)) for grid in (OWN, OWN, SHARED)]
    for i, drag in enumerate(OWN):
        for j, lift in enumerate(OWN):
            for k, shared in enumerate(SHARED):
                sd = []
                for of, own in zip(SIZES, (drag, lift), strict=True):
                    sd += [*(shared * np.array(of.shared)), *np.tile(own * np.array(of.own), 2)]
                prior = np.diag(np.square(sd))
                covariance = design @ prior @ design.T + noise
                half_normal = np.exp(-0.5 * (drag**2 + lift**2 + shared**2))
                width = steps[0][i] * steps[1][j] * steps[2][k]
                weight.append(multivariate_normal.pdf(rows, cov=covariance) * half_normal * width)
                mean.append(prior @ design.T @ np.linalg.inv(covariance) @ rows)
    wanted = np.average(mean, axis=0, weights=weight)
    got = sum(of.weight * of.mean for of in found.components)
    # Components below a thousandth are left out.
    assert got == pytest.approx(wanted, abs=2e-3 * np.abs(wanted).max())


def test_what_patterns_share_goes_to_those_not_fired():
    drag, lift = (-0.02, 0.0, 0.0, -0.005), (0.18, 0.0, 0.0, 0.05)
    found = learn(
        ["a", "b", "c", "new"], [ball(name, depth, drag, lift) for name in "abc" for depth in (1.4e-4, 2e-4)]
    )
    at = columns(1.7e-4, 1.3e5, 0.15)
    mean, sd = found.mean_at("new", at), found.deviation_at("new", at)
    truth = np.array([at @ np.array(drag), at @ np.array(lift)])
    assert mean == pytest.approx(truth, rel=0.25)
    assert (np.abs(mean - truth) < 1.645 * sd).all()
    assert (sd > found.deviation_at("a", at)).all()  # a fired pattern is known better


def test_an_offset_of_one_range_is_no_property_of_patterns():
    """A range that is off by more than the others is believed less than several ranges that agree."""
    drag, lift = (-0.02, 0, 0, 0), (0.1, 0, 0, 0)
    one = learn(["a", "b"], [ball("a", 2e-4, drag, lift, "A"), ball("b", 2e-4, drag, lift, "A")])
    two = learn(["a", "b"], [ball("a", 2e-4, drag, lift, "A"), ball("b", 2e-4, drag, lift, "B")])
    at = columns(2e-4, 1.3e5, 0.15)
    assert (two.deviation_at("a", at) < one.deviation_at("a", at)).all()


def test_contributions_add_up_to_the_shared_level():
    drag, lift = (-0.02, 0, 0, 0), (0.1, 0, 0, 0)
    found = learn(["a", "b"], [ball("a", 2e-4, drag, lift), ball("b", 2.4e-4, lift, drag, error=0.003)])
    assert found.contributions().sum(axis=0) == pytest.approx(found.shared()[0][:, 0])


def test_draws_are_those_of_the_posterior():
    found = learn(["a", "b"], [ball("a", 2e-4, (-0.02, 0, 0, 0), (0.1, 0, 0, 0), error=0.002)])
    at = columns(1.6e-4, 1e5, 0.2)
    drawn = found.of_parameters("b", at, found.draws(4000, 3))
    assert drawn.mean(axis=1) == pytest.approx(found.mean_at("b", at), abs=4e-3)
    assert drawn.std(axis=1) == pytest.approx(found.deviation_at("b", at), rel=0.06)


def test_simulated_makers():
    """Four makers of each kind, by the rules of benchmarks/correction_makers.py; seeds of their own."""

    def errors(shared, own):
        found = np.array([one_maker(seed, shared, own)[:2] for seed in range(4)])
        return np.sqrt(np.mean(found**2, axis=0))

    before, after = errors(1.0, 0.3)
    assert after < 0.75 * before  # some 0.5 over 200 makers; four tell it roughly
    before, after = errors(0.0, 1.0)
    assert after < 1.15 * before
