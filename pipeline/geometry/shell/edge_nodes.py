"""Nodes on the dimples' edges: a grid on the sphere moved along it, so that its facets keep edges sharp.

Where an edge of the grid crosses the edge of a dimple, the nearer of its two nodes is moved onto the dimple's
edge, and may slide along it; the other nodes follow by harmonic displacements. No line of the grid crosses a
dimple's edge then, and a facet lies in a dimple or on the land. Nodes that would spoil the grid are left
where they were (land or dimples too small for the grid, cells that would become too skew), the edge smeared
over a cell. Only the layout matters, so all depths of a pattern get one grid.
"""

import numpy as np
from scipy.sparse import coo_array, diags_array
from scipy.spatial import cKDTree

from pipeline.arrays import FloatArray, IntArray
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.dimple.cavity import edge_half_angle
from pipeline.geometry.dimple.perimeter import Perimeters
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.layout.mirror import has_mirror_plane

SWEEPS, MORE_SWEEPS = 40, 6
"""Jacobi sweeps of the displacements, at first and after nodes were let go: they reach some cells far."""

ROUNDS = 25
"""Rounds of letting nodes go at most; a few are enough."""

SHORTEST = 0.35
"""Nodes on different dimples' edges are kept apart by this share of the grid's mean spacing."""

WORST_ANGLE_RAD = np.radians(42.0)
"""Largest angle between the normal of a grid line and the line between its cells' centres. The shell may have
55 deg; the slope of the dimples' walls takes the rest."""

WORST_OFFSET = 0.9
"""Largest distance of that line from the middle of the grid line, over half the grid line's length."""

SMALLEST_CORNER = 0.08
"""Least sine-weighted size of a cell's corner, over the mean cell's area: no cell may fold or collapse."""

HARDLY = 0.01
"""A share of the grid's mean spacing: cells whose nodes moved less are as good as they were."""

MOST_FACTOR = 1.3
"""With 3 cells across a dimple facets miss a quarter of its volume; a coarser grid has no dimples to fit."""

ON_PLANE = 1e-12


def edge_fitted(
    directions: FloatArray,
    quads: IntArray,
    layout: Layout,
    ball_diameter_m: float,
    pinned: IntArray | None = None,
) -> tuple[FloatArray, IntArray]:
    """Move nodes of a grid on the sphere onto the edges of dimples.

    Parameters
    ----------
    directions : ndarray, shape (p, 3)
        Unit vectors of the nodes.
    quads : ndarray of int, shape (q, 4)
        Corners of the cells; of half a sphere (y >= 0) too.
    layout : Layout
        The dimples. Where the plane y = 0 mirrors them, nodes on it stay on it.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    pinned : ndarray of int, shape (k,), optional
        Nodes that stay where they are, those of a seam for instance.

    Returns
    -------
    directions : ndarray, shape (p, 3)
        Moved nodes, in their order.
    dimple : ndarray of int, shape (p,)
        Dimple on whose edge a node lies, -1 for none. When cells are still spoilt after `ROUNDS` rounds, no
        node lies on an edge and the grid is as it was (`edges_fitted`).
    """
    if len(layout.directions) == 0:
        return directions, np.full(len(directions), -1)
    grid = _Grid(directions, quads, has_mirror_plane(layout))
    grid.pinned = grid.pinned if pinned is None else pinned
    beta = edge_half_angle(layout.chord_diameters_m, ball_diameter_m)
    dimple, distance = _nearest_to_edges(grid, layout.perimeters, beta)
    moved, sweeps = directions, SWEEPS
    for _ in range(ROUNDS):
        moved = _relaxed(grid, dimple, layout.perimeters, beta, moved, sweeps)
        sweeps = MORE_SWEEPS
        spoilt = _spoilt(grid, moved, dimple)
        if not len(spoilt):
            return moved, dimple
        dimple[_to_let_go(grid, spoilt, dimple, distance)] = -1
    return directions, np.full(len(directions), -1)


def edges_fitted(layout: Layout, dimple: IntArray) -> bool | None:
    """Whether `edge_fitted` put nodes on dimples' edges; None for a ball without dimples.

    It did not where dimples or land are too small for the grid everywhere, or where the cells that it spoilt
    could not be made good. The grid is plain then: edges are smeared over a cell, to half their angle, which
    is another mesh than a fitted one and has another drag.
    """
    return None if len(layout.directions) == 0 else bool((dimple >= 0).any())


