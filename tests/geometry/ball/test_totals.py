import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline.files.clean_numbers import clean_json
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import _mean, totals
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.shell.cubed_sphere import cubed_sphere
from pipeline.records.geometry import BallTotals
from pipeline.records.record import read, write

D = 42.7e-3
R = D / 2
CHORD = 3.6e-3
DEPTH = 0.25e-3


@pytest.fixture(scope="module")
def ball():
    return DimpledBall(spread_layout("icosahedral", 332, CHORD, 0.1e-3, D, seed=1), DEPTH, D)


def _volume_of_dimple(ball, index):
    """Volume between phantom sphere and surface, 2 pi int (R^3 - r^3)/3 sin(theta) dtheta [computed]."""
    centre = ball.layout.directions[index]
    side = np.cross(centre, np.eye(3)[np.argmin(np.abs(centre))])
    side /= np.linalg.norm(side)

    def integrand(theta):
        r = ball.radius((np.cos(theta) * centre + np.sin(theta) * side)[None])[0]
        return 2 * np.pi * (R**3 - r**3) / 3 * np.sin(theta)

    beta = np.arcsin(ball.layout.chord_diameters_m[index] / D)
    return quad(integrand, 0, beta, epsabs=0, epsrel=1e-11)[0]


def test_coverage_is_that_of_caps_on_a_sphere(ball):
    # n caps of half angle beta cover n (1 - cos beta) / 2 of a sphere (Archimedes' hat-box theorem)
    expected = 332 * (1 - np.cos(np.arcsin(CHORD / D))) / 2
    assert totals(ball).coverage == pytest.approx(expected, rel=1e-12)


def test_coverage_against_a_count_of_directions(ball):
    directions, quads = cubed_sphere(200)
    centres = directions[quads].mean(axis=1)
    # the quadrilaterals' solid angles, to second order: projected area over distance squared
    diagonals = (
        directions[quads[:, 2]] - directions[quads[:, 0]],
        directions[quads[:, 3]] - directions[quads[:, 1]],
    )
    area = np.linalg.norm(np.cross(*diagonals), axis=1) / 2
    dimpled = ball.radius(centres / np.linalg.norm(centres, axis=1, keepdims=True)) < R
    assert totals(ball).coverage == pytest.approx(area[dimpled].sum() / area.sum(), abs=1e-3)


def test_dimple_volume_against_numerical_integration(ball):
    found = totals(ball)
    expected = 332 * _volume_of_dimple(ball, 150)
    phantom = 4 / 3 * np.pi * R**3
    assert found.dimple_volume_m3 == pytest.approx(expected, rel=1e-9)
    assert found.dimple_volume_share == pytest.approx(expected / phantom, rel=1e-9)
    assert found.enclosed_volume_m3 == pytest.approx(phantom - expected, rel=1e-11)
    # 0.8-1.1 % of the sphere: common practice, no source
    assert 0.008 < found.dimple_volume_share < 0.011


def test_plain_figures(ball):
    found = totals(ball)
    assert (found.count, found.symmetry, found.order) == (332, "icosahedral", 60)
    assert found.depth_m == found.depth_min_m == found.depth_max_m == DEPTH
    assert found.chord_diameter_min_m == found.chord_diameter_max_m == CHORD
    assert found.narrowest_land_m >= 0.1e-3
    # by the definition, epsilon = beta + arcsin(a/rho) [computed]
    beta, a = np.arcsin(CHORD / D), CHORD / 2
    h = DEPTH - R * (1 - np.cos(beta))
    epsilon = np.degrees(beta + np.arcsin(2 * a * h / (a * a + h * h)))
    for angle in (found.edge_angle_deg, found.edge_angle_min_deg, found.edge_angle_max_deg):
        assert angle == pytest.approx(epsilon, rel=1e-12)


@given(st.integers(1, 999))
@settings(max_examples=30, deadline=None)
def test_the_mean_of_equal_depths_is_that_depth_to_the_last_digit(microns):
    depth = microns / 1e6
    assert _mean(np.full(332, depth)) == depth


def test_unequal_dimples():
    chords, depths = np.array([3e-3, 4e-3, 5e-3]), np.array([0.2e-3, 0.25e-3, 0.3e-3])
    ball = DimpledBall(Layout(np.eye(3), chords, "none", 1), depths, D)
    found = totals(ball)
    expected = sum(_volume_of_dimple(ball, i) for i in range(3))
    assert found.dimple_volume_m3 == pytest.approx(expected, rel=1e-9)
    assert found.coverage == pytest.approx(np.sum(1 - np.cos(np.arcsin(chords / D))) / 2, rel=1e-12)
    assert found.depth_m == pytest.approx(0.25e-3, rel=1e-12)
    assert (found.depth_min_m, found.depth_max_m) == (0.2e-3, 0.3e-3)
    assert (found.chord_diameter_min_m, found.chord_diameter_max_m) == (3e-3, 5e-3)
    assert found.edge_angle_min_deg < found.edge_angle_deg < found.edge_angle_max_deg


@settings(deadline=None, max_examples=30)
@given(st.floats(0.1e-3, 0.4e-3), st.floats(0.1e-3, 0.4e-3))
def test_deeper_dimples_leave_less(one, two):
    layout = Layout(np.vstack([np.eye(3), -np.eye(3)]), np.full(6, CHORD), "octahedral", 24)
    shallow, deep = sorted([one, two])
    if deep - shallow > 1e-8:
        first, second = (totals(DimpledBall(layout, depth, D)) for depth in (shallow, deep))
        assert first.enclosed_volume_m3 > second.enclosed_volume_m3
        assert first.edge_angle_deg < second.edge_angle_deg
        assert first.coverage == second.coverage


def test_smooth_ball_is_the_phantom_sphere_and_fits_json(tmp_path):
    found = totals(DimpledBall(smooth_layout(), np.empty(0), D))
    assert found.count == 0
    assert found.coverage == found.dimple_volume_m3 == found.dimple_volume_share == 0.0
    assert found.enclosed_volume_m3 == pytest.approx(np.pi * D**3 / 6, rel=1e-15)
    empty = {key for key, value in found.content().items() if value is None}
    assert empty == {
        "narrowest_land_m",
        *(f"depth_{k}m" for k in ("", "min_", "max_")),
        *(f"edge_angle_{k}deg" for k in ("", "min_", "max_")),
        *(f"chord_diameter_{k}_m" for k in ("min", "max")),
        "seam",
        "seam_clearance_m",
    }
    write(tmp_path / "totals.json", found)  # refuses NaN
    assert read(tmp_path / "totals.json", BallTotals) == found


def test_totals_survive_json(ball, tmp_path):
    write(tmp_path / "totals.json", totals(ball))
    found = read(tmp_path / "totals.json", BallTotals)
    assert found.content() == clean_json(totals(ball).content())
