"""One product for several golfers, short list, windows, moulding: against planted curves."""

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.decide.depths import AngleOfDepth
from pipeline.decide.moulding import moulded_share, share_within
from pipeline.decide.product import product, rank, short_list
from pipeline.decide.value import CONSTRAINT_COST, GRID, DepthValues, in_window, outside_cost
from pipeline.study.model import FlightWindow, Moulding

GRID_M = np.linspace(0.15e-3, 0.35e-3, GRID)
YARD_M = 0.9144


def worth_of(best_m, bend=400e6, top=200.0, draws=None, drawn_best=None):
    """Carry as a parabola over depth; every draw has its own best depth."""
    best = np.full(300, best_m) if drawn_best is None else drawn_best
    level = np.full(best.size, top) if draws is None else draws
    carry = top - bend * (GRID_M - best_m) ** 2
    drawn = level - bend * (GRID_M[:, None] - best) ** 2
    flat = np.full(GRID, 30.0)
    return DepthValues(
        GRID_M,
        carry,
        flat,
        np.full(GRID, 0.7),
        carry,
        drawn,
        drawn,
        carry,
        drawn,
        np.zeros(GRID),
        carry[:, None],
    )


def test_two_golfers_meet_between_their_depths():
    # Two equal parabolas: the weighted sum peaks at the weighted mean of their depths; what each gives away
    # is bend times the square of the way to it.
    valued = {("a", "p"): worth_of(0.20e-3), ("b", "p"): worth_of(0.30e-3)}
    for weights, depth in (({"a": 1.0, "b": 1.0}, 0.25e-3), ({"a": 3.0, "b": 1.0}, 0.225e-3)):
        (found,) = rank(product(valued, weights), valued, ["a", "b"])
        assert found.depth_m == pytest.approx(depth, abs=1e-6)
        assert found.regrets_m["a"] == pytest.approx(400e6 * (depth - 0.20e-3) ** 2, rel=0.03)
        assert found.regrets_m["b"] == pytest.approx(400e6 * (depth - 0.30e-3) ** 2, rel=0.03)
        assert found.regret_m == pytest.approx(0.0, abs=0.01) and found.p_best == 1.0


def test_regret_of_the_second_pattern_is_its_distance():
    valued = {("a", "p"): worth_of(0.2e-3), ("a", "q"): worth_of(0.2e-3, top=198.5)}
    first, second = rank(product(valued, {"a": 1.0}), valued, ["a"])
    assert (first.p_best, second.p_best) == (1.0, 0.0)
    assert second.regret_m == pytest.approx(1.5) and second.regret_hi_m == pytest.approx(1.5)


def test_expected_regret_under_a_normal_difference():
    # Two flat-out equal patterns whose difference is N(0, s): cutting one gives away s / sqrt(2 pi) on
    # average.
    rng = np.random.default_rng(6)
    valued = {
        ("a", "p"): worth_of(0.2e-3, draws=np.full(20000, 200.0), drawn_best=np.full(20000, 0.2e-3)),
        ("a", "q"): worth_of(0.2e-3, draws=rng.normal(200.0, 2.0, 20000), drawn_best=np.full(20000, 0.2e-3)),
    }
    first, _ = rank(product(valued, {"a": 1.0}), valued, ["a"])
    assert first.regret_m == pytest.approx(2.0 / np.sqrt(2 * np.pi), rel=0.04)


def test_the_short_list_is_as_long_as_the_uncertainty_asks():
    # Within a yard means within sqrt(0.9144 / bend) = 0.0478 mm of the best depth.
    rng = np.random.default_rng(2)
    for spread, length in ((0.01e-3, 1), (0.05e-3, 2)):
        drawn = np.clip(rng.normal(0.25e-3, spread, 4000), 0.16e-3, 0.34e-3)
        valued = {("a", "p"): worth_of(0.25e-3, drawn_best=drawn)}
        of = product(valued, {"a": 1.0})
        listed = short_list(of)
        assert len(listed) == length
        reach = np.sqrt(YARD_M / 400e6)
        inside = np.min([np.abs(drawn - entry.depth_m) for entry in listed], axis=0) <= reach
        assert inside.mean() == pytest.approx(listed[-1].p_so_far, abs=0.01) and inside.mean() >= 0.9
    assert listed[0].p_within_yard >= listed[1].p_within_yard