def volume_factor(ball: DimpledBall, directions: FloatArray, quads: IntArray) -> float:
    """Dimple volume over that of the dimples' facets on a grid.

    Facets lie above a hollow between its edges: with nodes on the edges a grid of spacing h misses about
    2/3 (h / a)^2 of the volume of dimples of edge radius a (the mean error of bilinear interpolation,
    h^2 / 12 times the Laplacian, of a paraboloid). Depths at the nodes times this factor make facets of the
    right volume.

    Parameters
    ----------
    ball : DimpledBall
        The ball.
    directions : ndarray, shape (p, 3)
        Unit vectors of the nodes.
    quads : ndarray of int, shape (q, 4)
        Corners of the cells of the whole sphere, or of the half with y >= 0 of a ball with that mirror plane.

    Returns
    -------
    float
        The factor, from 1 to `MOST_FACTOR`.
    """
    if len(ball.layout.directions) == 0:
        return 1.0
    covered = [
        _volume_under(directions * radii[:, None], quads)
        for radii in (np.full(len(directions), ball.ball_diameter_m / 2), ball.radius(directions))
    ]
    half = 1.0 if (directions[:, 1] < -ON_PLANE).any() else 0.5
    missing = covered[0] - covered[1]
    exact = half * float(ball.cavities.volume_m3.sum())
    return float(np.clip(exact / missing, 1.0, MOST_FACTOR)) if missing > 0 else 1.0


def _volume_under(points: FloatArray, quads: IntArray) -> float:
    """Volume between the origin and cells, mean of the two ways of cutting each into triangles."""
    a, b, c, d = np.moveaxis(points[quads], 1, 0)
    triple = sum(
        np.sum(p * np.cross(q, r), axis=1) for p, q, r in ((a, b, c), (a, c, d), (b, c, d), (b, d, a))
    )
    return float(np.sum(triple) / 12)


class _Grid:
    """Nodes, cells and the lines between them."""

    def __init__(self, directions: FloatArray, quads: IntArray, mirrored: bool) -> None:
        self.directions, self.quads = directions, quads
        count = len(directions)
        self.pinned = np.empty(0, dtype=np.int64)
        self.on_plane = np.flatnonzero(mirrored & (np.abs(directions[:, 1]) < ON_PLANE))
        start, end = quads.ravel().astype(np.int64), np.roll(quads, -1, axis=1).ravel().astype(np.int64)
        key = np.minimum(start, end) * count + np.maximum(start, end)
        side = np.argsort(key)
        key = key[side]
        new = np.concatenate([[True], key[1:] != key[:-1]])
        self.start, self.end = np.divmod(key[new], count)
        shared = np.flatnonzero(~new)  # the second of a line's two sides
        self.inner = np.cumsum(new)[shared] - 1
        self.first, self.second = side[shared - 1] // 4, side[shared] // 4
        neighbours = coo_array(
            (np.ones(2 * len(self.start)), (np.r_[self.start, self.end], np.r_[self.end, self.start])),
            shape=(count, count),
        ).tocsr()
        self.mean_of_neighbours = diags_array(1 / np.diff(neighbours.indptr)) @ neighbours
        lengths = _length(directions[self.start] - directions[self.end])
        self.spacing, self.longest = float(lengths.mean()), float(lengths.max())


def _nearest_to_edges(grid: _Grid, shapes: Perimeters, beta: FloatArray) -> tuple[IntArray, FloatArray]:
    """For each node that is to move: the dimple onto whose edge, and how far [rad]; -1 for the others."""
    centres = shapes.directions
    lift = np.sqrt(np.maximum(2 * np.cos(beta) - 2 * np.cos(beta).min(), 0.0))
    lifted = np.column_stack([grid.directions, np.zeros(len(grid.directions))])
    nearest = cKDTree(np.column_stack([centres, lift])).query(lifted)[1]

    def beyond_edge(node: IntArray, dimple: IntArray) -> FloatArray:
        angle = np.arccos(np.clip(_dot(grid.directions[node], centres[dimple]), -1.0, 1.0))
        return angle - shapes.half_angle(dimple, grid.directions[node], beta)

    # Lines from inside a dimple to outside of it, found from either end.
    depth = beyond_edge(np.arange(len(nearest)), nearest)
    home = np.where(depth < 0, nearest, -1)
    across = home[grid.start] != home[grid.end]
    inner = np.concatenate([grid.start[across], grid.end[across]])
    outer = np.concatenate([grid.end[across], grid.start[across]])
    inner, outer = inner[home[inner] >= 0], outer[home[inner] >= 0]
    of = home[inner]
    inside, outside = depth[inner], beyond_edge(outer, of)
    node = np.where(-inside <= outside, inner, outer)
    far = np.minimum(-inside, outside)
    # A node on the mirror plane cannot follow a dimple beside it; a dimple smaller than a cell has no shape.
    on_plane, pinned = np.isin(node, grid.on_plane), np.isin(node, grid.pinned)
    kept = (
        ~pinned
        & ~(on_plane & (np.abs(centres[of, 1]) > ON_PLANE))
        & (beta[of] > grid.longest)
        & (outside > 0)
    )
    node, far, of = node[kept], far[kept], of[kept]
    order = np.lexsort((of, -far))  # the nearest edge is written last
    dimple, distance = np.full(len(grid.directions), -1), np.zeros(len(grid.directions))
    dimple[node[order]], distance[node[order]] = of[order], far[order]
    return dimple, distance


