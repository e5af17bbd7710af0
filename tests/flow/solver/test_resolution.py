"""Cells across the boundary layer, on velocities that are known."""

import numpy as np
import pytest

from pipeline.flow.solver.resolution import boundary_layer
from pipeline.flow.solver.surface_motion import surface_velocity
from pipeline.geometry.shell.mesh import Level, Shell, build_shell


def cell_centres(shell: Shell) -> np.ndarray:
    nodes = shell.points.reshape(shell.layers + 1, -1, 3)[:, shell.quads].mean(axis=2)
    return np.moveaxis(0.5 * (nodes[1:] + nodes[:-1]), 0, 1).reshape(-1, 3)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("spin_ratio", [0.0, 0.3])
def test_an_exponential_profile(mirrored: bool, spin_ratio: float) -> None:
    # u = 1 - exp(-y / d) reaches 0.99 at y = d ln 100, about a wall that may turn.
    shell = build_shell(lambda u: np.full(len(u), 0.5), Level(12, 80), 2e-4, mirrored)
    centres = cell_centres(shell)
    radius = np.linalg.norm(centres, axis=1)
    scale = 0.006
    profile = 1.0 - np.exp(-np.maximum(radius - 0.5, 0.0) / scale)
    wall = surface_velocity(0.5 * centres / radius[:, None], spin_ratio)
    meridian = np.array([1.0, 0.0, 0.0]) - centres * (centres[:, :1] / radius[:, None] ** 2)
    meridian /= np.linalg.norm(meridian, axis=1, keepdims=True)
    thickness, cells = boundary_layer(shell, wall + profile[:, None] * meridian, spin_ratio)
    assert thickness == pytest.approx(scale * np.log(100.0), rel=0.1)
    heights = np.sort(radius[: shell.layers] - radius[0])
    assert cells == pytest.approx(np.searchsorted(heights, scale * np.log(100.0)), abs=2)
