"""Skin: the ball's surface as triangles, its checks, and its files for other programs."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.files.meshes import write_surface_mesh
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.layout.seam import MOULD_PLANE
from pipeline.geometry.shell.cubed_sphere import cubed_sphere
from pipeline.geometry.shell.edge_nodes import edge_fitted, edges_fitted

VOLUME_TOLERANCE = 0.002


@dataclass(frozen=True)
class Skin:
    """Triangulated surface.

    Attributes
    ----------
    points : ndarray, shape (p, 3)
        Corners [m].
    triangles : ndarray of int, shape (t, 3)
        Indices of corners, counter-clockwise seen from outside.
    edges_fitted : bool or None
        Whether corners lie on the dimples' edges (`edge_nodes.edges_fitted`).
    """

    points: FloatArray
    triangles: IntArray
    edges_fitted: bool | None = None


def skin(ball: DimpledBall, n: int) -> Skin:
    """Skin of a ball on a cubed sphere whose nodes lie on the dimples' edges where the grid stays good.

    Parameters
    ----------
    ball : DimpledBall
        The ball.
    n : int
        Quadrilaterals along an edge of the cube, at least 1; each is cut along the diagonal that joins two
        nodes on one dimple's edge, else along the one that is shorter on the phantom sphere, so that all
        depths of a layout get the same triangles.

    Returns
    -------
    Skin
        6 n^2 + 2 points on the ball and 12 n^2 triangles.
    """
    grid, quads = cubed_sphere(n)
    directions, dimple = edge_fitted(grid, quads, ball.layout, ball.ball_diameter_m)
    triangles = _triangles(directions, quads, dimple)
    fitted = edges_fitted(ball.layout, dimple)
    return Skin(ball.radius(directions)[:, None] * directions, triangles, fitted)


def half_skins(ball: DimpledBall, n: int) -> tuple[Skin, Skin]:
    """Closed skins of a ball's halves above and below its seam, or the plane z = 0 where it has none.

    The grid's equator is moved onto the seam, latitudes in proportion, and its nodes stay there; the halves
    end in triangles from the seam to the ball's centre, flat where the seam is straight.

    Parameters
    ----------
    ball : DimpledBall
        The ball.
    n : int
        Quadrilaterals along an edge of the cube; even, so that the equator is a line of the grid.

    Returns
    -------
    upper, lower : Skin
        Their common nodes, on the seam and at the centre, are the same.

    Raises
    ------
    ValueError
        If n is odd.
    InputError
        If the skins are too coarse for the ball's volume.
    """
    if n % 2:
        raise ValueError(f"halves need an even n, not {n}")
    seam = ball.layout.seam or MOULD_PLANE
    grid, quads = cubed_sphere(n)
    x, y, z = grid.T
    equator = np.flatnonzero(np.abs(z) < 1e-12)
    azimuth, latitude = np.arctan2(y, x), np.where(np.abs(z) < 1e-12, 0.0, np.arcsin(np.clip(z, -1, 1)))
    latitude = latitude + seam.latitude(azimuth) * (1 - np.abs(latitude) / (np.pi / 2))
    level = np.cos(latitude)
    warped = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(latitude)], axis=1)
    warped[equator, 2] = np.where(seam.waves == 0, 0.0, warped[equator, 2])
    directions, dimple = edge_fitted(warped, quads, ball.layout, ball.ball_diameter_m, equator)
    points = np.vstack([ball.radius(directions)[:, None] * directions, np.zeros(3)])
    above = grid[quads, 2].mean(axis=1) > 0
    triangles = _triangles(directions, quads, dimple)
    check_skin(Skin(points[:-1], triangles), ball)
    parts = []
    for side in (above, ~above):
        own = triangles[np.repeat(side, 2)]
        start, end = own.ravel(), np.roll(own, -1, axis=1).ravel()
        open_edge = ~np.isin(start * len(points) + end, end * len(points) + start)
        fan = np.stack([end[open_edge], start[open_edge], np.full(open_edge.sum(), len(points) - 1)], axis=1)
        used, inverse = np.unique(np.concatenate([own, fan]), return_inverse=True)
        part = Skin(points[used], inverse.reshape(-1, 3))
        if _check_edges(part) != 2:
            raise ValueError("half of a skin is not closed")
        parts.append(part)
    return parts[0], parts[1]


def _triangles(directions: FloatArray, quads: IntArray, dimple: IntArray) -> IntArray:
    """Triangles of a grid's quadrilaterals, shape (2 q, 3), cut as `skin` says."""
    corners = directions[quads]
    first = np.sum((corners[:, 2] - corners[:, 0]) ** 2, axis=1)
    second = np.sum((corners[:, 3] - corners[:, 1]) ** 2, axis=1)
    # Rounding must not decide between equal diagonals, or the skin would lose the cube's symmetry.
    shorter = second < first * (1 - 1e-9)
    of = dimple[quads]
    edge_first, edge_second = ((of[:, k] >= 0) & (of[:, k] == of[:, k + 2]) for k in (0, 1))
    turned = np.where(
        (np.where(edge_first == edge_second, shorter, edge_second))[:, None],
        np.roll(quads, -1, axis=1),
        quads,
    )
    return np.stack([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]], axis=1).reshape(-1, 3)


