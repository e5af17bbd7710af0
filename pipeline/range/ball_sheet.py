"""Measured balls: mass, diameter and depth as moulded, by class of dimple, as CSV."""

import math
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.errors import InputError
from pipeline.files.columns import Column, Problems, read_columns

COLUMNS = {
    "depth": Column("length", 0.0, 1e-3, "mm"),
    "mass": Column("mass", 0.030, 0.060, "g"),
    "diameter": Column("length", 0.035, 0.050, "mm"),
    "count": Column("count", 1.0, 2000.0, ""),
}


class MouldedBall(NamedTuple):
    """A ball as it was moulded; NaN where not measured.

    `depth_m` is the mean over its classes of dimples, each weighed by its count of dimples where given.
    """

    mass_kg: float
    diameter_m: float
    depth_m: float


def read_ball_sheet(path: Path) -> dict[str, MouldedBall]:
    """Read a sheet of measured balls: one row a ball, or a ball and class of dimples.

    Parameters
    ----------
    path : Path
        CSV with the columns ball and, where known, class, count (of dimples of the class), depth_mm, mass_g,
        diameter_mm.

    Returns
    -------
    dict
        Balls by name.

    Raises
    ------
    InputError
        Every fault at once, each with its line.
    """
    problems = Problems()
    table = read_columns(path, "a CSV of measured balls", COLUMNS, ("ball", "class"), ("ball",), problems)
    if table is None or "ball" not in table.texts:
        problems.refuse()
        raise InputError(f"{path}: names no ball")
    classes = table.texts.get("class", [""] * len(table.lines))
    rows: dict[str, list[int]] = {}
    for place, ball in enumerate(table.texts["ball"]):
        rows.setdefault(ball, []).append(place)
    balls = {}
    for ball, own in rows.items():
        of_ball = {}
        for name in ("mass", "diameter"):
            known = [place for place in own if not math.isnan(table.values[name][place])]
            values = table.values[name][known]
            if len(known) and np.ptp(values) > 0:
                problems.add(path, int(table.lines[known[-1]]), f"{name}: ball {ball} has two; keep one")
            of_ball[name] = float(values[0]) if len(known) else math.nan
        if len({classes[place] for place in own}) < len(own):
            problems.add(path, int(table.lines[own[-1]]), f"class: ball {ball} has one twice; keep one row")
        depths, counts = table.values["depth"][own], table.values["count"][own]
        if np.isnan(counts).any() and not np.isnan(counts).all():
            problems.add(
                path,
                int(table.lines[own[0]]),
                f"count: ball {ball} has it for some classes; give all or none",
            )
        counts = np.where(np.isnan(counts), 1.0, counts)
        known_depth = ~np.isnan(depths)
        depth = (
            float(np.average(depths[known_depth], weights=counts[known_depth]))
            if known_depth.any()
            else math.nan
        )
        balls[ball] = MouldedBall(of_ball["mass"], of_ball["diameter"], depth)
    problems.refuse()
    return balls
