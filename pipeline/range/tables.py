"""Coefficient tables of reduced firings, for flights: their mean with standard errors, and joint draws."""

from typing import NamedTuple

import numpy as np

from pipeline.aero.region import Region
from pipeline.aero.table import BOUNDS, CoefficientTable, TableBatch, padded
from pipeline.arrays import BoolArray, FloatArray
from pipeline.range.reduce import Reduction

NODES = (9, 9)
"""Reynolds numbers and spin ratios of a table."""


class PatternTable(NamedTuple):
    """Drag and lift of one pattern at one depth on a full grid.

    Outside the region that shots covered, values are those of its nearest point; `inside`, shape (nr, ns),
    says where. `draws` are joint draws of the coefficients' posterior on the same grid.
    """

    pattern: str
    depth_m: float
    table: CoefficientTable
    inside: BoolArray
    draws: TableBatch


def region_of(reduction: Reduction, pattern: int) -> Region:
    """Region that a pattern's shots covered."""
    own = reduction.shot_kept & (reduction.data.pattern == pattern)
    own = own if own.any() else reduction.data.pattern == pattern
    return Region.of(reduction.shot_reynolds[own], reduction.shot_spin_ratio[own])


def pattern_table(
    reduction: Reduction,
    pattern: int,
    draws: FloatArray,
    reynolds: FloatArray | None = None,
    spin_ratio: FloatArray | None = None,
    depth_m: float | None = None,
) -> PatternTable:
    """Tabulate one pattern.

    Parameters
    ----------
    reduction : Reduction
        Reduced firings.
    pattern : int
        Number of the pattern.
    draws : ndarray, shape (n, k)
        Draws of the common parameters (`Common.draws`).
    reynolds, spin_ratio : ndarray, optional
        Nodes; evenly over the region of the pattern's shots when absent.
    depth_m : float, optional
        Depth; the mean of the pattern's balls when absent [m].
    """
    own = reduction.data.pattern == pattern
    re_seen, s_seen = reduction.shot_reynolds[own], reduction.shot_spin_ratio[own]
    re = np.geomspace(re_seen.min(), re_seen.max(), NODES[0]) if reynolds is None else reynolds
    s = np.linspace(s_seen.min(), s_seen.max(), NODES[1]) if spin_ratio is None else spin_ratio
    shape = (re.size, s.size)
    near_re, near_s, inside = region_of(reduction, pattern).nearest(re[:, None], s[None, :])
    at = (pattern, near_re.ravel(), near_s.ravel(), depth_m)
    cd, cl = reduction.coefficients(*at)
    covariance = reduction.covariance_at(*at)
    table = CoefficientTable(
        re, s, np.clip(cd, *BOUNDS["cd"]).reshape(shape), cl.reshape(shape),
        cd_se=np.sqrt(covariance[:, 0, 0]).reshape(shape), cl_se=np.sqrt(covariance[:, 1, 1]).reshape(shape),
    )  # fmt: skip
    drawn = np.stack(reduction.coefficients(*at, parameters=draws), axis=-1)
    values = np.concatenate([drawn, np.zeros((*drawn.shape[:2], 1))], axis=-1).reshape(-1, *shape, 3)
    values[..., 0] = np.maximum(values[..., 0], BOUNDS["cd"][0])
    depth = reduction.data.reference_depth_m[pattern] if depth_m is None else depth_m
    return PatternTable(
        reduction.data.patterns[pattern], float(depth), table, inside, padded(re, s, values, False)
    )  # fmt: skip
