"""What patterns tell of each other: posterior, kinship, and searches among simulated patterns."""

import numpy as np
import pytest
from decide.simulated_searches import DEPTHS, GRID_S, SimulatedSearch, search

from pipeline.aero.conditions import Points
from pipeline.aero.table import padded
from pipeline.decide.search.belief import FlightBelief
from pipeline.decide.search.linear_flights import linearised, node_axes
from pipeline.decide.search.policy import Next, expected_improvement, first_design, next_runs
from pipeline.decide.search.shared_model import FEWEST_PATTERNS, PRIOR_KINSHIP, Kinship, Runs, SharedModel
from pipeline.study.units import YARD_M

AXES = node_axes((6e4, 2.3e5), (0.05, 0.4))


def features(n, seed, f=4):
    z = np.random.default_rng(seed).normal(size=(n, f))
    return (z - z.mean(axis=0)) / z.std(axis=0)


def scattered(rng, n):
    return Points(
        rng.uniform(1e-4, 3e-4, n),
        np.exp(rng.uniform(np.log(8e4), np.log(2e5), n)),
        rng.uniform(0.07, 0.25, n),
    )


def model(z, pattern, values, seed=1, kinship=None, name="cd"):
    points = scattered(np.random.default_rng(seed), len(pattern))
    runs = Runs(np.array(pattern), points, np.array(values), np.full(len(pattern), 0.001))
    return SharedModel(name, z, runs, None, 2e-4, kinship)


def test_the_mean_solves_the_normal_equations():
    z, rng = features(6, 1), np.random.default_rng(2)
    of = model(z, [0, 0, 1, 2], 0.25 + rng.normal(0, 0.01, 4), kinship=Kinship(1.0, 2.0, 0.5, 1.0))
    runs = of.runs
    kin = of.between_patterns(runs.pattern, runs.pattern)
    covariance = of.common(runs.points, runs.points) + kin * of.own(runs.points, runs.points)
    assert np.linalg.eigvalsh(covariance).min() > -1e-12
    noise = np.diag(runs.errors**2 + 0.001**2)  # repeatability of settled runs, `pipeline.aero.priors`
    assert (covariance + noise) @ of.alpha == pytest.approx(
        runs.values - of.prior_mean(runs.points), abs=1e-10
    )


def test_a_run_tells_of_patterns_with_like_features_more_than_of_others():
    z = np.array([[0.0, 0.0], [0.1, 0.0], [3.0, 3.0]])
    of = model(z, [0], [0.25], kinship=Kinship(1.0, 1.0, 0.8, 1.0))
    own, near, far = of.between_patterns(np.array([0]), np.arange(3))[0]
    assert own == pytest.approx(1.0)
    assert 0.79 < near < 0.8 and far < 1e-2


def test_nothing_is_learned_of_fewer_than_ten_patterns():
    rng = np.random.default_rng(3)
    for patterns in (FEWEST_PATTERNS - 1, FEWEST_PATTERNS):
        names = np.repeat(np.arange(patterns), 4)
        values = 0.25 + np.repeat(rng.normal(0, 0.002, patterns), 4)
        of = model(features(12, 1), names, values, seed=4)
        assert (of.kinship == PRIOR_KINSHIP) == (patterns < FEWEST_PATTERNS)
    assert of.kinship.width == 0.5  # levels were drawn with a sixth of the prior's width of 0.012