def check_skin(skin: Skin, ball: DimpledBall) -> dict[str, int | float | bool | None]:
    """Check that a skin is watertight and encloses the ball's volume.

    Closed, wound consistently, in one piece, of Euler number 2 and free of degenerate triangles; every
    triangle faces away from the ball's centre and their solid angles add up to one full sphere, so that the
    skin covers each direction once and cannot intersect itself; the enclosed volume is within 0.2 % of the
    analytic one.

    Parameters
    ----------
    skin : Skin
        The skin, around the origin.
    ball : DimpledBall
        The ball that it stands for.

    Returns
    -------
    dict
        ``points``, ``triangles``, ``euler_number``, ``enclosed_volume_m3``, its relative ``volume_error``,
        and ``edges_fitted``.

    Raises
    ------
    ValueError
        If the skin is not watertight: a fault of the program that made it.
    InputError
        If it is watertight, but too coarse for its volume.
    """
    euler = _check_edges(skin)
    if euler != 2:
        raise ValueError(f"skin has Euler number {euler}, not 2: it is not a single sphere")
    volume = _check_facing(skin)
    analytic = totals(ball).enclosed_volume_m3
    error = volume / analytic - 1
    if abs(error) > VOLUME_TOLERANCE:
        raise InputError(
            f"skin of {len(skin.triangles)} triangles: its volume is {100 * error:+.2f} % off the ball's "
            f"({100 * VOLUME_TOLERANCE:g} % is allowed); more triangles are needed"
        )
    return {
        "points": len(skin.points),
        "triangles": len(skin.triangles),
        "euler_number": euler,
        "enclosed_volume_m3": volume,
        "volume_error": error,
        "edges_fitted": skin.edges_fitted,
    }


def write_skin(path: Path, skin: Skin) -> None:
    """Write a skin in mm as binary STL (single precision) or PLY (double), by the name's ending.

    Parameters
    ----------
    path : Path
        File to write; its folder is made when missing.
    skin : Skin
        The skin.
    """
    write_surface_mesh(path, skin.points * 1e3, skin.triangles)


def _check_edges(skin: Skin) -> int:
    """Euler number of a skin that is closed, wound consistently and in one piece."""
    triangles, n = skin.triangles, len(skin.points)
    if (triangles == np.roll(triangles, 1, axis=1)).any():
        raise ValueError("skin has a degenerate triangle: two of its corners are the same point")
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    directed = np.sort(start * n + end)
    if (directed[1:] == directed[:-1]).any():
        raise ValueError("skin is not wound consistently: two triangles pass an edge in the same direction")
    if not np.array_equal(directed, np.sort(end * n + start)):
        raise ValueError("skin is not closed: an edge has one triangle only")
    links = coo_array((np.ones(len(start), dtype=bool), (start, end)), shape=(n, n))
    pieces = connected_components(links, directed=False, return_labels=False)
    if pieces != 1:
        raise ValueError(f"skin is in {pieces} pieces, or has points without triangles")
    return n - len(start) // 2 + len(triangles)


def _check_facing(skin: Skin) -> float:
    """Enclosed volume [m^3] of a skin whose triangles all face away from the origin, once around it."""
    corners = skin.points[skin.triangles]
    twice_area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    if (twice_area < 1e-6 * longest**2).any():
        raise ValueError("skin has a degenerate triangle: its corners lie on a line")
    triple = _triple_products(skin)
    if (triple <= 0).any():
        raise ValueError("skin has a triangle that faces the ball's centre: it is inside out or folded")
    # Solid angle of a triangle: Van Oosterom & Strackee 1983, IEEE Trans. Biomed. Eng. 30:125-126.
    a, b, c = np.moveaxis(corners, 1, 0)
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    below = la * lb * lc + _dot(a, b) * lc + _dot(b, c) * la + _dot(c, a) * lb
    turns = np.sum(2 * np.arctan2(triple, below)) / (4 * np.pi)
    if abs(turns - 1) > 1e-6:
        raise ValueError(f"skin covers each direction {turns:.3f} times, not once: it intersects itself")
    return float(triple.sum() / 6)


def _triple_products(skin: Skin) -> FloatArray:
    """Six times the volume between the origin and each triangle, shape (t,)."""
    a, b, c = np.moveaxis(skin.points[skin.triangles], 1, 0)
    return _dot(a, np.cross(b, c))


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.sum(a * b, axis=1))
