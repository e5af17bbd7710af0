"""Number of cells that a run has across its boundary layer, and that layer's thickness."""

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.flow.solver.boundary_layer import polar_angle
from pipeline.flow.solver.surface_motion import surface_velocity
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Shell

BAND = np.radians([60.0, 80.0])
"""Where the boundary layer is looked at: in front of any separation."""

OUTER_HEIGHT = 0.1
"""The edge of the boundary layer is looked for below this height, in diameters."""

EDGE_SHARE = 0.99
"""Share of the greatest speed near the wall at which the layer ends: the usual thickness delta_99."""


def boundary_layer(shell: Shell, velocity: FloatArray, spin_ratio: float) -> tuple[float, int]:
    """Thickness of the boundary layer in front of the equator, and the cells across it.

    Parameters
    ----------
    shell : Shell
        The mesh.
    velocity : ndarray, shape (cells, 3)
        Cell velocities in solver units, in the frame in which the ball stands as the shell has it.
    spin_ratio : float
        S; speeds are taken relative to the turning wall.

    Returns
    -------
    thickness : float
        delta_99 in diameters: the median over the meridians and angles of `BAND`.
    cells : int
        Cells that a column has below it, the median too.
    """
    centres, _ = shell.ball_faces()
    angle = polar_angle(centres / np.linalg.norm(centres, axis=1, keepdims=True))
    columns = np.flatnonzero((angle > BAND[0]) & (angle < BAND[1]))
    cells = np.stack([shell.cells_over(layer)[columns] for layer in range(shell.layers)])
    middle = shell.cell_centres()[cells]  # (layers, columns, 3)
    height = np.linalg.norm(middle, axis=2) - np.linalg.norm(centres[columns], axis=1)
    wall = surface_velocity(middle.reshape(-1, 3), spin_ratio).reshape(middle.shape)
    speed = np.linalg.norm(velocity[cells] - wall * _at_wall(middle)[..., None], axis=2)
    near = height < OUTER_HEIGHT
    edge = EDGE_SHARE * np.where(near, speed, 0.0).max(axis=0)
    first, along = np.argmax(speed >= edge, axis=0), np.arange(len(columns))
    last = np.maximum(first - 1, 0)
    rise = np.maximum(speed[first, along] - speed[last, along], 1e-12)
    share = np.clip((edge - speed[last, along]) / rise, 0.0, 1.0)
    thickness = height[last, along] + share * (height[first, along] - height[last, along])
    return float(np.median(thickness)), int(np.median(first))


def _at_wall(middle: FloatArray) -> FloatArray:
    """Scale that takes omega x r to the speed of the wall below a point."""
    return np.asarray(PHANTOM_RADIUS / np.linalg.norm(middle, axis=2))
