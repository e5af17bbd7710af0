import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.shell.cubed_sphere import cubed_sphere


def _edges(quads):
    return np.stack([quads, np.roll(quads, -1, axis=1)], axis=-1).reshape(-1, 2)


@pytest.mark.parametrize("n", [1, 2, 7, 16])
def test_closed_surface_of_euler_number_two(n):
    directions, quads = cubed_sphere(n)
    # 6 n^2 faces of four edges, each edge shared by two, and V - E + F = 2 (Euler's formula)
    assert quads.shape == (6 * n * n, 4)
    assert directions.shape == (6 * n * n + 2, 3)
    assert len(directions) - 12 * n * n + len(quads) == 2
    assert len(cKDTree(directions).query_pairs(1e-6)) == 0
    directed = {tuple(edge) for edge in _edges(quads).tolist()}
    assert len(directed) == 24 * n * n
    assert directed == {(end, start) for start, end in directed}


@pytest.mark.parametrize("n", [1, 2, 7, 16])
def test_unit_directions_and_outward_quads_that_cover_the_sphere_once(n):
    directions, quads = cubed_sphere(n)
    assert np.allclose(np.linalg.norm(directions, axis=1), 1.0, atol=1e-15)
    # Solid angle of a spherical quadrilateral: the sum of its angles less 2 pi (Girard's theorem); the whole
    # sphere is 4 pi.
    corners = directions[quads]
    before, after = np.roll(corners, 1, axis=1), np.roll(corners, -1, axis=1)
    left, right = np.cross(corners, after), np.cross(corners, before)
    turn = np.einsum("qkd,qkd->qk", np.cross(left, right), corners)
    angles = np.arctan2(turn, np.einsum("qkd,qkd->qk", left, right))
    assert (angles > 0).all()
    excess = angles.sum(axis=1) - 2 * np.pi
    assert (excess > 0).all()
    assert excess.sum() == pytest.approx(4 * np.pi, rel=1e-12)


def test_every_rotation_of_the_cube_maps_the_nodes_onto_themselves():
    directions = cubed_sphere(6)[0]
    tree = cKDTree(directions)
    for matrix in rotation_group("octahedral"):
        distance, image = tree.query(directions @ matrix.T)
        assert distance.max() < 1e-14
        assert len(set(image)) == len(directions)


def test_nodes_lie_at_equal_angles_along_the_middle_of_a_face():
    # Equiangular projection (Ronchi, Iacono & Paolucci 1996): steps of 90 deg / n along the great circles
    # through the middle of a face.
    n = 10
    directions = cubed_sphere(n)[0]
    equator = directions[np.abs(directions[:, 2]) < 1e-12]
    azimuths = np.sort(np.degrees(np.arctan2(equator[:, 1], equator[:, 0])))
    assert len(azimuths) == 4 * n
    assert np.allclose(np.diff(azimuths), 90 / n, atol=1e-12)


def test_faces_come_one_after_the_other():
    n = 5
    directions, quads = cubed_sphere(n)
    centres = directions[quads].mean(axis=1).reshape(6, n * n, 3)
    axes = np.argmax(np.abs(centres), axis=2)
    assert (axes == axes[:, :1]).all()
    assert len({(int(a[0]), bool(c[0, a[0]] > 0)) for a, c in zip(axes, centres, strict=True)}) == 6


def test_needs_a_quadrilateral():
    with pytest.raises(ValueError, match="n >= 1, not 0"):
        cubed_sphere(0)
