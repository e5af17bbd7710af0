"""An invented surface of a run: half a smooth ball with the pressure of potential flow."""

from pathlib import Path

import numpy as np

from pipeline.files.meshes import write_surface_mesh
from pipeline.geometry.shell.cubed_sphere import half_cubed_sphere


def write_invented_surface(path: Path) -> None:
    """Cp = 1 - 9/4 sin^2 theta (potential flow past a sphere, Batchelor 1967, section 6.8 [memory])."""
    directions, quads = half_cubed_sphere(12)
    x = directions[quads].mean(axis=1)[:, 0]
    friction = np.stack([0.01 * (1.0 - x**2), 0.0 * x, 0.0 * x], axis=1)
    fields = {"pressure_coefficient": 1.0 - 2.25 * (1.0 - x**2), "friction_coefficient": friction}
    write_surface_mesh(path, 0.5 * directions, quads, fields)
