"""Best depth, tolerance and probability against planted parabolas."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.decide.optimum import best_on_grid, curve, share_best, tolerance_on_grid
from pipeline.study.units import YARD_M

DEPTHS = np.array([0.15e-3, 0.20e-3, 0.26e-3, 0.30e-3])
FINE = np.linspace(DEPTHS[0], DEPTHS[-1], 801)
CURVATURE = 250 / 1e-3**2  # carry lost per depth squared: 0.625 m at 0.05 mm


def parabola(depth, best, curvature=CURVATURE, top=230.0):
    return top - curvature * (np.asarray(depth) - best) ** 2


def best_depth(depths, values):
    values = np.asarray(values, float)
    values = values[:, None] if values.ndim == 1 else values
    grid = np.linspace(depths[0], depths[-1], 801) if len(depths) > 1 else np.asarray(depths)
    return best_on_grid(grid, curve(depths, values, grid))


def tolerance(depths, values):
    return tolerance_on_grid(FINE, curve(depths, values, FINE))


@settings(deadline=None)
@given(st.floats(0.16e-3, 0.29e-3), st.floats(20, 2000), st.integers(3, 7))
def test_a_planted_optimum_is_found(best, bend, n):
    depths = np.linspace(0.15e-3, 0.30e-3, n)
    found = best_depth(depths, parabola(depths, best, bend / 1e-3**2))
    assert found.depth_m[0] == pytest.approx(best, abs=1e-9)
    assert found.carry_m[0] == pytest.approx(230.0, abs=1e-6)
    assert not found.at_edge[0]


def test_cubics_are_reproduced_from_four_depths():
    depths, at = DEPTHS, np.linspace(0.15e-3, 0.30e-3, 50)
    scaled = lambda d: (np.asarray(d) - 0.2e-3) / 1e-4  # noqa: E731
    cubic = lambda d: 200 + 3 * scaled(d) - 2 * scaled(d) ** 2 + 0.7 * scaled(d) ** 3  # noqa: E731
    assert curve(depths, cubic(depths), at) == pytest.approx(cubic(at), rel=1e-12)


def test_the_curve_goes_through_the_depths_studied():
    values = np.array([228.0, 231.0, 229.5, 229.0])
    assert curve(DEPTHS, values, DEPTHS) == pytest.approx(values, rel=1e-14)


@pytest.mark.parametrize(("best", "end"), [(0.10e-3, 0), (0.40e-3, -1), (0.15e-3, 0)])
def test_an_optimum_outside_the_depths_is_flagged(best, end):
    found = best_depth(DEPTHS, parabola(DEPTHS, best))
    assert found.at_edge[0] and found.depth_m[0] == DEPTHS[end]
    assert found.carry_m[0] == pytest.approx(parabola(DEPTHS[end], best))


def test_two_depths_are_a_line_and_one_is_what_there_is():
    found = best_depth([1e-4, 2e-4], [[200.0, 202.0], [201.0, 200.0]])
    assert found.depth_m.tolist() == [2e-4, 1e-4] and found.at_edge.all()
    alone = best_depth([1e-4], [200.0])
    assert (alone.depth_m[0], alone.carry_m[0], alone.at_edge[0]) == (1e-4, 200.0, True)
    assert curve([1e-4], [200.0], [1e-4, 2e-4]).tolist() == [200.0, 200.0]


def test_draws_are_each_their_own_curve():
    bests = np.array([0.17e-3, 0.22e-3, 0.28e-3, 0.5e-3])
    found = best_depth(DEPTHS, parabola(DEPTHS[:, None], bests))
    assert found.depth_m[:3] == pytest.approx(bests[:3], abs=1e-9) and found.depth_m[3] == DEPTHS[-1]
    assert found.at_edge.tolist() == [False, False, False, True]


@settings(deadline=None)
@given(st.floats(0.20e-3, 0.25e-3), st.floats(500, 5000))
def test_tolerance_is_that_of_the_parabola(best, bend):
    curvature = bend / 1e-3**2
    expected = np.sqrt(YARD_M / curvature)  # 230 - curvature t^2 = 230 - 0.9144
    assert expected < 0.05e-3
    assert tolerance(DEPTHS, parabola(DEPTHS, best, curvature)) == pytest.approx(expected, rel=1e-4)


def test_tolerance_of_the_steeper_side_and_none_when_no_yard_is_lost():
    cubic = lambda d: 230 - 800 * ((d - 0.22e-3) / 1e-3) ** 2 - 4000 * ((d - 0.22e-3) / 1e-3) ** 3  # noqa: E731
    right = next(t for t in np.linspace(0, 8e-5, 80001) if cubic(0.22e-3 + t) < 230 - YARD_M)
    assert tolerance(DEPTHS, cubic(DEPTHS)) == pytest.approx(right, abs=2e-8)
    assert np.isnan(tolerance(DEPTHS, parabola(DEPTHS, 0.22e-3, 50 / 1e-3**2)))
    # A yard is lost towards deeper only.
    assert tolerance(DEPTHS, parabola(DEPTHS, 0.16e-3, 200 / 1e-3**2)) == pytest.approx(
        np.sqrt(YARD_M / (200 / 1e-3**2)), rel=1e-4
    )


def test_share_of_draws_in_which_each_is_best():
    assert share_best([[3.0, 1.0, 2.0, 5.0], [1.0, 2.0, 1.0, 1.0]]).tolist() == [0.75, 0.25]
    assert share_best([[1.0, 2.0]]).tolist() == [1.0]
    # Two independent Gaussians: P(a > b) = Phi(difference / (sigma sqrt(2))); 1 sigma sqrt(2) apart: 0.8413.
    rng = np.random.default_rng(4)
    draws = rng.normal([[np.sqrt(2.0)], [0.0]], 1.0, (2, 40000))
    assert share_best(draws) == pytest.approx([0.8413, 0.1587], abs=0.006)


def test_the_interval_of_the_draws_covers_the_truth():
    # 400 studies with noise of 0.1 m on the carry of each depth; per study the interval is that of draws of
    # the same noise around the values seen. 90 % are wanted; the binomial standard deviation of 400 is 1.5 %.
    rng = np.random.default_rng(9)
    best, noise, covered = 0.225e-3, 0.1, 0
    for _ in range(400):
        seen = parabola(DEPTHS, best, 1000 / 1e-3**2) + rng.normal(0, noise, 4)
        draws = seen[:, None] + rng.normal(0, noise, (4, 400))
        low, high = np.quantile(best_depth(DEPTHS, draws).depth_m, (0.05, 0.95))
        covered += low <= best <= high
    assert 0.85 < covered / 400 < 0.95
