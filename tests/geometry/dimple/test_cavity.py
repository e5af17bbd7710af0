import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline.errors import InputError
from pipeline.geometry.dimple.cavity import edge_half_angle, solve_cavities
from pipeline.geometry.dimple.section import ARC, Sections

D = 42.7e-3


def _arc(diameter, **measures):
    return solve_cavities(Sections.of(ARC), diameter, **measures)


def arc_edge_angle(chord, depth, diameter):
    return _arc(diameter, chord_diameter_m=chord, depth_m=depth).edge_angle_rad


def arc_chord_depth(chord, depth, diameter):
    return _arc(diameter, chord_diameter_m=chord, depth_m=depth).chord_depth_m


def arc_section_radius(chord, depth, diameter):
    return _arc(diameter, chord_diameter_m=chord, depth_m=depth).bottom_radius_m


def arc_volume(chord, depth, diameter):
    return _arc(diameter, chord_diameter_m=chord, depth_m=depth).volume_m3


def arc_depth(chord, angle, diameter):
    return _arc(diameter, chord_diameter_m=chord, edge_angle_rad=angle).depth_m


# chord over diameter, and where the depth lies between the flat cavity's and the vertical edge's
chord_shares = st.floats(0.005, 0.5)
depth_shares = st.floats(0.01, 0.99)


def _depth(chord, share):
    """Surface depth a share of the way from a flat cavity to an edge angle of 90 deg."""
    beta = np.arcsin(chord / D)
    sagitta = D / 2 * (1 - np.cos(beta))
    deepest = sagitta + chord / 2 * np.tan((np.pi / 2 - beta) / 2)
    return sagitta + share * (deepest - sagitta)


def test_prototype_figures():
    # A throw-away prototype of the project, chord 0.084 D and surface depth 0.0059 D, by another route
    # (section radius first, then beta + arcsin(a / rho)) [computed].
    assert np.degrees(arc_edge_angle(0.084, 0.0059, 1.0)) == pytest.approx(16.058358734, abs=1e-8)
    assert arc_chord_depth(0.084, 0.0059, 1.0) == pytest.approx(0.00413287727728, abs=1e-13)
    assert np.degrees(arc_edge_angle(0.084, [0.0035, 0.0083], 1.0)) == pytest.approx(
        [9.543774540, 22.500937658], abs=1e-8
    )


def test_a_flat_phantom_gives_the_plane_circular_segment():
    # On a huge ball: a chord of 6 and a height of 1 belong to a circle of radius 5 (3-4-5 triangle), whose
    # tangent makes arcsin(3/5) with the chord [computed].
    huge = 1e9
    assert arc_section_radius(6.0, 1.0, huge) == pytest.approx(5.0, rel=1e-7)
    assert arc_edge_angle(6.0, 1.0, huge) == pytest.approx(np.arcsin(0.6), rel=1e-7)


@given(chord_shares, depth_shares)
def test_edge_angle_by_the_definition(chord_share, share):
    # epsilon = beta + arcsin(a / rho), rho = (a^2 + h^2)/(2 h), h <= a (the project's definition)
    chord = chord_share * D
    depth = _depth(chord, share)
    beta = np.arcsin(chord / D)
    a, h = chord / 2, depth - D / 2 * (1 - np.cos(beta))
    rho = (a**2 + h**2) / (2 * h)
    assert arc_section_radius(chord, depth, D) == pytest.approx(rho, rel=1e-9)
    assert arc_edge_angle(chord, depth, D) == pytest.approx(beta + np.arcsin(min(a / rho, 1)), rel=1e-6)


@given(chord_shares, depth_shares)
def test_depth_and_edge_angle_come_back(chord_share, share):
    chord = chord_share * D
    depth = _depth(chord, share)
    angle = arc_edge_angle(chord, depth, D)
    assert edge_half_angle(chord, D) < angle < np.pi / 2
    assert arc_depth(chord, angle, D) == pytest.approx(depth, rel=1e-12)


@given(chord_shares, depth_shares, depth_shares)
def test_deeper_is_steeper_and_larger(chord_share, one, two):
    chord = chord_share * D
    shallow, deep = sorted([_depth(chord, one), _depth(chord, two)])
    if deep - shallow > 1e-9:
        assert arc_edge_angle(chord, shallow, D) < arc_edge_angle(chord, deep, D)
        assert arc_volume(chord, shallow, D) < arc_volume(chord, deep, D)