def test_flights_are_linear_about_the_common_table():
    of = SimulatedSearch(3, features(4, 3))
    grid = np.meshgrid(DEPTHS, *AXES, indexing="ij")
    tables = np.array([np.stack(truth.at(*grid)) for truth in of.truths])
    flights = linearised(DEPTHS, *AXES, tables.mean(axis=0), of.flown)
    at, off = flights.points, []
    for truth, table in zip(of.truths, tables, strict=True):
        values = np.stack(truth.at(at.depth_m, at.reynolds, at.spin_ratio)) - flights.reference
        whole = np.stack([*table, 0.0 * table[0]], axis=-1)
        for number, (base, slopes) in enumerate(
            ((flights.carry_m, flights.carry_slope_m), (flights.peak_m, flights.peak_slope_m))
        ):
            linear = base + (values.reshape(2, DEPTHS.size, -1) * slopes).sum(axis=(0, 2))
            exact = of.flown(padded(*AXES, whole, has_cm=False))[number]
            off.append((linear - exact, exact - base))
    error, differs = np.moveaxis(np.array(off), 1, 0)
    # Of what a pattern differs by from the common table, where flights are clear of the crisis.
    assert np.sqrt(np.mean(error[:, 4:] ** 2)) < 0.1 * np.sqrt(np.mean(differs[:, 4:] ** 2))
    assert np.abs(differs).max() > 5.0


def test_expected_improvement_is_the_mean_of_what_is_above_zero():
    # E[max(x, 0)] of a standard normal number is 1 / sqrt(2 pi) [computed].
    assert expected_improvement(np.array([0.0]), np.array([1.0]))[0] == pytest.approx(1 / np.sqrt(2 * np.pi))
    assert expected_improvement(np.array([3.0, -3.0]), np.zeros(2)) == pytest.approx([3.0, 0.0])


def test_rounds_keep_to_blocks_and_leave_out_what_is_not_allowed():
    of = SimulatedSearch(5, features(12, 5))
    runs = first_design(of.features, DEPTHS, of.flows, patterns=6)
    assert len(runs) == 18 and len({run.pattern for run in runs}) == 6
    belief = of.belief(runs)
    allowed = np.ones((12, DEPTHS.size), bool)
    new = next_runs(belief, of.flows, (0.001, 0.002), (200.0, 100.0), 9)
    assert len(new) == len(set(new)) == 9 and all(isinstance(run, Next) and run.gain_m >= 0 for run in new)
    seen = {run.pattern for run in runs}
    for pattern in {run.pattern for run in new[:-1]} - seen:
        assert [run.pattern for run in new].count(pattern) >= 2
    best = int(belief.mean_m.max(axis=1).argmax())
    allowed[best] = False
    others = next_runs(belief, of.flows, (0.001, 0.002), (200.0, 100.0), 9, allowed)
    assert best not in {run.pattern for run in others}


def test_a_search_finds_a_pattern_near_the_best():
    of = SimulatedSearch(11, features(40, 11))
    found = list(search(of, 3 * GRID_S, 48))
    regrets = [of.regret_m(p, DEPTHS[d]) for _, _, (p, d) in found]
    assert regrets[-1] <= 2 * YARD_M < of.best_m - np.median(of.carries.max(axis=1))
    runs, belief, (pattern, depth) = found[-1]
    assert len({(run.pattern, run.depth_m, run.reynolds, run.spin_ratio) for run in runs}) == len(runs)
    peak = FlightBelief(belief.models, belief.flights, belief.patterns, peak=True)
    table = np.stack(
        np.broadcast_arrays(*of.truths[pattern].at(DEPTHS[depth], AXES[0][:, None], AXES[1])), axis=-1
    )
    high = of.flown(padded(*AXES, np.concatenate([table, 0 * table[..., :1]], axis=-1)[None], has_cm=False))[
        1
    ]
    assert peak.mean_m[pattern, depth] == pytest.approx(high[0], abs=1.0)
    best = np.array([pattern * DEPTHS.size + depth])
    draws = belief.draws_m(best, 2000, 1)
    assert draws.std() == pytest.approx(np.sqrt(belief.variance_m2[best[0]]), rel=0.1)
    assert draws.mean() == pytest.approx(belief.mean_m[pattern, depth], abs=4 * draws.std() / 2000**0.5)
    again = [p for _, _, (p, _) in search(SimulatedSearch(11, features(40, 11)), 0.6 * GRID_S, 48)]
    assert again == [p for _, _, (p, _) in found[: len(again)]]
