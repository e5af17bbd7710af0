"""Shell mesh: the cubed sphere extruded from the ball's surface to the far field, coarsened 2:1 on the way.

Solver units throughout: ball diameter 1, so the phantom sphere has radius 0.5.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.geometry.shell.cubed_sphere import coarsened, cubed_sphere, half_cubed_sphere, parents

Labels = NDArray[np.int32]

PHANTOM_RADIUS = 0.5
FADE_THICKNESS = 0.5
"""Distance from the phantom sphere over which the dimples' displacement fades out, in diameters."""

FAR_RADIUS = 15.0
"""Radius of the outer boundary, in diameters."""

MAX_GROWTH = 1.6
"""A larger ratio of neighbouring layers smears the wake; asking for it is an error."""


WALL_HEIGHT = 0.012
"""Height of the layers at the wall of a level with `wall_layers`, in diameters: the turbulent boundary layer
of a dimpled ball up to separation."""


@dataclass(frozen=True)
class Level:
    """Resolution of a shell.

    Attributes
    ----------
    n : int
        Quadrilaterals along a cube edge on the ball: 4 n around it.
    layers : int
        Layers of cells from the ball to the far field.
    wall_layers : int
        Of these, the layers below `WALL_HEIGHT`, which grow by one ratio; those above grow by another. With 0
        all layers grow by one ratio.
    coarsen_at : tuple of int
        Layers, counted from the ball, from which on there are half as many cells in both directions along the
        surface. A cell there has four neighbours on its inner side.
    """

    n: int
    layers: int
    wall_layers: int = 0
    coarsen_at: tuple[int, ...] = ()

    @property
    def cells(self) -> int:
        """Number of cells of the whole shell; half of it for a mirrored ball."""
        ends = (0, *self.coarsen_at, self.layers)
        return sum(
            6 * (self.n >> block) ** 2 * (end - begin) for block, (begin, end) in enumerate(pairwise(ends))
        )

    def cell_width(self, diameter: float) -> float:
        """Width of a cell around a ball, in the unit of its diameter."""
        return float(np.pi) * diameter / (4 * self.n)


@dataclass(frozen=True)
class Block:
    """Layers of a shell that have the same cells along the surface.

    Attributes
    ----------
    quads : ndarray of int, shape (q, 4)
        Corners of its columns among the nodes of its grid, counter-clockwise seen from outside.
    middles : ndarray of int, shape (q, 4), or None
        Points in the middles of the sides of its inner faces, where the block below has nodes; None for the
        block on the ball.
    nodes : ndarray of int, shape (layers + 1, p)
        Points of its grid's nodes, layer by layer.
    first_layer, first_cell : int
        Layer of the shell and number of the cell with which it begins; its cells run column by column.
    column : ndarray of int, shape (quads on the ball,)
        Its column over each quadrilateral on the ball.
    """

    quads: Labels
    middles: Labels | None
    nodes: Labels
    first_layer: int
    first_cell: int
    column: Labels

    @property
    def layers(self) -> int:
        """Layers of cells in it."""
        return len(self.nodes) - 1


