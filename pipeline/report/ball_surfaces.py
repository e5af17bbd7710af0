"""Surfaces of the ball for the page's 3-D view: depth of every variant, pressure and friction of runs."""

from pathlib import Path

import numpy as np

from pipeline.geometry.shell.cubed_sphere import cubed_sphere
from pipeline.records import tree
from pipeline.records.flow import USABLE
from pipeline.report.inputs import Inputs
from pipeline.report.layout_pictures import made_ball
from pipeline.report.page_data import Packed, packed

CELLS_A_CUBE_EDGE = 64
"""Of the grid that depths are shown on: cells 0.5 mm wide, about eight across a dimple."""

MOST_BYTES = 1_500_000
"""Room in the page for the surfaces of runs; the first of `_in_order` that fit are shown."""

_FIELDS = {"pressure_coefficient": "pressure", "friction_coefficient": "friction"}


def ball_surfaces(inputs: Inputs, results: Path) -> dict[str, object]:
    """Return the surfaces that the page can show.

    Parameters
    ----------
    inputs : Inputs
        The results.
    results : Path
        Their folder; surfaces of runs are there where the study keeps them.

    Returns
    -------
    dict
        `cells`, the cells along a cube's edge of the equiangular cubed sphere; `variants`, each with the
        depth below the phantom sphere of every node of that grid, in 65535ths of `deepest_m`; `runs`, each
        with the points of its own mesh (in 32767ths of the radius), its quadrilaterals, and their Cp and
        |Cf|.
    """
    directions, _ = cubed_sphere(CELLS_A_CUBE_EDGE)
    radius = 0.5 * inputs.study.ball.diameter_m
    below = {}
    for variant in inputs.variants:
        ball = made_ball(tree.variant_folder(results, variant.pattern, variant.key))
        if ball is not None:
            below[variant.pattern, variant.key] = np.maximum(radius - ball.radius(directions), 0.0)
    deepest = max((float(depth.max()) for depth in below.values()), default=0.0) or 1.0
    return {
        "cells": CELLS_A_CUBE_EDGE,
        "radius_m": radius,
        "deepest_m": deepest,
        "variants": [
            {
                "pattern": variant.pattern,
                "key": variant.key,
                "depth_m": inputs.depth_m(variant),
                "below": packed(np.rint(65535.0 * below[variant.pattern, variant.key] / deepest), "<u2"),
            }
            for variant in inputs.variants
            if (variant.pattern, variant.key) in below
        ],
        "runs": _runs(inputs, results),
    }


def _runs(inputs: Inputs, results: Path) -> list[dict[str, object]]:
    """Surfaces of runs with numbers, the fastest and most strongly spinning first, while there is room."""
    found: list[dict[str, object]] = []
    room = MOST_BYTES
    usable = set(inputs.coefficients.loc[inputs.coefficients["verdict"].isin(USABLE), "run"])
    for run in sorted(inputs.plan, key=lambda of: (-of.reynolds, -of.spin_ratio)):
        path = results / run.run_id / tree.SURFACE
        if run.run_id not in usable or not path.is_file():
            continue
        surface = read_surface(path)
        room -= sum(len(part["data"]) for part in surface.values())
        if room < 0:
            break
        name = f"{run.pattern}, {run.variant_key}, Re {run.reynolds:g}, S {run.spin_ratio:g}"
        found.append({"name": name, "pattern": run.pattern, **surface})
    return found


def read_surface(path: Path) -> dict[str, Packed]:
    """Read a run's surface: points, quadrilaterals, pressure and friction, a half ball made whole.

    Parameters
    ----------
    path : Path
        As from `pipeline.flow.solver.surface.write_surface`.

    Returns
    -------
    dict
        `points`, `quads`, `pressure` and `friction`, packed; the latter two in bytes with `low` and `high`.
    """
    import meshio

    mesh = meshio.read(path)
    points, quads = np.asarray(mesh.points, float), mesh.cells_dict["quad"]
    values = {}
    for field, name in _FIELDS.items():
        value = np.asarray(mesh.cell_data_dict[field]["quad"], float)
        values[name] = np.linalg.norm(value, axis=1) if value.ndim == 2 else value
    if points[:, 1].min() > -1e-6:  # the flow is the same on both sides of its mirror plane
        mirrored = points * np.array([1.0, -1.0, 1.0])
        quads = np.concatenate([quads, len(points) + quads[:, ::-1]])
        points = np.concatenate([points, mirrored])
        values = {name: np.concatenate([value, value]) for name, value in values.items()}
    points = points / np.abs(points).max()
    found = {"points": packed(np.rint(32767.0 * points), "<i2"), "quads": packed(quads, "<u4")}
    for name, value in values.items():
        low, high = float(value.min()), float(value.max())
        span = high - low or 1.0
        found[name] = packed(np.rint(255.0 * (value - low) / span), "|u1")
        found[name] |= {"low": low, "high": high}
    return found
