import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout, narrowest_land, smooth_layout, spread_layout
from pipeline.geometry.layout.rotation_groups import rotation_group

D = 42.7e-3
R = D / 2
CHORD = 3.6e-3
DEPTH = 0.25e-3


def _directions(count, seed=0):
    points = np.random.default_rng(seed).normal(size=(count, 3))
    return points / np.linalg.norm(points, axis=1, keepdims=True)


def _rim(centre, angle, count=7):
    """Directions at an angle [rad] from a centre."""
    away = np.eye(3)[np.argmin(np.abs(centre))]
    first = np.cross(centre, away)
    first /= np.linalg.norm(first)
    second = np.cross(centre, first)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)[:, None]
    return np.cos(angle) * centre + np.sin(angle) * (np.cos(turn) * first + np.sin(turn) * second)


def _mixed_layout(seed):
    """Dimples of very unequal sizes that do not overlap, many nearly touching, packed by rejection."""
    rng = np.random.default_rng(seed)
    centres, angles = np.empty((0, 3)), np.empty(0)
    for beta in np.repeat([0.5, 0.2, 0.08, 0.03], [3, 12, 60, 150]):
        for candidate in _directions(60, seed=int(rng.integers(2**31))):
            gap = np.arccos(np.clip(centres @ candidate, -1, 1)) - angles - beta
            if (gap > 1e-4).all():
                centres, angles = np.vstack([centres, candidate]), np.append(angles, beta)
                break
    return Layout(centres, D * np.sin(angles), "none", 1)


@pytest.fixture(scope="module")
def ball():
    return DimpledBall(spread_layout("icosahedral", 332, CHORD, 0.1e-3, D, seed=1), DEPTH, D)


def test_prototype_radii():
    # A throw-away prototype of the project, D = 1, chord 0.084, depth 0.0059: radii at 0 to 4.8 deg from a
    # dimple's centre, by the other form of the quadratic's root [computed].
    pole = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([0.084]), "none", 1)
    angle = np.radians([0, 1, 2, 3, 4, 4.8])
    directions = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    assert DimpledBall(pole, 0.0059, 1.0).radius(directions) == pytest.approx(
        [0.4941, 0.49434808, 0.49509548, 0.49635181, 0.49813364, 0.49995357], abs=6e-9
    )


def test_surface_depth_at_every_centre(ball):
    assert ball.radius(ball.layout.directions) == pytest.approx(R - DEPTH, rel=1e-14)
    assert ball.normal(ball.layout.directions) == pytest.approx(ball.layout.directions, abs=1e-12)


def test_land_is_exactly_the_phantom_sphere(ball):
    directions = _directions(20_000)
    nearest = (directions @ ball.layout.directions.T).max(axis=1)
    land = nearest < np.cos(np.arcsin(CHORD / D))
    radii = ball.radius(directions)
    assert 0.3 < land.mean() < 0.5
    assert (radii[land] == R).all()
    assert (radii[~land] < R).all()
    assert np.array_equal(ball.normal(directions)[land], directions[land])


@pytest.mark.parametrize("offset", [-1e-6, -1e-9, -1e-12, -1e-15, 0.0, 1e-15, 1e-12])
def test_radius_is_continuous_at_the_edges(ball, offset):
    beta = np.arcsin(CHORD / D)
    for centre in ball.layout.directions[[0, 12, 40, 331]]:
        radii = ball.radius(_rim(centre, beta + offset))
        assert (radii <= R).all()
        # the wall falls by the tangent of the edge angle, here under 0.3; directions in double precision
        # fix the cosine to some ten rounding errors, and the angle to that over sin(beta)
        rounding = 10 * np.finfo(float).eps / np.sin(beta)
        assert (radii >= R - 0.3 * R * (abs(offset) + rounding)).all()


def test_no_rounding_at_an_edge_passes_the_phantom_sphere():
    rng = np.random.default_rng(1)
    for chord in rng.uniform(0.5e-3, 20e-3, 50):
        beta = np.arcsin(chord / D)
        centre = _directions(1, seed=int(rng.integers(2**31)))
        for chord_depth in (1e-9, 1e-6, 0.1 * chord):
            depth = R * (1 - np.cos(beta)) + chord_depth
            ball = DimpledBall(Layout(centre, np.array([chord]), "none", 1), depth, D)
            for offset in (-3e-15, -1e-15, 0.0):
                assert (ball.radius(_rim(centre[0], beta + offset, count=100)) <= R).all()


def test_wall_slope_at_the_edge_is_the_edge_angle(ball):
    # The edge angle by its definition: at the edge the wall makes that angle with the phantom sphere's
    # tangent, so that dr/dtheta = r tan(epsilon). epsilon = beta + arcsin(a/rho) [computed].
    beta, a = np.arcsin(CHORD / D), CHORD / 2
    h = DEPTH - R * (1 - np.cos(beta))
    epsilon = beta + np.arcsin(a / ((a**2 + h**2) / (2 * h)))
    step = 1e-6
    centre = ball.layout.directions[100]
    just_inside, further = (ball.radius(_rim(centre, beta - k * step)) for k in (1, 2))
    slope = (3 * R - 4 * just_inside + further) / (2 * step)
    assert slope == pytest.approx(R * np.tan(epsilon), rel=1e-5)


