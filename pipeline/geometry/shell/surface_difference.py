"""Height difference of two balls' surfaces: exact, and as the facets of their solver meshes show it.

A mesh knows a ball by its nodes (`edge_nodes.edge_fitted`); between them heights are interpolated. What
facets miss of a difference, or add, grows with its bend over a cell: a change of depth is shown to within a
tenth by four cells across a dimple, a rounded edge of 0.06 mm width becomes a slope as wide as a cell.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from pipeline.arrays import FloatArray, IntArray
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.shell.cubed_sphere import cubed_sphere
from pipeline.geometry.shell.edge_nodes import edge_fitted, edges_fitted, volume_factor

SAMPLES = 4
"""Random places in each cell at which heights are compared; 38,400 at the coarsest level."""

SEED = 1

_TRIED = 12
"""Triangles whose middles are nearest to a direction and of which one holds it."""

_SAME = 1e-9
"""Rounding of a layout that is written and read again, as a share of the radius, and of diameters in m."""


@dataclass(frozen=True)
class SurfaceDifference:
    """Root mean square height difference of two balls, over the sphere.

    Attributes
    ----------
    exact_m : float
        Of the surfaces, as the change of depth that has the same root mean square [m].
    missed_m : float
        What the facets' difference is off the exact one, in the same measure [m].
    """

    exact_m: float
    missed_m: float


class FacetGrid:
    """Surface grid of a solver mesh for all balls that have their dimples' edges in the same places.

    Parameters
    ----------
    layout : Layout
        Of one of them.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    n : int
        Cells along a cube edge.
    """

    def __init__(self, layout: Layout, ball_diameter_m: float, n: int) -> None:
        self.n, self.layout = n, layout
        directions, self.quads = cubed_sphere(n)
        self.nodes, dimple = edge_fitted(directions, self.quads, layout, ball_diameter_m)
        self.fitted = bool(edges_fitted(layout, dimple))
        self.samples = _random_directions(directions, self.quads)
        self._corners, self._weights = _located(self.nodes, self.quads, self.samples)

    def serves(self, layout: Layout, n: int) -> bool:
        """Whether it is that of another layout too; depths and sections do not matter."""
        pairs = (
            (layout.directions, self.layout.directions),
            (layout.chord_diameters_m, self.layout.chord_diameters_m),
            (layout.perimeters.sides, self.layout.perimeters.sides),
        )
        same = all(a.shape == b.shape and np.allclose(a, b, rtol=0.0, atol=_SAME) for a, b in pairs)
        return same and n == self.n

    def interpolated(self, at_nodes: FloatArray) -> FloatArray:
        """Values at the samples, shape (s,), between those at the nodes."""
        return np.asarray(np.einsum("sk,sk->s", self._weights, at_nodes[self._corners]))


class SampledBall:
    """Heights of a ball below its phantom sphere, in random directions that are the same for all balls.

    Parameters
    ----------
    ball : DimpledBall
        A ball with dimples.
    grid : FacetGrid
        One that serves it.
    """

    def __init__(self, ball: DimpledBall, grid: FacetGrid) -> None:
        self.ball, self.grid = ball, grid

    @cached_property
    def exact(self) -> FloatArray:
        """Of the surface, shape (s,) [m]."""
        return self._below(self.grid.samples)

    @cached_property
    def facets(self) -> FloatArray:
        """Of the mesh's facets, shape (s,) [m]."""
        grid = self.grid
        factor = volume_factor(self.ball, grid.nodes, grid.quads) if grid.fitted else 1.0
        return grid.interpolated(factor * self._below(grid.nodes))

    def _below(self, directions: FloatArray) -> FloatArray:
        return self.ball.ball_diameter_m / 2 - self.ball.radius(directions)


def surface_difference(one: SampledBall, other: SampledBall) -> SurfaceDifference:
    """Compare two balls of the same diameter.

    Parameters
    ----------
    one, other : SampledBall
        On the same mesh level.

    Returns
    -------
    SurfaceDifference
        Heights are turned into depths by those of `one`, whose root mean square belongs to its mean depth.
    """
    depth_of_height = float(one.ball.depths_m.mean()) / _rms(one.exact)
    exact, shown = one.exact - other.exact, one.facets - other.facets
    return SurfaceDifference(depth_of_height * _rms(exact), depth_of_height * _rms(shown - exact))


def _random_directions(directions: FloatArray, quads: IntArray) -> FloatArray:
    """Random directions in each cell of a grid, shape (q s, 3)."""
    u, v = np.random.default_rng(SEED).random((2, len(quads), SAMPLES))
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1)
    points = np.einsum("qsk,qkd->qsd", weights, directions[quads]).reshape(-1, 3)
    return np.asarray(points / np.linalg.norm(points, axis=1, keepdims=True))


def _located(nodes: FloatArray, quads: IntArray, directions: FloatArray) -> tuple[IntArray, FloatArray]:
    """Corners of the triangle, half of a cell, that holds each direction, and their weights there; (s, 3)."""
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    # d = w0 a + w1 b + w2 c has no negative weight inside the triangle.
    inverse = np.linalg.inv(np.swapaxes(nodes[triangles], 1, 2))
    near = cKDTree(nodes[triangles].mean(axis=1)).query(directions, k=_TRIED)[1]
    weights = np.einsum("stij,sj->sti", inverse[near], directions)
    best = np.argmax(weights.min(axis=2), axis=1)
    place = np.arange(len(directions))
    found = weights[place, best]
    return triangles[near[place, best]], found / found.sum(axis=1, keepdims=True)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values * values)))