def _relaxed(
    grid: _Grid, dimple: IntArray, shapes: Perimeters, beta: FloatArray, start: FloatArray, sweeps: int
) -> FloatArray:
    """Nodes after sweeps towards harmonic displacements, those with a dimple sliding along its edge."""
    on_edge = np.flatnonzero(dimple >= 0)
    axis, angle = shapes.directions[dimple[on_edge]], beta[dimple[on_edge], None]
    polygonal = bool(shapes.sides.any())
    level, reach = np.cos(angle) * axis, np.sin(angle)

    def onto_edges(nodes: FloatArray) -> FloatArray:
        nodes[grid.on_plane, 1] = 0.0
        nodes /= _length(nodes)[:, None]
        across = nodes[on_edge] - _dot(nodes[on_edge], axis)[:, None] * axis
        if polygonal:
            around = shapes.half_angle(dimple[on_edge], nodes[on_edge], beta)[:, None]
            nodes[on_edge] = np.cos(around) * axis + np.sin(around) / _length(across)[:, None] * across
        else:
            nodes[on_edge] = level + reach / _length(across)[:, None] * across
        nodes[grid.on_plane, 1] = 0.0  # rounding only: dimples that reach the plane are centred on it
        nodes[grid.pinned] = grid.directions[grid.pinned]
        return nodes

    nodes = onto_edges(start.copy())
    for _ in range(sweeps):
        nodes = onto_edges(grid.directions + grid.mean_of_neighbours @ (nodes - grid.directions))
    return nodes


def _spoilt(grid: _Grid, nodes: FloatArray, dimple: IntArray) -> IntArray:
    """Cells, shape (s,), that are too skew or too small, or at a line between two edges that is too short.

    Where no node has moved by more than `HARDLY` the grid is as good as it was, and is passed over.
    """
    moved = _length(nodes - grid.directions) > HARDLY * grid.spacing
    touched = moved[grid.quads].any(axis=1)
    cells = np.flatnonzero(touched)
    # Coordinates first, so that products run over contiguous numbers.
    place = np.ascontiguousarray(nodes.T)
    corners = place[:, grid.quads[cells].T]
    k, ahead, behind = np.arange(4), np.roll(np.arange(4), -1), np.roll(np.arange(4), 1)
    corner = _dot0(corners[:, k], _cross0(corners[:, ahead], corners[:, behind])).sum(axis=0)
    small = cells[corner < 4 * SMALLEST_CORNER * grid.spacing**2]
    centroid = np.zeros((3, len(grid.quads)))
    centroid[:, cells] = _centroids(corners)

    start, end = grid.start[grid.inner], grid.end[grid.inner]
    checked = np.flatnonzero(moved[start] | moved[end])
    first, second = grid.first[checked], grid.second[checked]
    start, end = place[:, start[checked]], place[:, end[checked]]
    line, middle = end - start, (start + end) / 2
    from_first = centroid[:, first]
    between, reach = centroid[:, second] - from_first, middle - from_first
    # Across the grid line, in the tangent plane at its middle.
    across = _cross0(middle, line)
    along = _dot0(across, between)
    cosine_squared = along**2 / (_dot0(across, across) * _dot0(between, between))
    off = reach - _dot0(across, reach) / along * between
    skew = (cosine_squared < np.cos(WORST_ANGLE_RAD) ** 2) | (
        _dot0(off, off) > (WORST_OFFSET / 2) ** 2 * _dot0(line, line)
    )
    one, other = dimple[grid.start[grid.inner[checked]]], dimple[grid.end[grid.inner[checked]]]
    narrow = (one >= 0) & (other >= 0) & (one != other)
    bad = skew | (narrow & (_dot0(line, line) < (SHORTEST * grid.spacing) ** 2))
    return np.unique(np.concatenate([first[bad], second[bad], small]))


def _centroids(corners: FloatArray) -> FloatArray:
    """Centroids, shape (3, q), of cells with corners of shape (3, 4, q), from triangles about their mean."""
    middle = corners.mean(axis=1)
    total, weight = np.zeros_like(middle), np.zeros(middle.shape[1])
    for k in range(4):
        one, two = corners[:, k], corners[:, (k + 1) % 4]
        normal = _cross0(two - one, middle - one)
        area = np.sqrt(_dot0(normal, normal))
        total += area * (one + two)
        weight += area
    return np.asarray((total / weight + middle) / 3)


def _to_let_go(grid: _Grid, spoilt: IntArray, dimple: IntArray, distance: FloatArray) -> IntArray:
    """Of each spoilt cell the node that moved farthest onto an edge; those around it when it has none."""
    moved = np.where(dimple >= 0, distance, -1.0)[grid.quads[spoilt]]
    farthest = grid.quads[spoilt, np.argmax(moved, axis=1)]
    if (moved.max(axis=1) >= 0).any():
        return np.unique(farthest[moved.max(axis=1) >= 0])
    around = np.isin(grid.quads, grid.quads[spoilt]).any(axis=1)
    return np.unique(grid.quads[around])


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar products of vectors, shape (m, 3)."""
    return np.asarray(np.einsum("md,md->m", a, b))


def _length(vectors: FloatArray) -> FloatArray:
    return np.sqrt(_dot(vectors, vectors))


def _dot0(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar products of vectors, shape (3, ...)."""
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def _cross0(a: FloatArray, b: FloatArray) -> FloatArray:
    """Vector products of vectors, shape (3, ...)."""
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])