def test_window_as_told_preference_and_constraint():
    wanted = {
        "lowest_m": 25.0,
        "highest_m": 35.0,
        "flattest_rad": np.radians(38),
        "steepest_rad": np.radians(50),
    }
    peak, descent = np.array([20.0, 30.0, 37.0]), np.radians([40.0, 40.0, 53.0])
    told, preferred, required = (
        FlightWindow.model_validate(wanted | {"role": role, "cost": 2.0}, by_name=True)
        for role in ("reported", "preference", "constraint")
    )
    assert (
        outside_cost(None, peak, descent).tolist() == outside_cost(told, peak, descent).tolist() == [0, 0, 0]
    )
    # 5 m below; inside; 2 m above and 3 deg too steep, 2 m of carry each.
    assert outside_cost(preferred, peak, descent) == pytest.approx([10.0, 0.0, 10.0])
    assert outside_cost(required, peak, descent) == pytest.approx(CONSTRAINT_COST * np.array([5.0, 0.0, 5.0]))
    inside = [in_window(told, p, d) for p, d in zip(peak, descent, strict=True)]
    assert inside == [False, True, False] and in_window(None, 30.0, 0.7) is None


def test_share_of_balls_within_a_yard():
    # A parabola loses a yard sqrt(0.9144 / bend) off its top; a slope of diameter loses it on one side.
    value = 200.0 - 400e6 * (GRID_M - 0.25e-3) ** 2
    reach = np.sqrt(YARD_M / 400e6)
    for sigma in (20e-6, 40e-6):
        found = share_within(GRID_M, value, 0.25e-3, 0.0, Moulding(depth_m=sigma), None)
        assert found == pytest.approx(2 * norm.cdf(reach / sigma) - 1, abs=0.01)
    # 12 deg over 0.1 mm: 0.36 deg of scatter are 3 micrometres.
    angles = AngleOfDepth(np.array([0.2e-3, 0.3e-3]), np.array([10.0, 22.0]))
    assert angles.slope(0.25e-3) == pytest.approx(12 / 0.1e-3)
    by_angle = share_within(
        GRID_M, value, 0.25e-3, 0.0, Moulding(edge_angle_rad=np.radians(4.8)), 12 / 0.1e-3
    )
    assert by_angle == pytest.approx(2 * norm.cdf(reach / 40e-6) - 1, abs=0.01)
    flat = np.full(GRID, 200.0)
    by_diameter = share_within(GRID_M, flat, 0.25e-3, -5000.0, Moulding(diameter_m=100e-6), None)
    assert by_diameter == pytest.approx(norm.cdf(YARD_M / (5000 * 100e-6)), abs=0.01)


def test_the_scatter_that_costs_the_most_balls_limits_the_share():
    """Off a parabola's top and along a slope of diameter; what is left is the other's share [closed form]."""
    value = 200.0 - 400e6 * (GRID_M - 0.25e-3) ** 2
    reach = np.sqrt(YARD_M / 400e6)
    by_diameter = -5000.0
    deep = moulded_share(GRID_M, value, 0.25e-3, by_diameter, Moulding(depth_m=60e-6, diameter_m=40e-6), None)
    assert deep.limit == "depth" and deep.share < deep.share_without
    assert deep.share_without == pytest.approx(norm.cdf(YARD_M / (5000 * 40e-6)), abs=0.01)
    wide = moulded_share(
        GRID_M, value, 0.25e-3, by_diameter, Moulding(depth_m=20e-6, diameter_m=400e-6), None
    )
    assert wide.limit == "diameter"
    assert wide.share_without == pytest.approx(2 * norm.cdf(reach / 20e-6) - 1, abs=0.01)
    tilted = moulded_share(
        GRID_M, value, 0.25e-3, 0.0, Moulding(depth_m=5e-6, edge_angle_rad=np.radians(4.8)), 12 / 0.1e-3
    )
    assert tilted.limit == "edge angle" and tilted.share_without == 1.0
    fine = moulded_share(GRID_M, value, 0.25e-3, 0.0, Moulding(depth_m=1e-6), None)
    assert (fine.share, fine.limit, fine.share_without) == (1.0, None, 1.0)
