"""Share of moulded balls within a yard of the ball as cut, and which scatter of the mould limits it."""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.study.model import Moulding
from pipeline.study.units import YARD_M

BALLS = 4096
SEED = 3

SCATTERS = {"depth_m": "depth", "edge_angle_rad": "edge angle", "diameter_m": "diameter"}
"""Standard deviations of a mould and their names."""


@dataclass(frozen=True)
class MouldedShare:
    """Share of moulded balls within a yard, and what limits it.

    Parameters
    ----------
    share : float
        From `share_within`.
    limit : str or None
        The scatter (a value of `SCATTERS`) without which the share would be greatest; None when no scatter
        takes a ball out of the yard.
    share_without : float
        The share if that scatter were zero; `share` where `limit` is None.
    """

    share: float
    limit: str | None
    share_without: float


def moulded_share(
    grid_m: FloatArray,
    value_m: FloatArray,
    depth_m: float,
    m_per_m_diameter: float,
    scatter: Moulding,
    deg_per_m: float | None,
) -> MouldedShare:
    """Share of moulded balls within a yard, and the scatter that costs the most of them.

    Parameters
    ----------
    grid_m, value_m, depth_m, m_per_m_diameter, scatter, deg_per_m
        As of `share_within`.

    Returns
    -------
    MouldedShare
        Each scatter is set to zero in turn, the others kept; the same balls are drawn every time.
    """

    def share(of: Moulding) -> float:
        return share_within(grid_m, value_m, depth_m, m_per_m_diameter, of, deg_per_m)

    with_all = share(scatter)
    without = {words: share(scatter.model_copy(update={name: 0.0})) for name, words in SCATTERS.items()}
    limit = max(without, key=lambda words: without[words])
    if without[limit] <= with_all:
        return MouldedShare(with_all, None, with_all)
    return MouldedShare(with_all, limit, without[limit])


def share_within(
    grid_m: FloatArray,
    value_m: FloatArray,
    depth_m: float,
    m_per_m_diameter: float,
    scatter: Moulding,
    deg_per_m: float | None,
    loss_m: float = YARD_M,
) -> float:
    """Share of moulded balls that give away less than a yard.

    Parameters
    ----------
    grid_m, value_m : ndarray, shape (g,)
        Even grid of depths and their values [m].
    depth_m : float
        Depth that the mould is cut to [m].
    m_per_m_diameter : float
        Carry gained for a ball that is larger by a metre (negative: larger balls fly shorter).
    scatter : Moulding
        Standard deviations; Gaussian and independent.
    deg_per_m : float or None
        Change of the edge angle with the depth at a fixed chord [deg/m]; None where not known, and the
        scatter of the edge angle is then left out.
    loss_m : float
        What may be given away against a ball as cut [m].

    Returns
    -------
    float
        Share of 4096 evenly drawn balls. Depths beyond the grid count as its nearest end.
    """
    from scipy.special import ndtri
    from scipy.stats.qmc import Halton

    rng = np.random.default_rng(SEED)
    normal = ndtri(np.clip(Halton(d=3, rng=rng).random(BALLS), 1e-9, 1 - 1e-9))
    by_angle = np.degrees(scatter.edge_angle_rad) / deg_per_m if deg_per_m else 0.0
    depth = depth_m + scatter.depth_m * normal[:, 0] + by_angle * normal[:, 1]
    change = np.interp(depth, grid_m, value_m) - np.interp(depth_m, grid_m, value_m)
    change = change + m_per_m_diameter * scatter.diameter_m * normal[:, 2]
    return float(np.mean(change > -loss_m))
