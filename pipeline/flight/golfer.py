"""Shots of a golfer: the mean launch and its scatter."""

import numpy as np

from pipeline.flight.trajectory import Launches
from pipeline.study import Golfer

SLOWEST_SHOT_M_S = 1.0
"""Draws below this ball speed are raised to it [m/s]."""


def draw_shots(golfer: Golfer, n: int, seed: int) -> Launches:
    """Draw launches of a golfer, the same for every ball, so that balls are compared on the same shots.

    Parameters
    ----------
    golfer : Golfer
        Mean launch and its standard deviations (independent of each other, Gaussian).
    n : int
        Number of shots, at least 1; a golfer without spread hits one.
    seed : int
        Seed of the draw.

    Returns
    -------
    Launches
        Arrays of shape (n,), or (1,) without spread. The draws fill the four-dimensional normal distribution
        evenly (scrambled Halton points), so that their mean settles faster than that of independent draws.
        Ball speed and backspin that a wide spread would make negative are cut off at 1 m/s and at 0.
    """
    names = ("ball_speed_m_s", "launch_angle_rad", "backspin_rad_s", "axis_tilt_rad")
    mean = np.array([getattr(golfer.launch, name) for name in names])
    spread = np.array([getattr(golfer.spread, name) for name in names])
    if not spread.any():
        return Launches(*mean[:, None])
    from scipy.special import ndtri
    from scipy.stats.qmc import Halton

    # A point can lie on the edge of the unit cube only by rounding; its normal quantile must stay finite.
    cube = np.clip(Halton(d=4, rng=np.random.default_rng(seed)).random(n), 1e-9, 1 - 1e-9)
    speed, angle, spin, tilt = (mean + spread * ndtri(cube)).T
    return Launches(np.maximum(speed, SLOWEST_SHOT_M_S), angle, np.maximum(spin, 0.0), tilt)
