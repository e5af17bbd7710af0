"""Height differences of balls against closed forms, and what facets make of them."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.build import make_ball
from pipeline.geometry.layout.layout import spread_layout
from pipeline.geometry.shell.surface_difference import FacetGrid, SampledBall, surface_difference
from pipeline.records.geometry import BallInputs

D, CHORD, DEPTH = 42.7e-3, 3.6e-3, 0.2e-3
LAYOUT = spread_layout("icosahedral", 332, CHORD, 1e-4, D, 1)
COARSE, FINE = (FacetGrid(LAYOUT, D, n) for n in (40, 80))


def sampled(grid=COARSE, depth_m=DEPTH, layout=LAYOUT, **cavity):
    spec = BallInputs(ball_diameter_m=D, depth_m=depth_m, edge_angle_rad=None, **cavity)
    return SampledBall(make_ball(layout, spec), grid)


def test_a_ball_differs_from_itself_by_nothing():
    found = surface_difference(sampled(), sampled())
    assert (found.exact_m, found.missed_m) == (0.0, 0.0)


@pytest.mark.parametrize("step_m", [1e-6, -2e-5])
def test_a_change_of_depth_is_its_own_measure(step_m):
    # Heights of shallow arcs are proportional to their depth, but for terms of (depth / chord)^2.
    found = surface_difference(sampled(), sampled(depth_m=DEPTH + step_m))
    assert found.exact_m == pytest.approx(abs(step_m), rel=0.02)
    finer = surface_difference(sampled(FINE), sampled(FINE, depth_m=DEPTH + step_m))
    # Bilinear interpolation between nodes of a paraboloid: an error of second order in the cells.
    assert finer.missed_m < 0.5 * found.missed_m < 0.07 * found.exact_m


def test_a_rounded_edge_is_the_sliver_of_a_circle_between_two_tangents():
    # Two tangents at an angle w, a circle of radius r: the sliver reaches t = r tan(w / 2) along each and is
    # x^2 / 2r high (a parabola for a small w), so its square integrates to t^5 / (10 r^2) along a section
    # and, around 332 dimples, to the mean square over the sphere [closed form].
    radius_m = 2e-3
    sharp, rounded = sampled(FINE), sampled(FINE, edge_radius_m=radius_m)
    edge_angle = sharp.ball.cavities.edge_angle_rad[0]
    reach = radius_m * math.tan(edge_angle / 2)
    mean_square = 332 * math.pi * CHORD * reach**5 / (10 * radius_m**2) / (math.pi * D**2)
    heights = sharp.exact - rounded.exact
    assert np.sqrt(np.mean(heights**2)) == pytest.approx(math.sqrt(mean_square), rel=0.05)
    assert (heights <= 1e-12).all()  # a rounded edge takes material off
    found = surface_difference(sharp, rounded)
    of_depth = np.sqrt(mean_square) / np.sqrt(np.mean(sharp.exact**2)) * DEPTH
    assert found.exact_m == pytest.approx(of_depth, rel=0.05)


def test_facets_make_a_narrow_edge_as_wide_as_a_cell():
    # The sliver is 0.06 mm wide, the cells 0.84 mm: what facets show is not the difference.
    found = surface_difference(sampled(), sampled(edge_radius_m=0.3e-3))
    assert found.missed_m > 5 * found.exact_m
    assert found.exact_m < 1e-6


def test_dimples_in_other_places_have_a_grid_of_their_own():
    turned = LAYOUT.directions @ Rotation.from_euler("z", 6, degrees=True).as_matrix().T
    other = dataclasses.replace(LAYOUT, directions=turned)
    assert not COARSE.serves(other, 40) and not COARSE.serves(LAYOUT, 80)
    found = surface_difference(sampled(), sampled(FacetGrid(other, D, 40), layout=other))
    # Two unrelated surfaces: the root of both mean squares, where neither covers the ball.
    assert 0.5 * DEPTH < found.exact_m < math.sqrt(2) * DEPTH
    assert found.missed_m < 0.3 * found.exact_m


def test_a_linear_function_is_interpolated_exactly():
    # z of a point in a facet is linear in it: at the sample's direction it is z over the facet's height.
    of_one = COARSE.interpolated(np.ones(len(COARSE.nodes)))
    assert of_one == pytest.approx(1.0, abs=1e-12)
    along = np.stack([COARSE.interpolated(COARSE.nodes[:, axis]) for axis in range(3)], axis=1)
    lengths = np.linalg.norm(along, axis=1)
    assert along / lengths[:, None] == pytest.approx(COARSE.samples, abs=1e-9)
    # A triangle of sides up to L in the unit sphere lies within L^2 / 6 of it: its circle has a radius of at
    # most L / sqrt(3), or it lies beyond its longest side, L^2 / 8 deep [closed form].
    corners = COARSE.nodes[COARSE.quads]
    longest = max(np.linalg.norm(corners - np.roll(corners, k, axis=1), axis=2).max() for k in (1, 2))
    assert (lengths <= 1 + 1e-12).all() and lengths.min() > 1 - longest**2 / 6