@given(chord_shares, depth_shares)
def test_volume_against_the_other_cap_formula(chord_share, share):
    # Cap of height h on a sphere of radius r: pi h^2 (3 r - h) / 3 (handbook form by the sphere's radius; the
    # code uses the one by the base's) [memory].
    chord = chord_share * D
    depth = _depth(chord, share)
    sagitta = D / 2 * (1 - np.cos(np.arcsin(chord / D)))
    h, rho = depth - sagitta, arc_section_radius(chord, depth, D)
    expected = np.pi / 3 * (sagitta**2 * (3 * D / 2 - sagitta) + h**2 * (3 * rho - h))
    assert arc_volume(chord, depth, D) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(("chord", "depth"), [(3.6e-3, 0.25e-3), (2.5e-3, 0.1e-3), (4.5e-3, 0.3e-3)])
def test_volume_against_the_integral_of_the_section(chord, depth):
    # Volume of revolution between the phantom sphere and the arc, V = 2 pi int (z_top - z_bottom) s ds.
    a, r = chord / 2, D / 2
    rho = arc_section_radius(chord, depth, D)
    centre = r - depth + rho
    thickness = lambda s: np.sqrt(r**2 - s**2) - (centre - np.sqrt(rho**2 - s**2))  # noqa: E731
    expected = quad(lambda s: 2 * np.pi * s * thickness(s), 0, a, epsabs=0, epsrel=1e-11)[0]
    assert arc_volume(chord, depth, D) == pytest.approx(expected, rel=1e-10)


def test_shapes_broadcast():
    chords, depths = np.array([3.4e-3, 3.6e-3]), np.array([[0.15e-3], [0.20e-3], [0.25e-3]])
    for measure in (arc_edge_angle, arc_section_radius, arc_volume, arc_chord_depth):
        table = measure(chords, depths, D)
        assert table.shape == (3, 2)
        assert table[2, 0] == measure(3.4e-3, 0.25e-3, D)
    assert arc_volume(np.empty(0), np.empty(0), D).shape == (0,)


@pytest.mark.parametrize(
    ("function", "arguments", "message"),
    [
        # sagitta of 3.6 mm on 42.7 mm: 21.35 (1 - cos asin(3.6/42.7)) = 0.07601 mm; the vertical edge lies at
        # 0.07601 + 1.8 tan((90 deg - 4.8363 deg)/2) = 1.7302 mm [computed]
        (
            arc_edge_angle,
            (3.6e-3, 0.05e-3),
            "surface depth 0.05 mm with chord diameter 3.6 mm: must be above 0.0761 mm",
        ),
        (arc_edge_angle, (3.6e-3, 2e-3), "below 1.73"),
        (arc_edge_angle, (3.6e-3, np.nan), "surface depth nan mm"),
        (arc_volume, (3.6e-3, 0.05e-3), "surface depth 0.05 mm"),
        (arc_section_radius, (3.6e-3, -0.1e-3), "surface depth -0.1 mm"),
        (
            arc_depth,
            (3.6e-3, np.radians(4)),
            "edge angle 4 deg with chord diameter 3.6 mm: must be above 4.83",
        ),
        (arc_depth, (3.6e-3, np.radians(90)), "below 90 deg"),
        (arc_depth, (50e-3, np.radians(20)), "chord diameter 50 mm: must be above 0 mm and below"),
        (arc_depth, (0.0, np.radians(20)), "chord diameter 0 mm"),
    ],
)
def test_infeasible_pairs_give_the_feasible_range(function, arguments, message):
    with pytest.raises(InputError, match=re.escape(message)):
        function(*arguments, D)


def test_the_range_in_the_message_is_feasible():
    for chord in (2.5e-3, 3.6e-3, 4.5e-3):
        with pytest.raises(InputError) as caught:
            arc_edge_angle(chord, 0.0, D)
        low, high = re.search(r"above ([\d.]+) mm .* below ([\d.]+) mm", str(caught.value)).groups()
        assert arc_edge_angle(chord, float(low) / 1e3, D) > 0
        assert arc_edge_angle(chord, float(high) / 1e3, D) < np.pi / 2


def test_the_first_bad_pair_of_many_is_named():
    with pytest.raises(InputError, match=r"surface depth 0\.01 mm with chord diameter 3\.4 mm"):
        arc_edge_angle([3.6e-3, 3.4e-3, 3.2e-3], [0.2e-3, 0.01e-3, 0.02e-3], D)


def test_one_of_depth_and_edge_angle_is_wanted():
    for measures in ({}, {"depth_m": 2e-4, "edge_angle_rad": 0.2}):
        with pytest.raises(TypeError, match="either depth_m or edge_angle_rad"):
            _arc(D, chord_diameter_m=3.6e-3, **measures)