@dataclass(frozen=True)
class Shell:
    """Shell mesh around a ball.

    Cells run block by block from the ball outward, and in a block column by column. Neighbouring rows of the
    solver's matrix are then the strongly coupled neighbours across the boundary layer, which its smoothers
    sweep like a line.

    Attributes
    ----------
    points : ndarray, shape (m, 3)
        Node positions in ball diameters, layer by layer from the ball outward. The layer in which the grid
        coarsens has the nodes of the finer one.
    quads : ndarray of int, shape (q, 4)
        Corners of the surface's quadrilaterals, counter-clockwise seen from outside.
    layers : int
        Number of cells from the ball to the far field.
    mirrored : bool
        Whether it is the half with y >= 0 of a ball that the plane y = 0 mirrors. Air along x, lift along z
        and spin about y leave that plane a mirror of the flow too, so half the cells do, and the wake cannot
        wander sideways.
    edges_fitted : bool or None
        Whether nodes lie on the dimples' edges (`edge_nodes.edges_fitted`); None for a ball without dimples,
        and for a shell read from its file (quality.json beside it says so).
    coarsen_at : tuple of int
        As of `Level`.
    """

    points: FloatArray
    quads: Labels
    layers: int
    mirrored: bool = False
    edges_fitted: bool | None = None
    coarsen_at: tuple[int, ...] = ()

    @cached_property
    def blocks(self) -> tuple[Block, ...]:
        """Its blocks from the ball outward."""
        ends = (*self.coarsen_at, self.layers)
        n, first_point = self.n, 0
        grid, column = self.quads.astype(np.int64), np.arange(len(self.quads))
        count = int(grid.max()) + 1
        nodes = np.arange((ends[0] + 1) * count).reshape(ends[0] + 1, count)
        found = [Block(self.quads, None, nodes.astype(np.int32), 0, 0, column.astype(np.int32))]
        for begin, end in pairwise(ends):
            below = found[-1]
            first_point += nodes.size if below.middles is None else nodes.size - nodes.shape[1]
            column = parents(n, len(grid))[column]
            corners, middles = coarsened(grid, n)
            kept, grid = np.unique(corners, return_inverse=True)
            grid, n = grid.reshape(-1, 4), n // 2
            above = first_point + np.arange((end - begin) * len(kept)).reshape(end - begin, len(kept))
            inner = nodes[-1]
            nodes = np.concatenate([inner[kept][None], above])
            found.append(
                Block(
                    grid.astype(np.int32),
                    inner[middles].astype(np.int32),
                    nodes.astype(np.int32),
                    begin,
                    below.first_cell + len(below.quads) * below.layers,
                    column.astype(np.int32),
                )
            )
        return tuple(found)

    @property
    def cells(self) -> int:
        """Number of cells."""
        last = self.blocks[-1]
        return last.first_cell + len(last.quads) * last.layers

    @property
    def n(self) -> int:
        """Quadrilaterals along an edge of the cube: 6 n^2 around the ball, or half as many."""
        return round(float(np.sqrt(len(self.quads) / (3 if self.mirrored else 6))))

    def cells_over(self, layer: int) -> Labels:
        """Cell of a layer over each quadrilateral on the ball, shape (q,); the wall's cells for layer 0."""
        block = next(known for known in reversed(self.blocks) if known.first_layer <= layer)
        return block.first_cell + block.column * np.int32(block.layers) + np.int32(layer - block.first_layer)

    def cell_centres(self) -> FloatArray:
        """Means of the cells' corners in ball diameters, shape (cells, 3)."""
        found = []
        for block in self.blocks:
            faces = self.points[block.nodes][:, block.quads].mean(axis=2)
            found.append(np.moveaxis(0.5 * (faces[1:] + faces[:-1]), 0, 1).reshape(-1, 3))
        return np.concatenate(found)

    def layer_radii(self) -> FloatArray:
        """Radii of the layers' nodes over one node of the ball, in ball diameters, shape (layers + 1,).

        The node is a corner of the cube, which the grids of all blocks have.
        """
        column = [block.nodes[int(block.first_layer > 0) :, 0] for block in self.blocks]
        return np.asarray(np.linalg.norm(self.points[np.concatenate(column)], axis=1))

    def ball_faces(self) -> tuple[FloatArray, FloatArray]:
        """Centres and outward unit normals of the faces on the ball.

        Returns
        -------
        centres, normals : ndarray, shape (q, 3)
            In ball diameters; the face's vector area (half the cross product of its diagonals) gives the
            normal.
        """
        corners = self.points[self.quads]
        area = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
        return corners.mean(axis=1), area / np.linalg.norm(area, axis=1, keepdims=True)


def growth_ratio(first_cell: float, thickness: float, layers: int) -> float:
    """Ratio of neighbouring layers of a geometric row that starts with `first_cell`.

    Solves first_cell (g^layers - 1) / (g - 1) = thickness for g >= 1.

    Parameters
    ----------
    first_cell, thickness : float
        In the same unit, 0 < first_cell <= thickness / layers.
    layers : int
        Number of layers.

    Returns
    -------
    float
        Growth ratio.

    Raises
    ------
    InputError
        If the row would have to shrink, or to grow faster than `MAX_GROWTH`.
    """
    # Only a mesh that is built needs it; every run would wait 0.4 s for the import.
    from scipy.optimize import brentq

    def excess(growth: float) -> float:
        return float(first_cell * np.expm1(layers * np.log(growth)) / (growth - 1.0) - thickness)

    if first_cell * layers > thickness:
        raise InputError(f"{layers} layers of at least {first_cell:g} do not fit into {thickness:g}")
    if excess(MAX_GROWTH) < 0:
        raise InputError(
            f"{layers} layers from {first_cell:g} to {thickness:g} grow faster than {MAX_GROWTH}; "
            "use a finer level or a lower Reynolds number"
        )
    return float(brentq(excess, 1.0 + 1e-9, MAX_GROWTH, xtol=1e-13))


