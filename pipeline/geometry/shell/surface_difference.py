"""Height difference of two balls' surfaces: exact, and as the facets of a solver mesh show it.

A mesh knows a ball by its nodes. Where two balls have their dimples' edges in the same places, their meshes
have the same nodes (`edge_nodes.edge_fitted`), and what the facets show of the height difference is its
bilinear interpolation between those nodes. What they miss, or add, grows with the bend of the difference over
a cell: a change of depth is shown to within a tenth by four cells across a dimple, a rounded edge of 0.06 mm
width becomes a slope as wide as a cell.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.shell.cubed_sphere import cubed_sphere
from pipeline.geometry.shell.edge_nodes import edge_fitted, edges_fitted, volume_factor

FloatArray = NDArray[np.float64]

SAMPLES = 4
"""Random places in each cell at which heights are compared; 38,400 at the coarsest level."""

SEED = 1

_SAME = 1e-9
"""Rounding of a layout that is written and read again, as a share of the radius, and of diameters in m."""


@dataclass(frozen=True)
class SurfaceDifference:
    """Root mean square height difference of two balls, over the sphere.

    Attributes
    ----------
    exact_m : float
        Of the surfaces, as the change of depth that has the same root mean square [m].
    missed_m : float or None
        What the facets' difference is off the exact one, in the same measure [m]; None where the balls have
        their edges in different places, so that no node is shared.
    """

    exact_m: float
    missed_m: float | None


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
        directions, self.quads = cubed_sphere(n)
        self.n, self.layout, self.diameter_m = n, layout, ball_diameter_m
        self.nodes, dimple = edge_fitted(directions, self.quads, layout, ball_diameter_m)
        self.fitted = bool(edges_fitted(layout, dimple))
        self.between, self.weights = _within(self.nodes, self.quads)
        self.plain = _within(directions, self.quads)[0]

    def serves(self, layout: Layout, n: int) -> bool:
        """Whether it is that of another layout too; depths and sections do not matter."""
        pairs = (
            (layout.directions, self.layout.directions),
            (layout.chord_diameters_m, self.layout.chord_diameters_m),
            (layout.perimeters.sides, self.layout.perimeters.sides),
        )
        same = all(a.shape == b.shape and np.allclose(a, b, rtol=0.0, atol=_SAME) for a, b in pairs)
        return same and n == self.n


class SampledBall:
    """Heights of a ball below its phantom sphere, exact and between the nodes of a mesh.

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
    def plain(self) -> FloatArray:
        """Heights in directions that are the same for all balls, shape (s,) [m]."""
        return self._below(self.grid.plain)

    @cached_property
    def exact(self) -> FloatArray:
        """Heights in random directions within the cells, shape (s,) [m]."""
        return self._below(self.grid.between)

    @cached_property
    def facets(self) -> FloatArray:
        """Heights of the mesh's facets there, shape (s,) [m]."""
        grid = self.grid
        factor = volume_factor(self.ball, grid.nodes, grid.quads) if grid.fitted else 1.0
        nodes = factor * self._below(grid.nodes)
        return np.asarray(np.einsum("qsk,qk->qs", grid.weights, nodes[grid.quads]).ravel())

    def _below(self, directions: FloatArray) -> FloatArray:
        return self.ball.ball_diameter_m / 2 - self.ball.radius(directions)


def surface_difference(one: SampledBall, other: SampledBall) -> SurfaceDifference:
    """Compare two balls of the same diameter.

    Parameters
    ----------
    one, other : SampledBall
        On the same mesh level; on one grid where that serves both.

    Returns
    -------
    SurfaceDifference
        Heights are turned into depths by those of `one`, whose root mean square belongs to its mean depth.
    """
    depth_of_height = float(one.ball.depths_m.mean()) / _rms(one.plain)
    if one.grid is not other.grid:
        return SurfaceDifference(depth_of_height * _rms(one.plain - other.plain), None)
    exact, shown = one.exact - other.exact, one.facets - other.facets
    return SurfaceDifference(depth_of_height * _rms(exact), depth_of_height * _rms(shown - exact))


def _within(directions: FloatArray, quads: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Random directions in each cell, shape (q s, 3), and the weights of its corners there, (q, s, 4)."""
    u, v = np.random.default_rng(SEED).random((2, len(quads), SAMPLES))
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1)
    points = np.einsum("qsk,qkd->qsd", weights, directions[quads]).reshape(-1, 3)
    return points / np.linalg.norm(points, axis=1, keepdims=True), weights


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values * values)))