def test_dimple_points_lie_on_the_circle_through_bottom_and_edge(ball):
    # Circle through three points of the section: the bottom and two opposite edge points [computed].
    beta = np.arcsin(CHORD / D)
    bottom, edge = np.array([0, R - DEPTH]), R * np.array([np.sin(beta), np.cos(beta)])
    middle, across = (bottom + edge) / 2, edge - bottom
    centre_height = middle[1] + middle[0] * across[0] / across[1]
    circle_radius = centre_height - bottom[1]
    centre = ball.layout.directions[200]
    for share in (0.1, 0.5, 0.9, 0.999):
        directions = _rim(centre, share * beta)
        points = ball.radius(directions)[:, None] * directions
        assert np.linalg.norm(points - centre_height * centre, axis=1) == pytest.approx(
            circle_radius, rel=1e-12
        )


def test_normals_are_at_right_angles_to_the_surface(ball):
    directions = _directions(400, seed=5)
    normals = ball.normal(directions)
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-14)
    assert (np.einsum("md,md->m", normals, directions) > 0.8).all()
    step = 1e-6
    edge = np.cos(np.arcsin(CHORD / D))
    cosine = directions @ ball.layout.directions.T
    away = np.abs(cosine - edge).min(axis=1) > 1e-5  # differences across an edge have no one normal
    for axis in range(3):
        tangent = np.cross(directions, np.eye(3)[axis])
        ends = []
        for sign in (1, -1):
            moved = directions + sign * step * tangent
            moved /= np.linalg.norm(moved, axis=1, keepdims=True)
            ends.append(ball.radius(moved)[:, None] * moved)
        along = (ends[0] - ends[1]) / (2 * step * R)
        assert np.einsum("md,md->m", along, normals)[away] == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_unequal_sizes_against_a_search_of_every_dimple(seed):
    layout = _mixed_layout(seed)
    assert narrowest_land(layout, D) > 0
    beta = np.arcsin(layout.chord_diameters_m / D)
    sagitta = R * (1 - np.cos(beta))
    depths = sagitta + 0.1 * layout.chord_diameters_m / 2
    ball = DimpledBall(layout, depths, D)
    near_edges = np.concatenate(
        [_rim(c, b * (1 - 1e-9)) for c, b in zip(layout.directions, beta, strict=True)]
    )
    directions = np.concatenate([_directions(2000, seed=seed), near_edges])
    inside = directions @ layout.directions.T > np.cos(beta)
    assert (inside.sum(axis=1) <= 1).all()
    expected = np.full(len(directions), R)
    for i, (c, b) in enumerate(zip(layout.directions, beta, strict=True)):
        # ray against the arc's sphere, found by the angle in the triangle of its centre (law of sines)
        a, h = R * np.sin(b), depths[i] - sagitta[i]
        rho = (a * a + h * h) / (2 * h)
        z = R * np.cos(b) + rho - h
        theta = np.arccos(np.clip(directions[inside[:, i]] @ c, -1, 1))
        at_surface = np.pi - np.arcsin(z * np.sin(theta) / rho)
        expected[inside[:, i]] = np.sqrt(z**2 + rho**2 + 2 * z * rho * np.cos(theta + at_surface))
    assert ball.radius(directions) == pytest.approx(expected, rel=1e-9)


def test_a_small_dimple_s_centre_may_be_nearer_than_the_large_one_s():
    # Half angles 30 and 3 deg, centres 33.5 deg apart: at 28 deg from the large centre, inside it, the small
    # centre is only 5.5 deg away.
    angle = np.radians([0.0, 33.5])
    centres = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    layout = Layout(centres, D * np.sin(np.radians([30.0, 3.0])), "none", 1)
    ball = DimpledBall(layout, [3.2e-3, 0.1e-3], D)
    inside_large = np.array([[np.sin(np.radians(28)), 0.0, np.cos(np.radians(28))]])
    assert ball.radius(inside_large)[0] < R - 1e-4
    assert ball.radius(centres) == pytest.approx([R - 3.2e-3, R - 0.1e-3], rel=1e-12)


def test_almost_flat_cavity_stays_accurate():
    # Chord depth of a nanometre: the section radius is 1.6 km, the surface the plane of the edge to within
    # that nanometre: r = R cos(beta) / cos(theta).
    beta = np.arcsin(CHORD / D)
    pole = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([CHORD]), "none", 1)
    ball = DimpledBall(pole, R * (1 - np.cos(beta)) + 1e-9, D)
    theta = np.linspace(0, 0.999, 9) * beta
    radii = ball.radius(np.stack([np.sin(theta), 0 * theta, np.cos(theta)], axis=1))
    assert radii == pytest.approx(R * np.cos(beta) / np.cos(theta), abs=1.001e-9)


def test_ball_has_the_symmetry_of_its_layout(ball):
    directions = _directions(500, seed=2)
    radii = ball.radius(directions)
    for matrix in rotation_group("icosahedral")[[1, 7, 59]]:
        assert ball.radius(directions @ matrix.T) == pytest.approx(radii, abs=1e-15)


def test_smooth_ball():
    ball = DimpledBall(smooth_layout(), np.empty(0), D)
    directions = _directions(10)
    assert (ball.radius(directions) == R).all()
    assert np.array_equal(ball.normal(directions), directions)
    assert ball.depths_m.shape == (0,)


def test_infeasible_depth_is_refused(ball):
    with pytest.raises(InputError, match=r"surface depth 0\.05 mm with chord diameter 3\.6 mm"):
        DimpledBall(ball.layout, 0.05e-3, D)


def test_depths_must_match_the_dimples(ball):
    with pytest.raises(ValueError, match="broadcast"):
        DimpledBall(ball.layout, [DEPTH, DEPTH], D)