def layer_radii(
    first_cell: float, layers: int, far_radius: float = FAR_RADIUS, wall_layers: int = 0
) -> FloatArray:
    """Radii of the layers' spheres over the phantom sphere.

    Parameters
    ----------
    first_cell : float
        Height of the first layer in diameters.
    layers, wall_layers : int
        As of `Level`. Two geometric rows: `wall_layers` up to `WALL_HEIGHT`, and the others, the first of
        which grows from the last at the wall by their own ratio.
    far_radius : float
        Radius of the outer boundary in diameters.

    Returns
    -------
    ndarray, shape (layers + 1,)
        In diameters.

    Raises
    ------
    InputError
        If the layers cannot be laid (see `growth_ratio`).
    """
    thickness = far_radius - PHANTOM_RADIUS
    if not wall_layers:
        heights = _geometric(first_cell, growth_ratio(first_cell, thickness, layers), layers)
    else:
        wall = _geometric(first_cell, growth_ratio(first_cell, WALL_HEIGHT, wall_layers), wall_layers)
        last = wall[-1] - wall[-2]
        # The last layer at the wall is the first of the outer row, which is one longer for it.
        outer = layers - wall_layers + 1
        growth = growth_ratio(last, thickness - wall[-2], outer)
        heights = np.concatenate([wall[:-1], wall[-2] + _geometric(last, growth, outer)[1:]])
    radii = PHANTOM_RADIUS + heights
    radii[-1] = far_radius
    return radii


def _geometric(first: float, growth: float, layers: int) -> FloatArray:
    """Heights of the faces of a geometric row, from 0."""
    return first * (np.power(growth, np.arange(layers + 1, dtype=np.float64)) - 1.0) / (growth - 1.0)


def build_shell(
    radius: Callable[[FloatArray], FloatArray],
    level: Level,
    first_cell: float,
    mirrored: bool = False,
    far_radius: float = FAR_RADIUS,
    fit: Callable[[FloatArray, IntArray], tuple[FloatArray, float]] | None = None,
) -> Shell:
    """Shell mesh around a ball.

    The surface nodes lie on the ball; a node's displacement from the phantom sphere fades out as
    (1 - s)^3 over the distance s = 0..1 of `FADE_THICKNESS`, so that layers stay apart near the wall and
    the mesh away from the ball is the same for every depth.

    Parameters
    ----------
    radius : callable
        Radius of the ball in ball diameters for directions of shape (m, 3), returning shape (m,).
    level : Level
        Resolution.
    first_cell : float
        Height of the first cell in ball diameters.
    mirrored : bool
        Whether to build the half with y >= 0 only; the level's n must be even then.
    far_radius : float
        Radius of the outer boundary in ball diameters.
    fit : callable, optional
        Given the grid's directions, shape (p, 3), and cells, returns the directions to build on and a factor
        of the depths there (see `pipeline.geometry.shell.edge_nodes`); taken as they are when absent.

    Returns
    -------
    Shell
        Same topology for every ball at the same level.

    Raises
    ------
    InputError
        If the layers cannot be laid (see `growth_ratio`).
    ValueError
        If a cube edge cannot be halved as often as the level wants (see `coarsened`).
    """
    directions, quads = (half_cubed_sphere if mirrored else cubed_sphere)(level.n)
    directions, factor = (directions, 1.0) if fit is None else fit(directions, quads)
    displacement = factor * (radius(directions) - PHANTOM_RADIUS)
    radii = layer_radii(first_cell, level.layers, far_radius, level.wall_layers)
    fade = (1.0 - np.clip((radii - PHANTOM_RADIUS) / FADE_THICKNESS, 0.0, 1.0)) ** 3
    corners, kept, n = quads, np.arange(len(directions)), level.n
    points = []
    ends = (*level.coarsen_at, level.layers)
    for begin, end in zip((0, *level.coarsen_at), ends, strict=True):
        if begin:
            corners = coarsened(corners, n)[0]
            kept, n = np.unique(corners), n // 2
        above = slice(begin + 1 if begin else 0, end + 1)
        lengths = radii[above, None] + fade[above, None] * displacement[None, kept]
        points.append((lengths[:, :, None] * directions[None, kept, :]).reshape(-1, 3))
    return Shell(
        np.concatenate(points), quads.astype(np.int32), level.layers, mirrored, coarsen_at=level.coarsen_at
    )


def rotated_about_y(vectors: FloatArray, angle: float) -> FloatArray:
    """Vectors turned about +y, the axis of backspin.

    Parameters
    ----------
    vectors : ndarray, shape (m, 3)
        Any.
    angle : float
        In rad; positive as the ball turns, +z towards +x.

    Returns
    -------
    ndarray, shape (m, 3)
        The turned vectors.
    """
    sine, cosine = np.sin(angle), np.cos(angle)
    return np.asarray(vectors @ np.array([[cosine, 0.0, -sine], [0.0, 1.0, 0.0], [sine, 0.0, cosine]]))
