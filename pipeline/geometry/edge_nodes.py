"""Nodes on the dimples' edges: a grid on the sphere moved along it, so that its facets keep edges sharp.

Where an edge of the grid crosses the edge of a dimple, the nearer of its two nodes is moved onto the dimple's
edge, and may slide along it; the other nodes follow by harmonic displacements. No line of the grid crosses a
dimple's edge then, and a facet lies in a dimple or on the land. Nodes that would spoil the grid are left
where they were (land or dimples too small for the grid, cells that would become too skew), the edge smeared
over a cell. Only the layout matters, so all depths of a pattern get one grid.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.ball import DimpledBall
from pipeline.geometry.cavity import edge_half_angle
from pipeline.geometry.layout import Layout
from pipeline.geometry.mirror import has_mirror_plane

FloatArray = NDArray[np.float64]
Labels = NDArray[np.int64]

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

MOST_FACTOR = 1.3
"""With 3 cells across a dimple facets miss a quarter of its volume; a coarser grid has no dimples to mend."""

ON_PLANE = 1e-12


def edge_fitted(
    directions: FloatArray, quads: Labels, layout: Layout, ball_diameter_m: float
) -> tuple[FloatArray, Labels]:
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

    Returns
    -------
    directions : ndarray, shape (p, 3)
        Moved nodes, in their order.
    dimple : ndarray of int, shape (p,)
        Dimple on whose edge a node lies, -1 for none.
    """
    if len(layout.directions) == 0:
        return directions, np.full(len(directions), -1)
    grid = _Grid(directions, quads, has_mirror_plane(layout))
    beta = edge_half_angle(layout.chord_diameters_m, ball_diameter_m)
    dimple, distance = _nearest_to_edges(grid, layout.directions, beta)
    moved, sweeps = directions, SWEEPS
    for _ in range(ROUNDS):
        moved = _relaxed(grid, dimple, layout.directions, beta, moved, sweeps)
        sweeps = MORE_SWEEPS
        spoilt = _spoilt(grid, moved, dimple)
        if not len(spoilt):
            return moved, dimple
        dimple[_to_let_go(grid, spoilt, dimple, distance)] = -1
    return directions, np.full(len(directions), -1)


def volume_factor(ball: DimpledBall, directions: FloatArray, quads: Labels) -> float:
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


def _volume_under(points: FloatArray, quads: Labels) -> float:
    """Volume between the origin and cells, mean of the two ways of cutting each into triangles."""
    a, b, c, d = np.moveaxis(points[quads], 1, 0)
    triple = sum(
        np.sum(p * np.cross(q, r), axis=1) for p, q, r in ((a, b, c), (a, c, d), (b, c, d), (b, d, a))
    )
    return float(np.sum(triple) / 12)


class _Grid:
    """Nodes, cells and the lines between them."""

    def __init__(self, directions: FloatArray, quads: Labels, mirrored: bool) -> None:
        self.directions, self.quads = directions, quads
        self.on_plane = mirrored & (np.abs(directions[:, 1]) < ON_PLANE)
        start, end = quads.ravel().astype(np.int64), np.roll(quads, -1, axis=1).ravel().astype(np.int64)
        key = np.minimum(start, end) * len(directions) + np.maximum(start, end)
        unique, line, uses = np.unique(key, return_inverse=True, return_counts=True)
        self.start, self.end = unique // len(directions), unique % len(directions)
        self.degree = np.bincount(self.start, minlength=len(directions)) + np.bincount(
            self.end, minlength=len(directions)
        )
        order = np.argsort(line, kind="stable")
        shared = order[uses[line[order]] == 2]
        self.inner, self.first, self.second = line[shared[0::2]], shared[0::2] // 4, shared[1::2] // 4
        lengths = np.linalg.norm(directions[self.start] - directions[self.end], axis=1)
        self.spacing, self.longest = float(lengths.mean()), float(lengths.max())

    def mean_of_neighbours(self, values: FloatArray) -> FloatArray:
        """Mean of the values, shape (p, 3), over each node's neighbours along grid lines."""
        count = len(values)
        total = [
            np.bincount(self.start, values[self.end, k], count)
            + np.bincount(self.end, values[self.start, k], count)
            for k in range(3)
        ]
        return np.stack(total, axis=1) / self.degree[:, None]


