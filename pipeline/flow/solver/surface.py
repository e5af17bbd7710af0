"""The ball's surface: y+, pressure and friction, and a VTK file of them for pictures."""

from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.files.meshes import write_surface_mesh
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.mesh import Shell


def wall_friction(
    shell: Shell, velocity: FloatArray, reynolds: float, spin_ratio: float
) -> tuple[FloatArray, FloatArray]:
    """Wall shear stress of every face on the ball, and the height of its first cell's centre.

    Within the viscous sublayer the shear is nu times the tangential velocity relative to the wall over the
    distance from it.

    Parameters
    ----------
    shell : Shell
        The mesh.
    velocity : ndarray, shape (cells, 3)
        Cell velocities in solver units.
    reynolds, spin_ratio : float
        Flow.

    Returns
    -------
    stress : ndarray, shape (q, 3)
        On the ball, in units of rho U^2.
    height : ndarray, shape (q,)
        In diameters.
    """
    centres, normals = shell.ball_faces()
    upper = shell.points[shell.blocks[0].nodes[1][shell.quads]].mean(axis=1)
    height = 0.5 * np.abs(np.sum((upper - centres) * normals, axis=1))
    relative = velocity[shell.cells_over(0)] - wall_velocity(shell, spin_ratio)
    tangential = relative - np.sum(relative * normals, axis=1, keepdims=True) * normals
    return tangential / (height[:, None] * reynolds), height


def wall_yplus(shell: Shell, velocity: FloatArray, reynolds: float, spin_ratio: float) -> FloatArray:
    """Wall distance y+ of the centre of every first cell: y+ = u_tau y / nu, u_tau the root of the shear.

    Parameters
    ----------
    shell, velocity, reynolds, spin_ratio
        As for `wall_friction`.

    Returns
    -------
    ndarray, shape (q,)
        y+ of each face on the ball.
    """
    stress, height = wall_friction(shell, velocity, reynolds, spin_ratio)
    return np.asarray(np.sqrt(np.linalg.norm(stress, axis=1)) * height * reynolds)


def write_surface(
    path: Path, shell: Shell, state: dict[str, FloatArray], reynolds: float, spin_ratio: float
) -> None:
    """Write the ball's surface with its pressure and friction as a legacy VTK file (binary, single).

    Parameters
    ----------
    path : Path
        File to write.
    shell : Shell
        The mesh; half a ball gives half a surface.
    state : dict of ndarray
        Cell fields, U and p among them. The pressure's gradient vanishes at the wall, so that the pressure of
        the first cell is that on the ball.
    reynolds, spin_ratio : float
        Flow.
    """
    stress, _ = wall_friction(shell, state["U"], reynolds, spin_ratio)
    nodes, corners = np.unique(shell.quads, return_inverse=True)
    fields = {
        "pressure_coefficient": 2.0 * state["p"][shell.cells_over(0)].astype(np.float32),
        "friction_coefficient": 2.0 * stress.astype(np.float32),
    }
    write_surface_mesh(path, shell.points[nodes].astype(np.float32), corners.reshape(-1, 4), fields)
