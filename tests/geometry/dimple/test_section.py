"""Dimple families against closed forms of their sections."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.dimple.cavity import solve_cavities
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.tooling.skin import check_skin, skin

D = 42.7e-3
R = D / 2
CHORD = 3.6e-3
FAMILIES = (
    ARC,
    Profile("two-radius", 0.6, 0.4),
    Profile("two-radius", 0.3, 3.0),
    Profile("cone", 0.5),
    Profile("catenary"),
)
MEASURES = ("chord_diameter_m", "depth_m", "chord_depth_m", "edge_angle_rad", "volume_m3")

profiles = st.one_of(
    st.just(ARC),
    st.just(Profile("catenary")),
    st.builds(Profile, st.just("cone"), st.floats(0.05, 0.95)),
    st.builds(Profile, st.just("two-radius"), st.floats(0.05, 0.95), st.floats(0.05, 20)),
)
# The sizes and angles of dimples, and some way beyond (2.5-4.5 mm, 10-20 deg: common practice, no source)
chords = st.floats(1e-3, 8e-3)
walls = st.floats(0.01, 1.2)


def _cap(a, h):
    """Volume of a spherical cap of base radius a and height h (Weisstein, MathWorld) [memory]."""
    return np.pi * h * (3 * a * a + h * h) / 6


def _cavity(profile, chord, wall):
    beta = np.arcsin(chord / D)
    return solve_cavities(Sections.of(profile), D, chord_diameter_m=chord, edge_angle_rad=beta + wall)


@given(st.floats(0.05, 0.95), chords, walls)
def test_cone_is_a_frustum_on_a_spherical_cap(joint, chord, wall):
    # Elementary solids: the frustum's pi H (a^2 + a b + b^2) / 3 and the cap tangent to it, of radius
    # b / sin(wall) and height b tan(wall / 2) [computed].
    found = _cavity(Profile("cone", joint), chord, wall)
    a, b = chord / 2, joint * chord / 2
    height, bottom = (a - b) * np.tan(wall), b * np.tan(wall / 2)
    sagitta = R - np.sqrt(R * R - a * a)
    expected = np.pi * height * (a * a + a * b + b * b) / 3 + _cap(b, bottom) + _cap(a, sagitta)
    assert found.volume_m3 == pytest.approx(expected, rel=1e-10)
    assert found.chord_depth_m == pytest.approx(height + bottom, rel=1e-12)
    assert found.bottom_radius_m == pytest.approx(b / np.sin(wall), rel=1e-12)


@given(chords, st.floats(0.1, 1.2))
def test_catenary_against_its_closed_forms(chord, wall):
    # z = k (cosh(s/k) - 1), z'(a) = sinh(a/k) = tan(wall); volume pi int s^2 dz by parts [computed]:
    # pi k^3 (m^2 cosh m - 2 m sinh m + 2 cosh m - 2), m = a / k. Below a wall angle of 0.1 the terms cancel.
    found = _cavity(Profile("catenary"), chord, wall)
    a = chord / 2
    m = np.arcsinh(np.tan(wall))
    k = a / m
    below = np.pi * k**3 * (m * m * np.cosh(m) - 2 * m * np.sinh(m) + 2 * np.cosh(m) - 2)
    assert found.volume_m3 == pytest.approx(below + _cap(a, R - np.sqrt(R * R - a * a)), rel=1e-10)
    assert found.chord_depth_m == pytest.approx(k * (np.cosh(m) - 1), rel=1e-11)
    assert found.bottom_radius_m == pytest.approx(k, rel=1e-12)


@given(st.floats(0.05, 0.95), st.floats(0.05, 20), chords, walls)
@settings(deadline=None)
def test_two_radii_meet_tangentially_and_hold_the_integral_of_their_section(joint, ratio, chord, wall):
    # Two circles in the plane of the section: the bottom one about (0, zb), the outer one of ratio times its
    # radius, internally tangent at the joint (their centres and the joint on one line), passing the edge.
    found = _cavity(Profile("two-radius", joint, ratio), chord, wall)
    a, b = chord / 2, joint * chord / 2
    inner = float(found.bottom_radius_m)
    outer = ratio * inner
    slope = np.arcsin(b / inner)
    joint_height = -float(found.chord_depth_m) + inner * (1 - np.cos(slope))
    centre = b - outer * np.sin(slope), joint_height + outer * np.cos(slope)
    assert np.hypot(a - centre[0], centre[1]) == pytest.approx(outer, rel=1e-10)
    assert np.arcsin(min((a - centre[0]) / outer, 1)) == pytest.approx(wall, rel=1e-6)
    discs = quad(
        lambda t: np.pi * (centre[0] + outer * np.sin(t)) ** 2 * outer * np.sin(t), slope, wall, epsrel=1e-12
    )[0]
    expected = _cap(b, inner * (1 - np.cos(slope))) + discs + _cap(a, R - np.sqrt(R * R - a * a))
    assert found.volume_m3 == pytest.approx(expected, rel=1e-9)


@given(st.floats(0.05, 0.95), chords, walls)
def test_equal_radii_are_an_arc(joint, chord, wall):
    one, two = (_cavity(profile, chord, wall) for profile in (ARC, Profile("two-radius", joint, 1.0)))
    for measure in (*MEASURES, "bottom_radius_m"):
        assert getattr(one, measure) == pytest.approx(getattr(two, measure), rel=1e-11)


@given(profiles, chords, walls)
@settings(deadline=None, max_examples=60)
def test_depth_and_edge_angle_give_each_other(profile, chord, wall):
    made = _cavity(profile, chord, wall)
    if made.edge_angle_rad > 1.5:
        return
    for measure in ("depth_m", "edge_angle_rad"):
        again = solve_cavities(made.sections, D, chord, **{measure: getattr(made, measure)})
        for name in MEASURES:
            assert getattr(again, name) == pytest.approx(getattr(made, name), rel=1e-6), (measure, name)


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.radius_ratio}")
@pytest.mark.parametrize("measure", ["depth_m", "edge_angle_rad"])
def test_impossible_pairs_are_refused_with_a_range_that_is_possible(profile, measure):
    import re

    for impossible in (-1.0, 10.0):
        with pytest.raises(InputError) as caught:
            solve_cavities(Sections.of(profile), D, chord_diameter_m=CHORD, **{measure: impossible})
        low, high = re.search(r"above ([\d.]+) \w+ and below ([\d.]+)", str(caught.value)).groups()
        scale = np.pi / 180 if measure == "edge_angle_rad" else 1e-3
        for value in (float(low) + 1e-3, float(high) - 1e-3):
            found = solve_cavities(
                Sections.of(profile), D, chord_diameter_m=CHORD, **{measure: value * scale}
            )
            assert 0 < found.wall_rad < np.pi / 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("dome",), "must be one of arc, two-radius, cone, catenary"),
        (("cone",), "joint is missing"),
        (("arc", 0.5), "joint does not go with it"),
        (("cone", 1.0), "joint 1 must be above 0 and below 1"),
        (("two-radius", 0.5), "radius_ratio is missing"),
        (("cone", 0.5, 2.0), "radius_ratio does not go with it"),
        (("two-radius", 0.5, 0.0), "radius_ratio 0 must be above 0"),
    ],
)
def test_a_profile_has_its_own_measures_and_no_others(arguments, message):
    with pytest.raises(InputError, match=message):
        Profile(*arguments)


def _one_dimple(profile, depth=0.25e-3):
    layout = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([CHORD]), "none", 1)
    return DimpledBall(layout, depth, D, Sections.of(profile))


def _meridian(theta):
    return np.stack([np.sin(theta), 0 * theta, np.cos(theta)], axis=1)


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.radius_ratio}")
def test_ball_follows_the_section(profile):
    ball = _one_dimple(profile)
    beta = np.arcsin(CHORD / D)
    theta = np.linspace(0, beta * (1 - 1e-12), 400)
    r = ball.radius(_meridian(theta))
    assert r[0] == pytest.approx(R - 0.25e-3, rel=1e-14)
    assert r[-1] == pytest.approx(R, rel=1e-12)
    s, z = r * np.sin(theta), r * np.cos(theta) - R + 0.25e-3
    gamma = float(ball.cavities.wall_rad[0])
    a = CHORD / 2
    if profile.name == "catenary":
        k = a / np.arcsinh(np.tan(gamma))
        expected = k * (np.cosh(s / k) - 1)
    elif profile.name == "cone":
        b = profile.joint * a
        rho = b / np.sin(gamma)
        cap = rho - np.sqrt(np.maximum(rho**2 - s**2, 0))
        expected = np.where(s < b, cap, b * np.tan(gamma / 2) + (s - b) * np.tan(gamma))
    else:
        b, q = (profile.joint or 0.5) * a, 1 / (profile.radius_ratio or 1)
        slope = np.arcsin(np.sin(gamma) / (1 + q * (a - b) / b))
        rho = b / np.sin(slope)
        outer = rho / q
        centre = b - outer * np.sin(slope), rho * (1 - np.cos(slope)) + outer * np.cos(slope)
        cap = rho - np.sqrt(np.maximum(rho**2 - s**2, 0))
        wall = centre[1] - np.sqrt(np.maximum(outer**2 - (s - centre[0]) ** 2, 0))
        expected = np.where(s < b, cap, wall)
    assert z == pytest.approx(expected, abs=1e-14)


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.radius_ratio}")
def test_wall_at_the_edge_has_the_edge_angle_and_the_volume_its_integral(profile):
    ball = _one_dimple(profile)
    beta = float(ball.cavities.half_angle_rad[0])
    step = 1e-6
    inside, further = ball.radius(_meridian(np.array([beta - step, beta - 2 * step])))
    slope = (3 * R - 4 * inside + further) / (2 * step)
    # dr/dtheta = r tan(epsilon) at the edge, by the definition of the edge angle
    assert slope == pytest.approx(R * np.tan(float(ball.cavities.edge_angle_rad[0])), rel=1e-4)

    def shell(theta):
        return 2 * np.pi * (R**3 - ball.radius(_meridian(np.array([theta])))[0] ** 3) / 3 * np.sin(theta)

    joint = float(np.arccos(ball._cos_joint[0]))
    whole = quad(shell, 0, beta, points=[joint], epsabs=0, epsrel=1e-11)[0]
    assert totals(ball).dimple_volume_m3 == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.radius_ratio}")
def test_normals_are_at_right_angles_to_the_section(profile):
    ball = _one_dimple(profile)
    beta = float(ball.cavities.half_angle_rad[0])
    theta = np.linspace(0.02, 0.97, 60) * beta
    step = 1e-7
    ends = [ball.radius(_meridian(t))[:, None] * _meridian(t) for t in (theta - step, theta + step)]
    along = (ends[1] - ends[0]) / (2 * step * R)
    normals = ball.normal(_meridian(theta))
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-14)
    assert np.einsum("md,md->m", along, normals) == pytest.approx(0.0, abs=1e-6)


@given(profiles, st.floats(2.5e-3, 4.5e-3), st.floats(0.02, 0.5))
@settings(deadline=None, max_examples=12)
def test_skins_of_every_family_are_watertight(profile, chord, wall):
    # Six dimples on the axes; check_skin asks for Euler number 2, one winding and no self-intersection.
    layout = Layout(np.vstack([np.eye(3), -np.eye(3)]), np.full(6, chord), "octahedral", 24)
    depth = float(_cavity(profile, chord, wall).depth_m)
    checked = check_skin(
        skin(DimpledBall(layout, depth, D, Sections.of(profile)), 48),
        DimpledBall(layout, depth, D, Sections.of(profile)),
    )
    assert checked["euler_number"] == 2


def test_families_may_be_mixed():
    layout = Layout(np.vstack([np.eye(3), -np.eye(3)])[:5], np.full(5, CHORD), "none", 1)
    mixed = DimpledBall(layout, 0.25e-3, D, Sections.of(FAMILIES))
    offset = 0.7 * np.arcsin(CHORD / D)
    for index, profile in enumerate(FAMILIES):
        alone = _one_dimple(profile)
        centre = layout.directions[index]
        off = np.cos(offset) * centre + np.sin(offset) * np.roll(centre, 1)
        assert mixed.radius(off[None]) == pytest.approx(
            alone.radius(_meridian(np.array([offset]))), rel=1e-13
        )
