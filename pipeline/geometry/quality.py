"""Quality of a shell mesh, by the definitions of the solver's own mesh check."""

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.poly_mesh import Faces
from pipeline.geometry.shell import Shell

Floats = NDArray[np.float64]

ROUNDING = 1e-150


def face_geometry(points: Floats, corners: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Centres and vector areas of quadrilateral faces, from their triangles around the corners' mean.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        Node positions.
    corners : ndarray of int, shape (f, 4)
        Corners in order.

    Returns
    -------
    centres, areas : ndarray, shape (f, 3)
        Area-weighted centre and vector area (right-hand rule).
    """
    vertex = points[corners]
    middle = vertex.mean(axis=1)
    total = np.zeros_like(middle)
    weight = np.zeros(len(corners))
    moment = np.zeros_like(middle)
    for k in range(4):
        a, b = vertex[:, k], vertex[:, (k + 1) % 4]
        area = 0.5 * np.cross(b - a, middle - a)
        size = np.linalg.norm(area, axis=1)
        total += area
        weight += size
        moment += size[:, None] * (a + b + middle) / 3.0
    return moment / np.maximum(weight, ROUNDING)[:, None], total


def cell_geometry(faces: Faces, centres: Floats, areas: Floats, cells: int) -> tuple[Floats, Floats]:
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
    internal = len(faces.neighbour)
    cell = np.concatenate([faces.owner, faces.neighbour])
    face = np.concatenate([np.arange(len(faces.owner)), np.arange(internal)])
    sign = np.concatenate([np.ones(len(faces.owner)), -np.ones(internal)])

    def gather(values: Floats) -> Floats:
        return np.stack([np.bincount(cell, values[:, k], cells) for k in range(3)], axis=1)

    middle = gather(centres[face]) / np.bincount(cell, minlength=cells)[:, None]
    volume = sign * np.sum(areas[face] * (centres[face] - middle[cell]), axis=1) / 3.0
    volumes: Floats = np.bincount(cell, volume, cells).astype(np.float64)
    moment = gather(volume[:, None] * (0.75 * centres[face] + 0.25 * middle[cell]))
    return moment / np.where(np.abs(volumes) > ROUNDING, volumes, np.inf)[:, None], volumes


def mesh_quality(shell: Shell, faces: Faces) -> dict[str, float]:
    """Largest non-orthogonality and skewness of the internal faces, and the smallest cell volume.

    Parameters
    ----------
    shell : Shell
        The mesh.
    faces : Faces
        `shell_faces(shell)`.

    Returns
    -------
    dict
        max_non_orthogonality_deg (between a face's normal and the line of its cells' centres), max_skewness
        (distance from the face's centre to that line, over the face's half width that way, at least a fifth
        of the line), min_volume (in cubic diameters; negative for a broken mesh), cells.
    """
    centres, areas = face_geometry(shell.points, faces.corners)
    cell_centres, volumes = cell_geometry(faces, centres, areas, shell.cells)
    internal = len(faces.neighbour)
    owner, centre, area = faces.owner[:internal], centres[:internal], areas[:internal]
    line = cell_centres[faces.neighbour] - cell_centres[owner]
    along = np.sum(line * area, axis=1)
    length = np.linalg.norm(line, axis=1)
    cosine = along / np.maximum(length * np.linalg.norm(area, axis=1), ROUNDING)
    reach = centre - cell_centres[owner]
    offset = reach - (np.sum(area * reach, axis=1) / along)[:, None] * line
    distance = np.linalg.norm(offset, axis=1)
    direction = offset / np.maximum(distance, ROUNDING)[:, None]
    width = 0.2 * length
    for k in range(4):
        vertex = shell.points[faces.corners[:internal, k]]
        width = np.maximum(width, np.abs(np.sum(direction * (vertex - centre), axis=1)))
    return {
        "max_non_orthogonality_deg": float(np.degrees(np.arccos(np.clip(cosine.min(), -1.0, 1.0)))),
        "max_skewness": float((distance / width).max()),
        "min_volume": float(volumes.min()),
        "cells": shell.cells,
    }
