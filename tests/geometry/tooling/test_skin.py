import struct

import meshio
import numpy as np
import pytest
import pyvista
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.layout.seam import make_seam
from pipeline.geometry.tooling.skin import (
    Skin,
    check_skin,
    half_skins,
    skin,
    write_skin,
)

D = 42.7e-3


def enclosed_volume(skin):
    """By the divergence theorem."""
    a, b, c = np.moveaxis(skin.points[skin.triangles], 1, 0)
    return np.einsum("td,td->", a, np.cross(b, c)) / 6


@pytest.fixture(scope="module")
def ball():
    return DimpledBall(spread_layout("icosahedral", 332, 3.6e-3, 0.1e-3, D, seed=1), 0.25e-3, D)


@pytest.fixture(scope="module")
def smooth():
    return DimpledBall(smooth_layout(), np.empty(0), D)


@pytest.fixture(scope="module")
def good(ball):
    return skin(ball, 48)


def test_skin_of_a_dimpled_ball_is_watertight(ball, good):
    found = check_skin(good, ball)
    # Euler's formula for a triangulated sphere: F = 2 V - 4
    assert found["euler_number"] == 2
    assert found["points"] == 6 * 48**2 + 2
    assert found["triangles"] == 2 * found["points"] - 4
    assert abs(found["volume_error"]) < 0.002
    assert found["enclosed_volume_m3"] == pytest.approx(totals(ball).enclosed_volume_m3, rel=0.002)


def test_points_lie_on_the_ball(ball, good):
    lengths = np.linalg.norm(good.points, axis=1)
    assert lengths == pytest.approx(ball.radius(good.points / lengths[:, None]), rel=1e-12)


@settings(deadline=None, max_examples=15)
@given(st.floats(2e-3, 12e-3), st.floats(0.02, 0.98), st.sampled_from([32, 47]))
def test_watertight_over_the_feasible_depths(chord, share, n):
    beta = np.arcsin(chord / D)
    flat = D / 2 * (1 - np.cos(beta))
    depth = flat + share * chord / 2 * np.tan((np.pi / 2 - beta) / 2)
    layout = Layout(np.vstack([np.eye(3), -np.eye(3)]), np.full(6, chord), "octahedral", 24)
    ball = DimpledBall(layout, depth, D)
    try:
        assert check_skin(skin(ball, n), ball)["euler_number"] == 2
    except InputError as error:  # deep cavities on coarse skins may miss the volume, and nothing else
        assert "its volume is" in str(error)
        assert check_skin(skin(ball, 8 * n), ball)["euler_number"] == 2


def test_smooth_skin_s_volume_converges_with_the_second_order(smooth):
    # The volume of a polyhedron inscribed in a sphere falls short by a term of the second order in the edge
    # length (elementary): halving it divides the error by four.
    phantom = np.pi * D**3 / 6
    errors = [1 - enclosed_volume(skin(smooth, n)) / phantom for n in (16, 32, 64)]
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.05)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.05)


def test_dimple_volume_converges(ball, smooth):
    # The volume missing between the phantom sphere and a dimpled skin on the same nodes, against the closed
    # form. Facets between nodes on the edges lie above the hollow: the mean error of bilinear interpolation,
    # h^2/12 times the Laplacian, is (2/3)(h/a)^2 of a paraboloid of edge radius a [computed].
    exact = totals(ball).dimple_volume_m3
    for n in (32, 64, 128, 256):
        found = skin(ball, n)
        sphere = found.points / np.linalg.norm(found.points, axis=1, keepdims=True) * D / 2
        missing = enclosed_volume(Skin(sphere, found.triangles)) - enclosed_volume(found)
        expected = 2 / 3 * (np.pi / 2 / n / (ball.layout.chord_diameters_m[0] / D)) ** 2
        assert 0 < 1 - missing / exact < expected


