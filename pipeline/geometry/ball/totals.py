"""Totals of a dimpled ball: count, coverage, volumes, narrowest land, ranges of depth and edge angle."""

from collections.abc import Callable
from statistics import fmean
from typing import Any

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.ball.balance import balance, class_totals, free_great_circles
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import narrowest_land
from pipeline.records.geometry import BallTotals


def totals(ball: DimpledBall) -> BallTotals:
    """Totals of a ball, in closed form.

    Parameters
    ----------
    ball : DimpledBall
        The ball.

    Returns
    -------
    BallTotals
        ``count``, ``symmetry`` and ``order`` of the layout; ``coverage``, the share of the
        phantom sphere's area inside the (sharp) edges; ``dimple_volume_m3`` removed from the
        phantom sphere, ``dimple_volume_share`` of it, ``enclosed_volume_m3`` left; ``narrowest_land_m``
        along the phantom sphere; mean, least and greatest surface depth (``depth_m``, ``depth_min_m``,
        ``depth_max_m``) and edge angle (``edge_angle_deg``, ``edge_angle_min_deg``,
        ``edge_angle_max_deg``), means taken over the dimples; ``chord_diameter_min_m`` and
        ``chord_diameter_max_m``; ``classes``, ``balance`` and ``free_great_circles`` as of
        `pipeline.geometry.ball.balance`; ``seam`` kept free and ``seam_clearance_m``, from it to the nearest
        dimple along the phantom sphere. What has no value, on a smooth ball for example, is None.
    """
    chords, depths, diameter = ball.layout.chord_diameters_m, ball.depths_m, ball.ball_diameter_m
    phantom = np.pi * diameter**3 / 6
    volume = float(ball.cavities.volume_m3.sum())
    angles = np.degrees(ball.cavities.edge_angle_rad)
    seam = ball.layout.seam
    clearance = None
    if seam is not None and len(chords):
        angle = seam.clearance(ball.layout.directions)[0].min(axis=1)
        clearance = float((angle - ball.reach_rad).min()) * diameter / 2
    return BallTotals(
        count=len(chords),
        symmetry=ball.layout.symmetry,
        order=ball.layout.order,
        coverage=float(ball.solid_angles.sum() / (4 * np.pi)),
        dimple_volume_m3=volume,
        dimple_volume_share=float(volume / phantom),
        enclosed_volume_m3=float(phantom - volume),
        narrowest_land_m=narrowest_land(ball.layout, diameter),
        depth_m=_or_none(_mean, depths),
        depth_min_m=_or_none(np.min, depths),
        depth_max_m=_or_none(np.max, depths),
        edge_angle_deg=_or_none(_mean, angles),
        edge_angle_min_deg=_or_none(np.min, angles),
        edge_angle_max_deg=_or_none(np.max, angles),
        chord_diameter_min_m=_or_none(np.min, chords),
        chord_diameter_max_m=_or_none(np.max, chords),
        classes=class_totals(ball),
        balance=balance(ball),
        free_great_circles=free_great_circles(ball),
        seam=None if seam is None else "undulating" if seam.waves else "straight",
        seam_clearance_m=clearance,
    )


def _mean(values: FloatArray) -> float:
    """Mean; of equal values it is that value to the last digit, which tables of results are keyed by."""
    return float(values[0] + fmean(values - values[0]))


def _or_none(statistic: Callable[..., Any], values: FloatArray) -> float | None:
    return float(statistic(values)) if len(values) else None