def _nearest_to_edges(grid: _Grid, centres: FloatArray, beta: FloatArray) -> tuple[Labels, FloatArray]:
    """For each node that is to move: the dimple onto whose edge, and how far [rad]; -1 for the others."""
    lift = np.sqrt(np.maximum(2 * np.cos(beta) - 2 * np.cos(beta).min(), 0.0))
    lifted = np.column_stack([grid.directions, np.zeros(len(grid.directions))])
    nearest = cKDTree(np.column_stack([centres, lift])).query(lifted)[1]

    def beyond_edge(node: Labels, dimple: Labels) -> FloatArray:
        cosine = np.sum(grid.directions[node] * centres[dimple], axis=1)
        return np.arccos(np.clip(cosine, -1.0, 1.0)) - beta[dimple]

    # Lines from inside a dimple to outside of it, found from either end.
    inner, outer = np.concatenate([grid.start, grid.end]), np.concatenate([grid.end, grid.start])
    of = nearest[inner]
    inside, outside = beyond_edge(inner, of), beyond_edge(outer, of)
    crossing = (inside < 0) & (outside > 0)
    inner, outer, of, inside, outside = (v[crossing] for v in (inner, outer, of, inside, outside))
    node = np.where(-inside <= outside, inner, outer)
    far = np.minimum(-inside, outside)
    # A node on the mirror plane cannot follow a dimple beside it; a dimple smaller than a cell has no shape.
    kept = ~(grid.on_plane[node] & (np.abs(centres[of, 1]) > ON_PLANE)) & (beta[of] > grid.longest)
    node, far, of = node[kept], far[kept], of[kept]
    order = np.lexsort((of, -far))  # the nearest edge is written last
    dimple, distance = np.full(len(grid.directions), -1), np.zeros(len(grid.directions))
    dimple[node[order]], distance[node[order]] = of[order], far[order]
    return dimple, distance


def _relaxed(
    grid: _Grid, dimple: Labels, centres: FloatArray, beta: FloatArray, start: FloatArray, sweeps: int
) -> FloatArray:
    """Nodes after sweeps towards harmonic displacements, those with a dimple sliding along its edge."""
    held = np.flatnonzero(dimple >= 0)
    axis, angle = centres[dimple[held]], beta[dimple[held], None]

    def onto_edges(nodes: FloatArray) -> FloatArray:
        nodes[grid.on_plane, 1] = 0.0
        nodes /= np.linalg.norm(nodes, axis=1, keepdims=True)
        across = nodes[held] - np.sum(nodes[held] * axis, axis=1, keepdims=True) * axis
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        nodes[held] = np.cos(angle) * axis + np.sin(angle) * across
        nodes[grid.on_plane, 1] = 0.0  # rounding only: dimples that reach the plane are centred on it
        return nodes

    nodes = onto_edges(start.copy())
    for _ in range(sweeps):
        displacement = nodes - grid.directions
        nodes = onto_edges(grid.directions + grid.mean_of_neighbours(displacement))
    return nodes


def _spoilt(grid: _Grid, nodes: FloatArray, dimple: Labels) -> NDArray[np.int64]:
    """Cells, shape (s,), that are too skew or too small, or at a line between two edges that is too short."""
    corners = nodes[grid.quads]
    middle = corners.mean(axis=1)
    ahead, behind = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    corner = np.einsum("qki,qki->qk", np.cross(ahead, behind), corners)
    centroid = _centroids(corners, middle)
    start, end = nodes[grid.start[grid.inner]], nodes[grid.end[grid.inner]]
    line, between = end - start, centroid[grid.second] - centroid[grid.first]
    # Across the grid line, in the tangent plane at its middle.
    across = np.cross((start + end) / 2, line)
    length = np.linalg.norm(line, axis=1)
    cosine = np.abs(np.sum(across * between, axis=1)) / (
        np.linalg.norm(across, axis=1) * np.linalg.norm(between, axis=1)
    )
    reach = (start + end) / 2 - centroid[grid.first]
    share = np.sum(across * reach, axis=1) / np.sum(across * between, axis=1)
    offset = np.linalg.norm(reach - share[:, None] * between, axis=1) / (length / 2)
    skew = (cosine < np.cos(WORST_ANGLE_RAD)) | (offset > WORST_OFFSET)
    one, other = dimple[grid.start], dimple[grid.end]
    apart = np.linalg.norm(nodes[grid.start] - nodes[grid.end], axis=1)
    narrow = (one >= 0) & (other >= 0) & (one != other) & (apart < SHORTEST * grid.spacing)
    bad_line = narrow[grid.inner] | skew
    small = np.flatnonzero(corner.sum(axis=1) < 4 * SMALLEST_CORNER * grid.spacing**2)
    return np.unique(np.concatenate([grid.first[bad_line], grid.second[bad_line], small]))


def _centroids(corners: FloatArray, middle: FloatArray) -> FloatArray:
    """Centroids of cells from their triangles about the corners' mean, shape (q, 3)."""
    ahead = np.roll(corners, -1, axis=1)
    area = np.linalg.norm(np.cross(ahead - corners, middle[:, None] - corners), axis=2)
    third = (corners + ahead + middle[:, None]) / 3
    return np.sum(area[:, :, None] * third, axis=1) / area.sum(axis=1)[:, None]


def _to_let_go(grid: _Grid, spoilt: Labels, dimple: Labels, distance: FloatArray) -> Labels:
    """Of each spoilt cell the node that moved farthest onto an edge; those around it when it has none."""
    moved = np.where(dimple >= 0, distance, -1.0)[grid.quads[spoilt]]
    farthest = grid.quads[spoilt, np.argmax(moved, axis=1)]
    if (moved.max(axis=1) >= 0).any():
        return np.unique(farthest[moved.max(axis=1) >= 0])
    around = np.isin(grid.quads, grid.quads[spoilt]).any(axis=1)
    return np.unique(grid.quads[around])