@pytest.mark.parametrize("shape", [None, ("straight",), ("undulating", 0.06, 5)])
def test_halves_close_at_the_seam_and_add_up(shape):
    seam = None if shape is None else make_seam(shape[0], "dihedral-5", *shape[1:])
    places = rotation_group("dihedral-5") @ np.array([0.64, 0.48, 0.6])
    layout = Layout(places, np.full(10, 4e-3), "dihedral-5", 10, seam=seam)
    if seam is None:  # two dimples across the plane
        places = np.vstack([places, [[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0]]])
        layout = Layout(places, np.full(12, 4e-3), "none", 1)
    ball = DimpledBall(layout, 0.3e-3, D)
    upper, lower = half_skins(ball, 48)
    # Euler's formula for a closed surface, F = 2 V - 4, for each half.
    for part in (upper, lower):
        assert len(part.triangles) == 2 * len(part.points) - 4
    volumes = [enclosed_volume(part) for part in (upper, lower)]
    assert sum(volumes) == pytest.approx(totals(ball).enclosed_volume_m3, rel=0.002)
    # Two-fold axes swap the halves.
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-4)
    shared = {tuple(point) for point in upper.points} & {tuple(point) for point in lower.points}
    rim = np.array([point for point in shared if np.linalg.norm(point) > 0])
    assert len(rim) == 4 * 48
    if shape is not None:
        # On the seam, which no dimple reaches: the phantom sphere's radius, at the seam's latitude.
        assert np.linalg.norm(rim, axis=1) == pytest.approx(D / 2, rel=1e-14)
        amplitude, waves = shape[1:] or (0.0, 0)
        latitude = amplitude * np.sin(waves * np.arctan2(rim[:, 1], rim[:, 0]))
        assert np.arcsin(rim[:, 2] / (D / 2)) == pytest.approx(latitude, abs=1e-12)
    else:
        assert (rim[:, 2] == 0).all()


def test_halves_need_an_even_grid(ball):
    with pytest.raises(ValueError, match="even"):
        half_skins(ball, 33)


def test_same_triangles_for_every_depth(ball, good):
    deeper = skin(DimpledBall(ball.layout, 0.3e-3, D), 48)
    assert np.array_equal(deeper.triangles, good.triangles)


def test_quads_are_cut_along_their_shorter_diagonal(smooth):
    found = skin(smooth, 12)
    corners = found.points[found.triangles]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    longest, others = sides.max(axis=1), np.sort(sides, axis=1)[:, :2]
    # by the law of cosines the largest angle of a triangle from a quad so cut is not much beyond 90 deg
    cosine = (np.sum(others**2, axis=1) - longest**2) / (2 * np.prod(others, axis=1))
    assert np.degrees(np.arccos(cosine)).max() < 95


def test_a_skin_too_coarse_for_the_volume_is_refused(ball):
    with pytest.raises(InputError, match=r"768 triangles: its volume is -\d\.\d\d % off .*more triangles"):
        check_skin(skin(ball, 8), ball)


def _without(good, index):
    return Skin(good.points, np.delete(good.triangles, index, axis=0))


def _with_triangle(good, index, corners):
    triangles = good.triangles.copy()
    triangles[index] = corners
    return Skin(good.points, triangles)


def test_a_hole_is_found(ball, good):
    with pytest.raises(ValueError, match="not closed"):
        check_skin(_without(good, 100), ball)


def test_a_triangle_wound_the_wrong_way_is_found(ball, good):
    with pytest.raises(ValueError, match="not wound consistently"):
        check_skin(_with_triangle(good, 100, good.triangles[100][::-1]), ball)


def test_a_triangle_given_twice_is_found(ball, good):
    twice = Skin(good.points, np.vstack([good.triangles, good.triangles[:1]]))
    with pytest.raises(ValueError, match="not wound consistently"):
        check_skin(twice, ball)


def test_an_inside_out_skin_is_found(ball, good):
    with pytest.raises(ValueError, match="faces the ball's centre"):
        check_skin(Skin(good.points, good.triangles[:, ::-1]), ball)


def test_a_triangle_with_a_corner_twice_is_found(ball, good):
    a, b, _ = good.triangles[100]
    with pytest.raises(ValueError, match="degenerate"):
        check_skin(_with_triangle(good, 100, [a, b, b]), ball)


def test_a_triangle_without_area_is_found(ball, good):
    points = good.points.copy()
    a, b, c = good.triangles[100]
    points[c] = (points[a] + points[b]) / 2
    with pytest.raises(ValueError, match="on a line"):
        check_skin(Skin(points, good.triangles), ball)


def test_two_pieces_are_found(ball, good):
    both = Skin(
        np.vstack([good.points, 2 * good.points]),
        np.vstack([good.triangles, good.triangles + len(good.points)]),
    )
    with pytest.raises(ValueError, match="2 pieces"):
        check_skin(both, ball)


