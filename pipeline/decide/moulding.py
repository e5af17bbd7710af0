"""Tolerances of the mould, and how many of its balls stay within a yard."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.quantities import YARD_M
from pipeline.study import Moulding

FloatArray = NDArray[np.float64]

BALLS = 4096
SEED = 3


@dataclass(frozen=True)
class AngleOfDepth:
    """Edge angle against depth of one pattern, both increasing, shapes (d,), d at least 2."""

    depth_m: FloatArray
    edge_angle_deg: FloatArray

    def slope(self, depth_m: float) -> float:
        """Change of the edge angle with the depth at a depth [deg/m]."""
        return float(np.interp(depth_m, self.depth_m, np.gradient(self.edge_angle_deg, self.depth_m)))


def angle_of_depth(coefficients: pd.DataFrame, pattern: str) -> AngleOfDepth | None:
    """Read edge angles off coefficients.csv; None where fewer than two depths have one."""
    if "edge_angle_deg" not in coefficients:
        return None
    rows = coefficients[coefficients["pattern"] == pattern]
    known = rows[["depth_m", "edge_angle_deg"]].dropna().drop_duplicates("depth_m").sort_values("depth_m")
    if len(known) < 2:
        return None
    return AngleOfDepth(known["depth_m"].to_numpy(float), known["edge_angle_deg"].to_numpy(float))


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
        Even grid of depths and what they are worth [m].
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
