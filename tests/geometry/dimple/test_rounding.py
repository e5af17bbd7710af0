"""Edge radii: tangent arcs by their definition, volumes by quadrature, refusals."""

import itertools
import re

import numpy as np
import pytest
from scipy.integrate import quad

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.tooling.mould import Tooling, cavity_of, finished_ball
from pipeline.geometry.tooling.skin import check_skin, skin

D = 42.7e-3
R = D / 2
CHORD = 3.6e-3
EDGE = 0.5e-3
FAMILIES = (
    Profile(edge_radius_m=EDGE),
    Profile("two-radius", 0.5, 0.5, EDGE),
    Profile("cone", 0.5, edge_radius_m=EDGE),
    Profile("catenary", edge_radius_m=EDGE),
)


def _one(profile, depth=0.25e-3):
    layout = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([CHORD]), "none", 1)
    return DimpledBall(layout, depth, D, Sections.of(profile))


def _meridian(theta):
    return np.stack([np.sin(theta), 0 * theta, np.cos(theta)], axis=1)


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: p.name)
def test_the_edge_is_an_arc_of_its_radius_tangent_to_wall_and_land(profile):
    ball = _one(profile)
    inner = float(ball._roundings.inner_rad[0])
    outer = float(ball.outer_rad[0])
    beta = np.arcsin(CHORD / D)
    assert inner < beta < outer
    theta = np.linspace(inner, outer, 201)[1:-1]
    points = ball.radius(_meridian(theta))[:, None] * _meridian(theta)
    # Circle through first, middle and last point [computed].
    a, b, c = (points[k, [0, 2]] for k in (0, 99, 198))
    matrix = 2 * np.array([b - a, c - a])
    centre = np.linalg.solve(matrix, [b @ b - a @ a, c @ c - a @ a])
    assert np.linalg.norm(points[:, [0, 2]] - centre, axis=1) == pytest.approx(EDGE, rel=1e-6)
    # Tangent to the sphere from within: centres and point of contact on one line.
    assert np.linalg.norm(centre) == pytest.approx(R - EDGE, rel=1e-7)
    # No kink at either end: slopes on both sides agree to the order of the step times the curvature.
    step = 1e-7
    for end in (inner, outer):
        before, at, after = ball.radius(_meridian(np.array([end - step, end, end + step])))
        assert (after - at) / step == pytest.approx((at - before) / step, abs=3 * step * R * R / EDGE)
    # Inside, the surface is that of the sharp edge; outside exactly the phantom sphere's.
    sharp = _one(Profile(profile.name, profile.joint, profile.radius_ratio))
    within = _meridian(np.linspace(0, inner, 50))
    assert ball.radius(within) == pytest.approx(sharp.radius(within), rel=1e-14)
    assert (ball.radius(_meridian(np.linspace(outer, 1.0, 50)[1:])) == R).all()


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: p.name)
def test_volume_and_normals(profile):
    ball = _one(profile)
    ends = [0.0, float(np.arccos(ball._cos_joint[0])), float(ball._roundings.inner_rad[0])]
    ends = [*sorted(ends), float(ball.outer_rad[0])]

    def layer(theta):
        return 2 * np.pi * (R**3 - ball.radius(_meridian(np.array([theta])))[0] ** 3) / 3 * np.sin(theta)

    pieces = itertools.pairwise(ends)
    whole = sum(quad(layer, low, high, epsabs=0, epsrel=1e-11)[0] for low, high in pieces)
    assert totals(ball).dimple_volume_m3 == pytest.approx(whole, rel=1e-9)
    theta = np.linspace(0.02, 0.99, 80) * ends[-1]
    step = 1e-7
    near = [ball.radius(_meridian(t))[:, None] * _meridian(t) for t in (theta - step, theta + step)]
    along = (near[1] - near[0]) / (2 * step * R)
    assert np.einsum("md,md->m", along, ball.normal(_meridian(theta))) == pytest.approx(0.0, abs=1e-6)


def test_volume_of_the_sharp_edge_is_the_limit():
    sharp, hardly = _one(ARC), _one(Profile(edge_radius_m=1e-7))
    assert totals(hardly).dimple_volume_m3 == pytest.approx(totals(sharp).dimple_volume_m3, rel=1e-9)


def test_too_large_a_radius_is_refused_with_the_largest():
    with pytest.raises(InputError, match=r"edge radius 9 mm: must be below") as caught:
        _one(Profile("cone", 0.5, edge_radius_m=9e-3))
    largest = float(re.search(r"below ([\d.]+) mm", str(caught.value)).group(1)) / 1e3
    _one(Profile("cone", 0.5, edge_radius_m=0.999 * largest))
    with pytest.raises(InputError, match="edge radius"):
        _one(Profile("cone", 0.5, edge_radius_m=1.001 * largest))
    with pytest.raises(InputError, match="must be 0 mm or more"):
        Profile(edge_radius_m=-1e-3)


def test_roundings_must_not_meet():
    # Land of 0.05 mm between two edges, of which the roundings take e tan(epsilon / 2) each.
    angle = 2 * np.arcsin(CHORD / D) + 0.05e-3 / R
    places = np.array([[0.0, 0.0, 1.0], [np.sin(angle), 0.0, np.cos(angle)]])
    layout = Layout(places, np.full(2, CHORD), "none", 1)
    taken = np.tan(float(_one(ARC).cavities.edge_angle_rad[0]) / 2)
    fits = 0.9 * 0.025e-3 / taken
    DimpledBall(layout, 0.25e-3, D, Sections.of(Profile(edge_radius_m=fits)))
    with pytest.raises(InputError, match="roundings of two dimples' edges overlap by"):
        DimpledBall(layout, 0.25e-3, D, Sections.of(Profile(edge_radius_m=1.2 * fits)))


def test_skins_and_tooling_keep_edge_radii():
    axes = np.vstack([np.eye(3), -np.eye(3)])
    ball = DimpledBall(Layout(axes, np.full(6, 4e-3), "octahedral", 24), 0.3e-3, D, Sections.of(FAMILIES[0]))
    assert check_skin(skin(ball, 64), ball)["euler_number"] == 2
    tool = Tooling(0.006, 0.01e-3, 0.02e-3)
    cavity = cavity_of(ball, tool)
    assert cavity.cavities.sections.edge_radius_m[0] == pytest.approx(EDGE / (1 - 0.006), rel=1e-12)
    back = finished_ball(cavity, tool)
    directions = np.random.default_rng(0).normal(size=(2000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    assert back.radius(directions) == pytest.approx(ball.radius(directions), rel=1e-13)
