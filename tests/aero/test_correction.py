"""Correction by measured balls: who can be compared, when it is applied, what the corrected model does."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from aero.simulated_makers import REYNOLDS, SPIN_RATIO, ComputedPattern, carry
from scipy.stats import multivariate_normal

from pipeline.aero.corrected import CorrectedModel
from pipeline.aero.correction import LEAST_GAIN, compare, correct, measured_criteria
from pipeline.aero.crisis_place import SHARED_SHIFT, Criterion
from pipeline.aero.discrepancy import Comparison, columns, learn
from pipeline.aero.model import CoefficientModel
from pipeline.aero.table import CoefficientTable
from pipeline.flow.solver.boundary_layer import critical_reynolds
from pipeline.shelf.ball import ShelfBall, level_modes

PATTERNS = {
    name: ComputedPattern(name, 0.0, lift, 1.8e-4, 0.01, 0.05) for name, lift in (("a", 0.0), ("b", 0.1))
}
RUNS = Path(__file__).with_name("crisis_runs.csv")


def measured(name, pattern="a", depth=1.8e-4, drag=0.0, lift=1.0, **facts):
    cd, cl = PATTERNS.get(pattern, PATTERNS["a"]).at(2e-4 if math.isnan(depth) else depth)
    shape = cd.shape
    table = CoefficientTable(
        REYNOLDS, SPIN_RATIO, cd + drag, cl * lift, cd_se=np.full(shape, 0.002), cl_se=np.full(shape, 0.004)
    )
    inside = np.ones(shape, bool)
    return ShelfBall(
        name, "measured", table, inside, level_modes(table), pattern, depth, facts.pop("place", "A"), **facts
    )  # fmt: skip


def test_who_can_be_compared():
    comparison, nodes = compare(measured("m", drag=-0.02, lift=1.2), PATTERNS)
    assert comparison.difference[0] == pytest.approx(np.full(9, -0.02))
    assert comparison.difference[1] == pytest.approx(np.full(9, math.log(1.2)))
    assert nodes.any() and comparison.reynolds.size == 9
    assert "has no usable runs" in compare(measured("m", "zz"), PATTERNS)
    assert "depth is not known" in compare(measured("m", depth=math.nan), PATTERNS)
    assert "is outside those computed" in compare(measured("m", depth=3e-4), PATTERNS)
    nowhere = replace(measured("m"), inside=np.zeros((REYNOLDS.size, SPIN_RATIO.size), bool))
    assert "nothing that was measured" in compare(nowhere, PATTERNS)


def test_what_all_share_is_applied_to_all():
    balls = [
        measured(f"{pattern}{depth:g}", pattern, depth, -0.02, 1.15)
        for pattern in "ab"
        for depth in (1.5e-4, 2.0e-4)
    ]
    found = correct(PATTERNS, balls, carry)
    assert found.applied and found.for_all and found.others_m < 0.3 * found.before_m
    assert found.why.startswith("Applied: with each of 4 measured balls left out")
    assert {of.name for of in found.balls} == {ball.name for ball in balls}


def test_what_patterns_share_too_little_of_stays_with_those_that_were_fired():
    """Balls of the other pattern take a quarter of the error away: three patterns do that by chance."""
    balls = [
        measured(f"{pattern}{depth:g}", pattern, depth, drag)
        for pattern, drag in (("a", -0.03), ("b", -0.009))
        for depth in (1.5e-4, 2.0e-4)
    ]
    patterns = PATTERNS | {"c": ComputedPattern("c", 0.0, 0.0, 1.8e-4, 0.01, 0.05)}
    found = correct(patterns, balls, carry)
    assert 1.0 - LEAST_GAIN < found.patterns_m / found.before_m < 1.0
    assert found.applied and not found.for_all and "are left as computed" in found.why
    models = found.models(patterns)
    assert [name for name in patterns if models[name] is patterns[name]] == ["c"]


def test_balls_that_contradict_each_other_correct_nothing():
    """One ball flies further than computed, the other as much shorter: the others never help."""
    balls = [measured("up", "a", drag=-0.03, lift=1.1), measured("down", "b", drag=0.03, lift=0.9)]
    found = correct(PATTERNS, balls, carry)
    assert not found.applied and found.others_m > found.before_m and found.why.startswith("Not applied")
    assert found.models(PATTERNS) == PATTERNS


def test_one_ball_is_not_enough():
    found = correct(PATTERNS, [measured("m", drag=-0.03)], carry)
    assert not found.applied and "one measured ball" in found.why and math.isnan(found.before_m)
    none = correct(PATTERNS, [measured("m", "zz")], carry)
    assert not none.applied and len(none.left_out) == 1


def test_a_measured_crisis_moves_its_pattern_and_half_of_the_others():
    diameter, spread = 0.0427, 0.25
    criteria = {name: Criterion(diameter, spread=spread) for name in ("a", "b", "c")}
    factor = 1.3
    ball = measured(
        "m", "a", 1.8e-4, critical_reynolds=factor * critical_reynolds(1.8e-4, diameter), critical_spread=0.05
    )
    found = measured_criteria(criteria, [ball], ["c"])
    assert found["a"].factor == pytest.approx(factor) and found["a"].spread == pytest.approx(0.05)
    assert found["c"] == criteria["c"]  # the study states its own
    # By hand: ln factors of a and b are jointly normal with the shared part as covariance.
    variance = math.log1p(spread**2)
    shared = SHARED_SHIFT * variance
    wanted = shared / (variance + 0.05**2) * math.log(factor)
    assert math.log(found["b"].factor) == pytest.approx(wanted)
    left = variance - shared**2 / (variance + 0.05**2)
    assert math.log1p(found["b"].spread ** 2) == pytest.approx(left)
    assert multivariate_normal(0, left).pdf(0) > 0
    assert measured_criteria(criteria, [measured("n")], []) == criteria


@pytest.fixture(scope="module")
def crisis():
    rows = pd.read_csv(RUNS, comment="#")
    rows = rows.assign(
        pattern="ico332", cd_se=0.001, cl_se=0.003, cm=np.nan, cm_se=np.nan, verdict="settled",
        run=[f"r{k}" for k in range(len(rows))],
    )  # fmt: skip
    return CoefficientModel("ico332", rows, Criterion(0.0427))


@pytest.fixture(scope="module")
def corrected(crisis):
    re, s = (of.ravel() for of in np.meshgrid([1.1e5, 1.6e5, 2.1e5], [0.08, 0.15, 0.25]))
    at = columns(2e-4, re, s)
    difference = np.stack([at @ [-0.02, 0.0, 0.0, 0.0], at @ [0.18, 0.0, 0.0, 0.0]])
    balls = [
        Comparison(f"m{k}", "ico332", place, 2e-4, re, s, difference, np.zeros((0, 2, re.size)))
        for k, place in enumerate("ABCD")
    ]
    return CorrectedModel(crisis, learn(["ico332"], balls))


def test_the_corrected_table_is_the_computed_one_and_the_discrepancy(crisis, corrected):
    (before,), (after,) = crisis.tables([2e-4]), corrected.tables([2e-4])
    i = np.flatnonzero(before.reynolds > 1.6e5)
    j = np.flatnonzero((before.spin_ratio > 0.09) & (before.spin_ratio < 0.2))
    cut = np.ix_(i, j)
    assert (after.cd - before.cd)[cut] == pytest.approx(np.full((i.size, j.size), -0.02), abs=0.003)
    assert (after.cl / before.cl)[cut] == pytest.approx(np.full((i.size, j.size), np.exp(0.18)), rel=0.03)
    assert (after.cl_se[cut] > before.cl_se[cut]).all()


def test_a_model_corrected_after_the_computed_one_was_sampled_keeps_no_table_of_it(crisis, corrected):
    depth, places = np.array([2e-4]), np.array([-1.0, 1.0])
    (before, _) = crisis.at_places(depth, places)
    drawn = crisis.draws(depth, 3, 1)
    late = CorrectedModel(crisis, *corrected.discrepancies)
    (after, _) = late.at_places(depth, places)
    assert not np.allclose(after.values[..., 0], before.values[..., 0])
    assert not np.allclose(late.draws(depth, 3, 1).values[..., 0], drawn.values[..., 0])


def test_without_spread_draws_differ_by_what_runs_tell_alone(crisis, corrected):
    depth = np.array([1.5e-4, 2e-4])
    of_runs, most_probable = corrected.without_spread(), corrected.most_probable(depth, coarse=True)
    drawn = of_runs.draws(depth, 40, 1).values.reshape(2, 40, *most_probable.values.shape[1:])
    before = crisis.without_spread().draws(depth, 40, 1).values.reshape(drawn.shape)
    np.testing.assert_allclose(drawn[..., 0].std(axis=1), before[..., 0].std(axis=1), atol=1e-12)
    # The mean of 40 draws is known to a sixth of their spread.
    off = drawn[..., 0].mean(axis=1) - most_probable.values[..., 0]
    assert (np.abs(off) < 4.0 * drawn[..., 0].std(axis=1, ddof=1) / np.sqrt(40) + 1e-4).all()
    spread = corrected.placed().draws(depth, 40, 1).values[..., 0].reshape(drawn.shape[:-1]).std(axis=1)
    assert (spread > 2.0 * drawn[..., 0].std(axis=1)).any()


def test_a_second_discrepancy_is_added_to_the_first(crisis, corrected):
    twice = CorrectedModel(corrected, *corrected.discrepancies, measured=False)
    depth = np.array([2e-4])
    before, once, both = (of.most_probable(depth).values for of in (crisis, corrected, twice))
    np.testing.assert_allclose(
        both[..., 0] - before[..., 0], 2.0 * (once[..., 0] - before[..., 0]), atol=1e-12
    )
    assert twice.corrected
    # Measured balls know the sum: on top of other flows' discrepancy they leave it no spread of its own.
    flows = CorrectedModel(crisis, *corrected.discrepancies, measured=False)
    (measured,), (alone,) = (
        CorrectedModel(flows, *corrected.discrepancies).tables(depth),
        corrected.tables(depth),
    )
    np.testing.assert_allclose(measured.cd_se, alone.cd_se)
    assert not CorrectedModel(crisis, *corrected.discrepancies, measured=False).corrected


def test_another_name_seeds_other_draws_of_the_same_coefficients(crisis, corrected):
    depth = np.array([2e-4])
    for model in (crisis, corrected):
        drawn = model.draws(depth, 3, 1)
        other = model.seeded("of another study")
        assert not np.allclose(other.draws(depth, 3, 1).values, drawn.values)
        assert (other.most_probable(depth).values == model.most_probable(depth).values).all()
        assert (model.seeded(model.pattern).draws(depth, 3, 1).values == drawn.values).all()


def test_the_crisis_is_left_alone(crisis, corrected):
    depth = 0.9e-4
    (before,), (after,) = crisis.tables([depth]), corrected.tables([depth])
    untripped = crisis.untripped(depth, before.reynolds[:, None], before.spin_ratio)
    below = untripped > 0.999
    assert below.any() and (~below).any()
    assert after.cd[below] == pytest.approx(before.cd[below], abs=1e-4)
    assert after.cl[below] == pytest.approx(before.cl[below], rel=2e-3)


def test_draws_agree_with_the_table(corrected):
    depth = np.array([2.0e-4, 2.6e-4])
    drawn = corrected.placed().draws(depth, 400, 1)
    middle = corrected.placed().most_probable(depth, coarse=True)
    values = drawn.values.reshape(2, 400, *drawn.values.shape[1:])
    i = np.flatnonzero(np.exp(drawn.log_reynolds) > 1.6e5)
    for c, close in ((0, 0.003), (1, 0.006)):
        off = values[..., c].mean(axis=1) - middle.values[..., c]
        assert np.abs(off[:, i]).max() < close
    again = corrected.placed().draws(depth, 400, 1)
    assert (again.values == drawn.values).all()


def test_what_is_compared_with_the_runs_stays_computed(crisis, corrected):
    pd.testing.assert_frame_equal(crisis.at_runs(), corrected.at_runs())
    grid, shifted = crisis.runs_table(2e-4), corrected.runs_table(2e-4)
    assert (shifted.cl[-1] > grid.cl[-1]).all() and (shifted.cl_se == grid.cl_se).all()