def test_a_point_without_triangles_is_found(ball, good):
    with pytest.raises(ValueError, match="points without triangles"):
        check_skin(Skin(np.vstack([good.points, [[0.0, 0.0, 1.0]]]), good.triangles), ball)


def test_a_torus_is_found(ball):
    # A torus of 8 x 8 quads is closed, wound consistently and in one piece; its Euler number is 0.
    i, j = np.meshgrid(np.arange(8), np.arange(8), indexing="ij")
    u, v = 2 * np.pi * i / 8, 2 * np.pi * j / 8
    points = np.stack([(2 + np.cos(v)) * np.cos(u), (2 + np.cos(v)) * np.sin(u), np.sin(v)], axis=-1)
    node = lambda a, b: (a % 8) * 8 + b % 8  # noqa: E731
    a, b, c, d = node(i, j), node(i + 1, j), node(i + 1, j + 1), node(i, j + 1)
    triangles = np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
    )
    with pytest.raises(ValueError, match="Euler number 0"):
        check_skin(Skin(points.reshape(-1, 3), triangles), ball)


def test_a_fold_is_found(ball, good):
    # A node pushed past its neighbours turns some of its triangles over.
    points = good.points.copy()
    a, b, _ = good.triangles[100]
    points[a] = points[b] + 3 * (points[b] - points[a])
    with pytest.raises(ValueError, match="folded"):
        check_skin(Skin(points, good.triangles), ball)


def test_a_surface_that_covers_the_sphere_twice_is_found(ball):
    # A double cover of the octahedron, branched at its two poles: two sheets joined along a cut. Closed,
    # wound consistently, in one piece, Euler number 2 (V 10, E 24, F 16), every triangle outward.
    ring = [[np.cos(a), np.sin(a), 0.0] for a in np.arange(8) * np.pi / 2]
    points = np.array([*ring, [0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    k = np.arange(8)
    upper = np.stack([k, (k + 1) % 8, np.full(8, 8)], axis=1)
    lower = np.stack([(k + 1) % 8, k, np.full(8, 9)], axis=1)
    with pytest.raises(ValueError, match=r"2\.000 times"):
        check_skin(Skin(points, np.vstack([upper, lower])), ball)


def test_stl_reads_back_in_mm(good, tmp_path):
    path = tmp_path / "new" / "skin.stl"
    write_skin(path, good)
    data = path.read_bytes()
    # Binary STL: 80 bytes of header, a count, 50 bytes a triangle [memory, the format's common description]
    assert len(data) == 84 + 50 * len(good.triangles)
    assert struct.unpack("<I", data[80:84])[0] == len(good.triangles)
    assert not data.startswith(b"solid")  # that word begins an ASCII file
    mesh = pyvista.read(path)  # another library than the one that writes
    corners = mesh.points[mesh.faces.reshape(-1, 4)[:, 1:]]
    assert corners == pytest.approx(1e3 * good.points[good.triangles], abs=2e-6)
    # corners that are shared must be the same numbers in every triangle, or the file would not be closed
    assert len(np.unique(mesh.points, axis=0)) == len(good.points)
    normals = np.frombuffer(data[84:], dtype=np.dtype([("n", "<f4", 3), ("rest", "V38")]))["n"]
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-6)
    assert (np.einsum("td,td->t", normals, corners.mean(axis=1)) > 0).all()


def test_ply_reads_back_exactly_in_mm(ball, tmp_path):
    coarse = skin(ball, 24)
    path = tmp_path / "skin.ply"
    write_skin(path, coarse)
    read = pyvista.read(path)  # another library than the one that writes, in single precision
    assert read.points == pytest.approx(coarse.points * 1e3, abs=2e-6)
    assert np.array_equal(read.faces.reshape(-1, 4)[:, 1:], coarse.triangles)
    mesh = meshio.read(path)
    assert np.array_equal(mesh.points, coarse.points * 1e3)
    assert np.array_equal(mesh.cells_dict["triangle"], coarse.triangles)
    again = Skin(mesh.points / 1e3, mesh.cells_dict["triangle"].astype(np.int64))
    assert check_skin(again, ball)["euler_number"] == 2
