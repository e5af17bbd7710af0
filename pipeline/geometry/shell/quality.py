"""Quality of a shell mesh, by the definitions of the solver's own mesh check."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.arrays import FloatArray
from pipeline.geometry.shell.mesh import Shell
from pipeline.geometry.shell.poly_mesh import Faces
from pipeline.records.geometry import MeshQuality

ROUNDING = 1e-150


def face_geometry(points: FloatArray, corners: NDArray[np.int32]) -> tuple[FloatArray, FloatArray]:
    """Centres and vector areas of faces, from their triangles around the corners' mean.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        Node positions.
    corners : ndarray of int, shape (f, 4) or (f, 5)
        Corners in order; negative for the fifth of a face that has four.

    Returns
    -------
    centres, areas : ndarray, shape (f, 3)
        Area-weighted centre and vector area (right-hand rule).
    """
    return _face_geometry(points, corners)


def cell_geometry(
    faces: Faces, centres: FloatArray, areas: FloatArray, cells: int
) -> tuple[FloatArray, FloatArray]:
    """Centres and volumes of cells, from the pyramids over their faces around the mean face centre.

    Parameters
    ----------
    faces : Faces
        Topology.
    centres, areas : ndarray, shape (f, 3)
        From `face_geometry`.
    cells : int
        Number of cells.

    Returns
    -------
    centres : ndarray, shape (cells, 3)
    volumes : ndarray, shape (cells,)
        Negative for a cell turned inside out.
    """
    return _cell_geometry(faces.owner, faces.neighbour, centres, areas, cells)


def mesh_quality(shell: Shell, faces: Faces) -> MeshQuality:
    """Largest non-orthogonality and skewness of the internal faces, and the smallest cell volume.

    Parameters
    ----------
    shell : Shell
        The mesh.
    faces : Faces
        `shell_faces(shell)`.

    Returns
    -------
    MeshQuality
        max_non_orthogonality_deg (between a face's normal and the line of its cells' centres), max_skewness
        (distance from the face's centre to that line, over the face's half width that way, at least a fifth
        of the line), min_volume (in cubic diameters; negative for a broken mesh), cells.
    """
    centres, areas = face_geometry(shell.points, faces.corners)
    cell_centres, volumes = cell_geometry(faces, centres, areas, shell.cells)
    cosine, skewness = _face_quality(
        shell.points, faces.corners, faces.owner, faces.neighbour, centres, areas, cell_centres
    )
    return MeshQuality(
        max_non_orthogonality_deg=float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))),
        max_skewness=float(skewness),
        min_volume=float(volumes.min()),
        cells=shell.cells,
    )


# Compiled loops: a shell has millions of faces; arrays of all that happens to each would not fit the cache.
@njit(cache=True)
def _corners_of(corners: NDArray[np.int32], face: int) -> int:
    """Corners that a face has, of as many as there is room for."""
    return 5 if corners.shape[1] == 5 and corners[face, 4] >= 0 else 4


@njit(cache=True)
def _face_geometry(points: FloatArray, corners: NDArray[np.int32]) -> tuple[FloatArray, FloatArray]:
    count = len(corners)
    centres, areas = np.empty((count, 3)), np.empty((count, 3))
    middle, one, two, moment, total = np.empty(3), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for f in range(count):
        sides = _corners_of(corners, f)
        for k in range(3):
            middle[k] = 0.0
            for corner in range(sides):
                middle[k] += points[corners[f, corner], k]
            middle[k] /= sides
        weight = 0.0
        moment[:], total[:] = 0.0, 0.0
        for side in range(sides):
            a, b = corners[f, side], corners[f, (side + 1) % sides]
            for k in range(3):
                one[k], two[k] = points[b, k] - points[a, k], middle[k] - points[a, k]
            x = 0.5 * (one[1] * two[2] - one[2] * two[1])
            y = 0.5 * (one[2] * two[0] - one[0] * two[2])
            z = 0.5 * (one[0] * two[1] - one[1] * two[0])
            size = np.sqrt(x * x + y * y + z * z)
            total[0] += x
            total[1] += y
            total[2] += z
            weight += size
            for k in range(3):
                moment[k] += size * (points[a, k] + points[b, k] + middle[k]) / 3.0
        for k in range(3):
            centres[f, k] = moment[k] / max(weight, ROUNDING)
            areas[f, k] = total[k]
    return centres, areas


@njit(cache=True)
def _cell_geometry(
    owner: NDArray[np.int32], neighbour: NDArray[np.int32], centres: FloatArray, areas: FloatArray, cells: int
) -> tuple[FloatArray, FloatArray]:
    internal = len(neighbour)
    middle, uses = np.zeros((cells, 3)), np.zeros(cells)
    for f in range(len(owner)):
        for side in range(2 if f < internal else 1):
            cell = owner[f] if side == 0 else neighbour[f]
            uses[cell] += 1.0
            for k in range(3):
                middle[cell, k] += centres[f, k]
    for cell in range(cells):
        for k in range(3):
            middle[cell, k] /= uses[cell]
    volumes, moment = np.zeros(cells), np.zeros((cells, 3))
    for f in range(len(owner)):
        for side in range(2 if f < internal else 1):
            cell = owner[f] if side == 0 else neighbour[f]
            pyramid = 0.0
            for k in range(3):
                pyramid += areas[f, k] * (centres[f, k] - middle[cell, k]) / 3.0
            if side == 1:
                pyramid = -pyramid
            volumes[cell] += pyramid
            for k in range(3):
                moment[cell, k] += pyramid * (0.75 * centres[f, k] + 0.25 * middle[cell, k])
    for cell in range(cells):
        for k in range(3):
            moment[cell, k] = moment[cell, k] / volumes[cell] if abs(volumes[cell]) > ROUNDING else 0.0
    return moment, volumes


@njit(cache=True)
def _face_quality(
    points: FloatArray,
    corners: NDArray[np.int32],
    owner: NDArray[np.int32],
    neighbour: NDArray[np.int32],
    centres: FloatArray,
    areas: FloatArray,
    cell_centres: FloatArray,
) -> tuple[float, float]:
    """Least cosine of the angle between normal and line of centres, and largest skewness."""
    least, most = 1.0, 0.0
    line, offset = np.empty(3), np.empty(3)
    for f in range(len(neighbour)):
        along = square = size = reach = 0.0
        for k in range(3):
            line[k] = cell_centres[neighbour[f], k] - cell_centres[owner[f], k]
            along += line[k] * areas[f, k]
            square += line[k] * line[k]
            size += areas[f, k] * areas[f, k]
            reach += areas[f, k] * (centres[f, k] - cell_centres[owner[f], k])
        least = min(least, along / max(np.sqrt(square * size), ROUNDING))
        distance = 0.0
        for k in range(3):
            offset[k] = centres[f, k] - cell_centres[owner[f], k]
            if along != 0.0:
                offset[k] -= reach / along * line[k]
            distance += offset[k] * offset[k]
        distance = np.sqrt(distance)
        width = 0.2 * np.sqrt(square)
        for corner in range(_corners_of(corners, f)):
            towards = 0.0
            for k in range(3):
                towards += offset[k] * (points[corners[f, corner], k] - centres[f, k])
            width = max(width, abs(towards) / max(distance, ROUNDING))
        most = max(most, distance / max(width, ROUNDING))
    return least, most
