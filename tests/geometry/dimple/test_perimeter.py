"""Polygonal perimeters: regular polyhedra's faces, brute force, and the surface inside them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.dimple.perimeter import Perimeters, corner_half_angle, hull_distance, solid_angle
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.file import read_layout, write_layout
from pipeline.geometry.layout.layout import Layout, narrowest_land, spread_layout, with_sides
from pipeline.geometry.layout.mirror import has_mirror_plane
from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.tooling.skin import check_skin, skin

D = 42.7e-3
R = D / 2
GOLDEN = (np.sqrt(5) + 1) / 2


@pytest.mark.parametrize(
    ("sides", "beta", "corner", "faces"),
    [
        # Cube and dodecahedron: angles of a face's centre with an edge's middle and with a corner, from their
        # coordinates (+-1, +-1, +-1) and the golden ratio [computed]; their faces share the sphere.
        (4, np.pi / 4, np.arctan(np.sqrt(2)), 6),
        (5, np.arctan(1 / GOLDEN), np.arctan(3 - np.sqrt(5)), 12),
    ],
)
def test_faces_of_regular_polyhedra(sides, beta, corner, faces):
    assert solid_angle(np.array(beta), np.array(sides)) == pytest.approx(4 * np.pi / faces, rel=1e-13)
    assert corner_half_angle(np.array(beta), np.array(sides)) == pytest.approx(corner, rel=1e-13)


def _alone(sides, turn=0.4, chord=3.6e-3):
    place = np.array([[0.48, -0.6, 0.64]])
    return Layout(place, np.array([chord]), "none", 1, sides=np.array([sides]), turns_rad=np.array([turn]))


def _around(place, angle, azimuth):
    """Directions at angles from a place, at azimuths from the direction away from the pole +z."""
    south = np.array([0.0, 0.0, -1.0]) + place[2] * place
    south /= np.linalg.norm(south)
    across = np.cos(azimuth)[..., None] * south + np.sin(azimuth)[..., None] * np.cross(place, south)
    return np.cos(angle)[..., None] * place + np.sin(angle)[..., None] * across


@pytest.mark.parametrize("sides", [4, 5, 6, 7, 8])
@pytest.mark.parametrize("profile", [ARC, Profile("cone", 0.6), Profile("catenary")], ids=lambda p: p.name)
def test_surface_meets_land_at_the_sides_and_holds_its_volume(sides, profile):
    layout = _alone(sides)
    ball = DimpledBall(layout, 0.25e-3, D, Sections.of(profile))
    beta = np.arcsin(3.6e-3 / D)
    # A side is the great circle at the distance beta: tan(theta) = tan(beta) / cos(phi) (Napier).
    nodes, weights = np.polynomial.legendre.leggauss(20)
    phi = np.pi / sides * nodes
    edge = np.arctan(np.tan(beta) / np.cos(phi))
    place = layout.directions[0]
    for turn in (0.4, 0.4 + 2 * np.pi / sides):
        assert (ball.radius(_around(place, edge + 1e-9, turn + phi)) == R).all()
        assert (ball.radius(_around(place, edge - 1e-6, turn + phi)) < R).all()
        assert ball.radius(_around(place, edge - 1e-6, turn + phi)) == pytest.approx(R, rel=1e-6)
    # Volume between phantom sphere and surface, by quadrature over one side's share of the azimuths, up to
    # the joint (of the level line through it) and on to the edge.
    joint = np.arctan(np.sqrt(1 / ball._cos_joint[0] ** 2 - 1) / np.cos(phi)) if profile.joint else edge / 2
    removed = 0.0
    for low, high in ((0 * joint, joint), (joint, edge)):
        theta = low[:, None] + (high - low)[:, None] * (nodes + 1) / 2
        radii = ball.radius(_around(place, theta, 0.4 + phi[:, None] + 0 * theta).reshape(-1, 3))
        layer = (R**3 - radii.reshape(theta.shape) ** 3) / 3 * np.sin(theta)
        removed += np.pi / sides * weights @ ((layer @ weights) * (high - low) / 2)
    assert totals(ball).dimple_volume_m3 == pytest.approx(sides * removed, rel=1e-9)
    # The edge angle by its definition, dr/dtheta = r tan(epsilon), through the middle of a side.
    step = 1e-6
    inside, further = ball.radius(_around(place, np.array([beta - step, beta - 2 * step]), np.full(2, 0.4)))
    slope = (3 * R - 4 * inside + further) / (2 * step)
    assert slope == pytest.approx(R * np.tan(float(ball.cavities.edge_angle_rad[0])), rel=1e-4)


@pytest.mark.parametrize("sides", [4, 7])
def test_normals_of_polygons(sides):
    layout = _alone(sides)
    ball = DimpledBall(layout, 0.25e-3, D, Sections.of(Profile("cone", 0.6)))
    rng = np.random.default_rng(0)
    u = _around(layout.directions[0], 0.08 * rng.random(200), 2 * np.pi * rng.random(200))
    normals = ball.normal(u)
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-14)
    step, worst = 1e-6, []
    for axis in np.eye(3):
        ends = []
        for sign in (1, -1):
            moved = u + sign * step * np.cross(u, axis)
            moved /= np.linalg.norm(moved, axis=1, keepdims=True)
            ends.append(ball.radius(moved)[:, None] * moved)
        worst.append(np.abs(np.einsum("md,md->m", (ends[0] - ends[1]) / (2 * step * R), normals)))
    # Differences across an edge, the joint or a line from the axis to a corner have no one normal.
    assert np.mean(np.max(worst, axis=0) < 1e-7) > 0.98


def _square(axis, half, turn=0.0):
    shape = Perimeters(np.array([axis]), np.array([4]), np.array([turn]))
    return shape.corners(np.array([half]))


def test_distances_of_squares():
    one = _square([1.0, 0.0, 0.0], 0.1)
    facing = _square([np.cos(0.5), np.sin(0.5), 0.0], 0.1)
    # Sides at 0.1 from each centre face each other along the equator, but lean towards each other: their
    # corners, at the latitude lam with sin(lam) = sin(0.1) / sqrt(1 + sin(0.1)^2), are nearer.
    middle = 0.5 - 0.2
    found = hull_distance(one, facing)[0]
    assert 0.98 * middle < found < middle
    assert hull_distance(one, _square([np.cos(0.15), np.sin(0.15), 0.0], 0.1))[0] < 0
    assert hull_distance(one, _square([1.0, 0.0, 0.0], 0.02))[0] < 0
    point = np.repeat(np.array([[[np.cos(0.5), np.sin(0.5), 0.0]]]), 8, axis=1)
    assert hull_distance(one, point)[0] == pytest.approx(0.4, abs=1e-12)


@given(st.floats(0.12, 0.4), st.floats(0, 6.3), st.floats(0, 6.3), st.integers(4, 8), st.integers(4, 8))
@settings(max_examples=40, deadline=None)
def test_distance_of_polygons_by_brute_force(gap, one_turn, other_turn, one_sides, other_sides):
    centres = np.array([[1.0, 0.0, 0.0], [np.cos(gap), 0.0, np.sin(gap)]])
    shapes = Perimeters(centres, np.array([one_sides, other_sides]), np.array([one_turn, other_turn]))
    beta = np.array([0.1, 0.08])
    corners = shapes.corners(beta)
    found = hull_distance(corners[:1], corners[1:])[0]
    rim = shapes.outlines(beta, np.linspace(0, 2 * np.pi, 1201))
    nearest = np.arccos(np.clip((rim[0] @ rim[1].T).max(), -1, 1))
    inside = [
        (shapes.section_cosine(np.full(1201, k), rim[1 - k]) > np.cos(beta[k]) + 1e-12).any() for k in (0, 1)
    ]
    if any(inside):
        assert found < 1e-6
    else:
        assert nearest - 2e-3 < found < nearest + 1e-6


def test_sides_face_the_neighbours_and_the_ball_keeps_its_symmetry():
    # 320 = 20 + 5 x 60: hexagons on three-fold axes and in general places can have the whole group.
    layout = spread_layout("icosahedral", 320, 3.3e-3, 0.1e-3, D, 1, sides=6)
    ball = DimpledBall(layout, 0.2e-3, D)
    directions = np.random.default_rng(1).normal(size=(500, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    for matrix in rotation_group("icosahedral")[[3, 20, 44]]:
        assert ball.radius(directions @ matrix.T) == pytest.approx(ball.radius(directions), abs=1e-12)
    turned = Layout(*(vars(layout)[k] for k in ("directions", "chord_diameters_m", "symmetry", "order")),
                    sides=layout.sides, turns_rad=layout.turns_rad + np.pi / 6)  # fmt: skip
    assert narrowest_land(layout, D) > narrowest_land(turned, D) + 0.1e-3


def test_mirror_plane_holds_for_polygons():
    layout = spread_layout("icosahedral", 92, 5e-3, 0.1e-3, D, 1, mirror=True, sides=5)
    assert has_mirror_plane(layout)
    ball = DimpledBall(layout, 0.3e-3, D)
    directions = np.random.default_rng(2).normal(size=(500, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    # The layout's own plane is exact to some 1e-9 of a radius, and walls are at most that steep.
    assert ball.radius(directions * [1, -1, 1]) == pytest.approx(ball.radius(directions), abs=1e-9 * R)


def test_too_wide_polygons_are_refused_with_the_widest_that_fit():
    with pytest.raises(InputError, match=r"largest chord diameter found feasible is [\d.]+ mm") as caught:
        spread_layout("octahedral", 72, 9e-3, 0.1e-3, D, 1, sides=6)
    widest = float(str(caught.value).split("feasible is ")[1].split()[0]) / 1e3
    assert narrowest_land(spread_layout("octahedral", 72, widest, 0.1e-3, D, 1, sides=6), D) >= 0.1e-3 - 1e-9


def test_packed_polygons_keep_their_land():
    layout = pack_layout("octahedral", 72, 2, None, 0.1e-3, D, 1, sides=6)
    assert 0.1e-3 <= narrowest_land(layout, D) < 0.11e-3
    coverage = totals(DimpledBall(layout, 0.6e-3, D)).coverage
    sampled = np.random.default_rng(3).normal(size=(20_000, 3))
    sampled /= np.linalg.norm(sampled, axis=1, keepdims=True)
    share = np.mean(DimpledBall(layout, 0.6e-3, D).radius(sampled) < R)
    assert share == pytest.approx(coverage, abs=4 * np.sqrt(0.25 / 20_000))


def test_a_point_inside_a_polygon_may_be_deeper_in_its_neighbours_circle():
    # A small hexagon's corner reaches into the large one's circumscribed circle, in front of a side.
    angle = np.array([0.0, 0.5 + 0.12])
    centres = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    turns = np.array([0.0, np.pi / 6])  # the large one has a side there, the small one a corner
    chords = D * np.sin([0.5, 0.1])
    layout = Layout(centres, chords, "none", 1, sides=np.array([6, 6]), turns_rad=turns)
    assert narrowest_land(layout, D) > 0
    ball = DimpledBall(layout, [3.5e-3, 0.2e-3], D)
    tip = 0.62 - np.arctan(np.tan(0.1) / np.cos(np.pi / 6)) + 1e-4
    direction = np.array([[np.sin(tip), 0.0, np.cos(tip)]])
    assert ball.radius(direction)[0] < R


@given(
    st.integers(4, 8), st.sampled_from([ARC, Profile("cone", 0.5), Profile("two-radius", 0.6, 0.4)]),
    st.floats(2.5e-3, 6e-3), st.floats(0.03, 0.5), st.floats(0, 1.6),
)  # fmt: skip
@settings(deadline=None, max_examples=8)
def test_skins_of_polygons_are_watertight(sides, profile, chord, wall, turn):
    axes = np.vstack([np.eye(3), -np.eye(3)])
    layout = Layout(axes, np.full(6, chord), "none", 1, sides=np.full(6, sides), turns_rad=np.full(6, turn))
    beta = np.arcsin(chord / D)
    from pipeline.geometry.dimple.cavity import solve_cavities

    depth = solve_cavities(
        Sections.of(profile), D, chord_diameter_m=chord, edge_angle_rad=beta + wall
    ).depth_m
    ball = DimpledBall(layout, depth, D, Sections.of(profile))
    assert check_skin(skin(ball, 48), ball)["euler_number"] == 2


def test_files_carry_sides_and_turns(tmp_path):
    layout = with_sides(spread_layout("octahedral", 24, 5e-3, 0.1e-3, D, 1), 5)
    write_layout(tmp_path / "layout.csv", layout)
    again = read_layout(tmp_path / "layout.csv", D)
    assert np.array_equal(again.sides, layout.sides)
    assert again.turns_rad == pytest.approx(layout.turns_rad, abs=1e-13)
    (tmp_path / "bad.csv").write_text(
        "polar_deg,azimuth_deg,chord_diameter_mm,sides,turn_deg\n0,0,4,,\n90,0,4,3,0\n90,90,4,6,400\n"
    )
    with pytest.raises(InputError) as caught:
        read_layout(tmp_path / "bad.csv", D)
    assert [line.split(": ", 1)[1] for line in str(caught.value).splitlines()] == [
        "sides (3): must be 4 to 8, or 0 for a round dimple",
        "turn_deg (400): must be -360 to 360",
    ]
    (tmp_path / "lone.csv").write_text("polar_deg,azimuth_deg,chord_diameter_mm,turn_deg\n0,0,4,0\n")
    with pytest.raises(InputError, match="turn_deg: goes with a column sides"):
        read_layout(tmp_path / "lone.csv", D)
