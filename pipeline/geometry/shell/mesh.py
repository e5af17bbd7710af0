"""Shell mesh: the cubed sphere extruded from the ball's surface to the far field.

Solver units throughout: ball diameter 1, so the phantom sphere has radius 0.5.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.geometry.shell.cubed_sphere import cubed_sphere, half_cubed_sphere

Floats = NDArray[np.float64]
Labels = NDArray[np.int32]

PHANTOM_RADIUS = 0.5
FADE_THICKNESS = 0.5
"""Distance from the phantom sphere over which the dimples' displacement fades out, in diameters."""

FAR_RADIUS = 15.0
"""Radius of the outer boundary, in diameters."""

MAX_GROWTH = 1.6
"""A larger ratio of neighbouring layers smears the wake; asking for it is an error."""


@dataclass(frozen=True)
class Level:
    """Resolution of a shell: `n` quadrilaterals along a cube edge (4 n around the ball), `layers` outward."""

    n: int
    layers: int

    @property
    def cells(self) -> int:
        """Number of cells of the whole shell; half of it for a mirrored ball."""
        return 6 * self.n**2 * self.layers

    def cell_width(self, diameter: float) -> float:
        """Width of a cell around a ball, in the unit of its diameter."""
        return float(np.pi) * diameter / (4 * self.n)


@dataclass(frozen=True)
class Shell:
    """Hexahedral shell mesh around a ball.

    Cells run column by column: cell = quad * layers + layer. Neighbouring rows of the solver's matrix are
    then the strongly coupled neighbours across the boundary layer, which its smoothers sweep like a line.

    Attributes
    ----------
    points : ndarray, shape ((layers + 1) p, 3)
        Node positions in ball diameters, layer by layer from the ball outward; p nodes a layer.
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
    """

    points: Floats
    quads: Labels
    layers: int
    mirrored: bool = False
    edges_fitted: bool | None = None

    @property
    def nodes_per_layer(self) -> int:
        """Nodes on the ball's surface."""
        return len(self.points) // (self.layers + 1)

    @property
    def cells(self) -> int:
        """Number of cells."""
        return len(self.quads) * self.layers

    @property
    def n(self) -> int:
        """Quadrilaterals along an edge of the cube: 6 n^2 around the ball, or half as many."""
        return round(float(np.sqrt(len(self.quads) / (3 if self.mirrored else 6))))

    def ball_faces(self) -> tuple[Floats, Floats]:
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
        return first_cell * np.expm1(layers * np.log(growth)) / (growth - 1.0) - thickness

    if first_cell * layers > thickness:
        raise InputError(f"{layers} layers of at least {first_cell:g} do not fit into {thickness:g}")
    if excess(MAX_GROWTH) < 0:
        raise InputError(
            f"{layers} layers from {first_cell:g} to {thickness:g} grow faster than {MAX_GROWTH}; "
            "use a finer level or a lower Reynolds number"
        )
    return float(brentq(excess, 1.0 + 1e-9, MAX_GROWTH, xtol=1e-13))


def layer_radii(first_cell: float, layers: int, far_radius: float = FAR_RADIUS) -> Floats:
    """Radii of the layers' spheres over the phantom sphere, in diameters, shape (layers + 1,)."""
    growth = growth_ratio(first_cell, far_radius - PHANTOM_RADIUS, layers)
    layer = np.arange(layers + 1, dtype=np.float64)
    radii = PHANTOM_RADIUS + first_cell * (np.power(growth, layer) - 1.0) / (growth - 1.0)
    radii[-1] = far_radius
    return radii


def build_shell(
    radius: Callable[[Floats], Floats],
    level: Level,
    first_cell: float,
    mirrored: bool = False,
    far_radius: float = FAR_RADIUS,
    fit: Callable[[Floats, NDArray[np.int64]], tuple[Floats, float]] | None = None,
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
    """
    directions, quads = (half_cubed_sphere if mirrored else cubed_sphere)(level.n)
    directions, factor = (directions, 1.0) if fit is None else fit(directions, quads)
    displacement = factor * (radius(directions) - PHANTOM_RADIUS)
    radii = layer_radii(first_cell, level.layers, far_radius)
    fade = (1.0 - np.clip((radii - PHANTOM_RADIUS) / FADE_THICKNESS, 0.0, 1.0)) ** 3
    lengths = radii[:, None] + fade[:, None] * displacement[None, :]
    points = (lengths[:, :, None] * directions[None, :, :]).reshape(-1, 3)
    return Shell(points, quads.astype(np.int32), level.layers, mirrored)


def surface_velocity(points: Floats, spin_ratio: float) -> Floats:
    """Velocity omega x r of a ball with backspin.

    Backspin turns about +y with omega = 2 S in solver units (U = D = 1), so that the top of the ball moves
    with the air.

    Parameters
    ----------
    points : ndarray, shape (m, 3)
        Positions in ball diameters.
    spin_ratio : float
        S = omega D / (2 U).

    Returns
    -------
    ndarray, shape (m, 3)
        In units of the free stream.
    """
    return np.cross([0.0, 2.0 * spin_ratio, 0.0], points)


def rotated_about_y(vectors: Floats, angle: float) -> Floats:
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
    return vectors @ np.array([[cosine, 0.0, -sine], [0.0, 1.0, 0.0], [sine, 0.0, cosine]])


def wall_velocity(shell: Shell, spin_ratio: float) -> Floats:
    """Velocity of the spinning ball's surface, its wall-normal part removed.

    A dimpled wall turning past a fixed mesh would blow through its own faces; the tangential
    part alone drags the air along.

    Parameters
    ----------
    shell : Shell
        The mesh.
    spin_ratio : float
        S = omega D / (2 U).

    Returns
    -------
    ndarray, shape (q, 3)
        Velocity at each face on the ball, in units of the free stream.
    """
    centres, normals = shell.ball_faces()
    velocity = surface_velocity(centres, spin_ratio)
    return velocity - np.sum(velocity * normals, axis=1, keepdims=True) * normals
