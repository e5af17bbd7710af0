"""Pictures of the ball, coloured by the depth of its surface below the phantom sphere.

Drawing goes on in a process of its own (`python -m pipeline.report.ball_picture`): on a machine without
graphics libraries VTK does not raise but ends the process.
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypedDict

from pipeline.report.colours import SURFACE_MAP

PIXELS = 640
"""Width and height of a picture."""

SECONDS_A_PICTURE = 30.0
"""A picture takes less than a second; a process that hangs is given up after this time for each."""

MARGIN = 1.03
"""Half the height of a picture in radii of the phantom sphere."""

VIEW_FROM = (0.86, -0.42, 0.30)
"""Direction from the ball to the viewer; the third axis is up."""

_KEY_LIGHT = (0.2, -1.0, 1.1)
_FILL_LIGHT = (1.0, 0.6, -0.2)


def draw_balls(pictures: Mapping[Path, Path], ball_diameter_m: float, deepest_m: float) -> list[str]:
    """Draw balls from the same side, in the same light and on one colour scale.

    Parameters
    ----------
    pictures : mapping
        From each PNG to be written to its skin (PLY in mm).
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    deepest_m : float
        Depth at the dark end of the colour scale [m].

    Returns
    -------
    list of str
        Why pictures are missing, one line; empty when all were drawn.
    """
    if not pictures:
        return []
    task: _Task = {
        "pictures": {str(picture): str(skin) for picture, skin in pictures.items()},
        "radius_mm": 500.0 * ball_diameter_m,
        "deepest_um": 1e6 * deepest_m,
    }
    root = str(Path(__file__).resolve().parents[2])
    paths = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.report.ball_picture"],
            input=json.dumps(task),
            capture_output=True,
            text=True,
            errors="replace",
            env=os.environ | {"PYTHONPATH": paths},
            timeout=SECONDS_A_PICTURE * (1 + len(pictures)),
            check=False,
        )
    except subprocess.TimeoutExpired:
        return ["pictures of the ball: the drawing process hung and was given up"]
    if done.returncode == 0:
        return []
    said = [line.strip() for line in done.stderr.splitlines() if line.strip()]
    reason = f"signal {-done.returncode}" if done.returncode < 0 else f"exit code {done.returncode}"
    return [f"pictures of the ball: the drawing process failed ({said[-1][:200] if said else reason})"]


class _Task(TypedDict):
    """Pictures by the skin that each shows, and the scale of their colours."""

    pictures: dict[str, str]
    radius_mm: float
    deepest_um: float


def _draw(task: _Task) -> None:
    import numpy as np
    import pyvista

    for picture, skin in task["pictures"].items():
        surface = pyvista.read(skin)
        if surface.n_points == 0:
            raise ValueError(f"{Path(skin).name} has no points")
        below = 1e3 * (task["radius_mm"] - np.linalg.norm(surface.points, axis=1))
        surface["below"] = np.clip(below, 0.0, None)
        surface = surface.compute_normals(cell_normals=False, split_vertices=False)
        plotter: Any = pyvista.Plotter(off_screen=True, window_size=[PIXELS, PIXELS], lighting="none")
        plotter.set_background("white")
        plotter.add_mesh(
            surface,
            scalars="below",
            cmap=SURFACE_MAP,
            clim=(0.0, task["deepest_um"]),
            smooth_shading=True,
            show_scalar_bar=False,
            ambient=0.45,
            diffuse=0.6,
            specular=0.15,
            specular_power=25.0,
        )
        for place, intensity in ((_KEY_LIGHT, 0.85), (_FILL_LIGHT, 0.35)):
            plotter.add_light(pyvista.Light(position=place, intensity=intensity, light_type="scene light"))
        plotter.enable_parallel_projection()
        plotter.enable_anti_aliasing("ssaa")
        radius = task["radius_mm"]
        plotter.camera_position = [tuple(10 * radius * c for c in VIEW_FROM), (0, 0, 0), (0, 0, 1)]
        plotter.camera.parallel_scale = MARGIN * radius
        plotter.screenshot(picture)
        plotter.close()


if __name__ == "__main__":
    _draw(json.load(sys.stdin))
