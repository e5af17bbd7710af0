"""Features of a ball that its drag and lift depend on, from the geometry alone."""

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.ball.height_field import DimpledBall

FEATURES = (
    "coverage", "count", "chord_diameter_m", "chord_spread", "edge_angle_deg", "dimple_volume_share",
    "land_m", "uniformity",
)  # fmt: skip
"""Dimpled share of the sphere; number of dimples; mean chord diameter [m]; its standard deviation over the
dimples as a share of the mean; mean edge angle [deg]; dimple volume as a share of the sphere's; mean land
to the nearest neighbour [m]; standard deviation of that land over the mean chord diameter, 0 for an even
ball."""


RATIO_DECIMALS = 9
"""Spreads are zero where they are that but for rounding: no feature is made of it."""


def features_of(ball: DimpledBall) -> dict[str, float]:
    """Features of a ball, by the names of `FEATURES`.

    Parameters
    ----------
    ball : DimpledBall
        With at least two round dimples.
    """
    chords, diameter = ball.layout.chord_diameters_m, ball.ball_diameter_m
    land = nearest_land_m(ball)
    values = (
        float(ball.solid_angles.sum() / (4.0 * np.pi)),
        float(len(chords)),
        float(chords.mean()),
        round(float(chords.std() / chords.mean()), RATIO_DECIMALS),
        float(np.degrees(ball.cavities.edge_angle_rad).mean()),
        float(ball.cavities.volume_m3.sum() / (np.pi * diameter**3 / 6.0)),
        float(land.mean()),
        round(float(land.std() / chords.mean()), RATIO_DECIMALS),
    )
    return dict(zip(FEATURES, values, strict=True))


def nearest_land_m(ball: DimpledBall) -> FloatArray:
    """Land from each dimple's edge to the nearest other one, along the phantom sphere, shape (n,) [m]."""
    beta = ball.cavities.half_angle_rad
    cosines = np.clip(ball.layout.directions @ ball.layout.directions.T, -1.0, 1.0)
    land = np.arccos(cosines) - beta[:, None] - beta
    np.fill_diagonal(land, np.inf)
    return np.asarray(land.min(axis=1) * ball.ball_diameter_m / 2.0)
