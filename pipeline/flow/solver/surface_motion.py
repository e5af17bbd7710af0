"""Velocity of a spinning ball's surface: of its points, and its tangential part on the faces of a shell."""

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.shell.mesh import Shell


def surface_velocity(points: FloatArray, spin_ratio: float) -> FloatArray:
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


def wall_velocity(shell: Shell, spin_ratio: float) -> FloatArray:
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
    return np.asarray(velocity - np.sum(velocity * normals, axis=1, keepdims=True) * normals)
