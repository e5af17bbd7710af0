"""Carry and peak height as linear functions of a ball's coefficients, about what the family has in common.

Patterns of a family differ by a few per cent in drag and lift, so that a flight with another pattern's table
is that with the common table plus slopes times differences at the nodes. Slopes are differences of whole
flights.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from pipeline.aero.conditions import Points
from pipeline.aero.table import TableBatch, padded
from pipeline.arrays import FloatArray

Fly = Callable[[TableBatch], tuple[FloatArray, FloatArray]]
"""Carry and peak height of each of n tables, shapes (n,) [m]: means over all shots that count."""

STEPS = (0.005, 0.01)
"""Steps of Cd and Cl by which slopes are found [-]: what patterns differ by."""

REYNOLDS_NODES, SPIN_RATIO_NODES = 14, 6
"""Nodes of the tables; in ln Re three times as dense at the lower end, where the drag crisis bends."""

_SLOPE_DEPTHS = 3

MET = 1e-4
"""Slope of a node over the greatest one below which no flight meets it."""


class LinearFlights(NamedTuple):
    """Flights at g depths, linear in Cd and Cl at k nodes.

    Parameters
    ----------
    depth_m : ndarray, shape (g,)
        Depths [m].
    points : Points
        Nodes of all depths, shape (g k,), those of the first depth first.
    reference : ndarray, shape (2, g k)
        Cd and Cl about which flights are linear [-].
    carry_m, peak_m : ndarray, shape (g,)
        With these [m].
    carry_slope_m, peak_slope_m : ndarray, shape (2, g, k)
        Change for a change of Cd and of Cl at each node [m].
    """

    depth_m: FloatArray
    points: Points
    reference: FloatArray
    carry_m: FloatArray
    peak_m: FloatArray
    carry_slope_m: FloatArray
    peak_slope_m: FloatArray


def node_axes(
    reynolds: tuple[float, float], spin_ratio: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Nodes in Reynolds number and spin ratio between the ends of what flights pass through."""
    share = np.linspace(0.0, 1.0, REYNOLDS_NODES)
    low, high = np.log(reynolds)
    return np.exp(low + (high - low) * 0.5 * share * (1.0 + share)), np.linspace(
        *spin_ratio, SPIN_RATIO_NODES
    )


def linearised(
    depth_m: FloatArray, reynolds: FloatArray, spin_ratio: FloatArray, reference: FloatArray, flying: Fly
) -> LinearFlights:
    """Fly the common coefficients at every depth, and with each of them changed at three depths.

    Parameters
    ----------
    depth_m : ndarray, shape (g,)
        Increasing, at least three [m].
    reynolds, spin_ratio : ndarray, shapes (r,) and (s,)
        Nodes of the tables.
    reference : ndarray, shape (2, g, r, s)
        Common Cd and Cl.
    flying : callable
        As of `Fly`.

    Returns
    -------
    LinearFlights
        With those k of the r s nodes that a flight meets.
    """
    nodes = reynolds.size * spin_ratio.size
    values = np.moveaxis(reference, 0, -1)
    at = np.linspace(0, depth_m.size - 1, _SLOPE_DEPTHS).round().astype(int)
    steps = np.zeros((2 * nodes, nodes, 2))
    for c in range(2):
        steps[c * nodes + np.arange(nodes), np.arange(nodes), c] = STEPS[c]
    changed = values[at][:, None] + steps.reshape(2 * nodes, *values.shape[1:])
    every = np.concatenate([values, changed.reshape(-1, *values.shape[1:])])
    tables = padded(
        reynolds, spin_ratio, np.concatenate([every, 0.0 * every[..., :1]], axis=-1), has_cm=False
    )
    flown = np.stack(flying(tables))
    base, after = flown[:, : depth_m.size], flown[:, depth_m.size :].reshape(2, at.size, 2, nodes)
    slopes = (after - base[:, at, None, None]) / np.array(STEPS)[:, None]
    whole = np.empty((2, 2, depth_m.size, nodes))
    low = np.clip(np.searchsorted(depth_m[at], depth_m, side="right") - 1, 0, at.size - 2)
    share = (depth_m - depth_m[at][low]) / (depth_m[at][low + 1] - depth_m[at][low])
    for c in range(2):
        of = slopes[:, :, c]
        whole[:, c] = of[:, low] * (1.0 - share)[:, None] + of[:, low + 1] * share[:, None]
    # Flights pass through a band of the nodes: those that none of them meets are left out.
    met = np.abs(whole).max(axis=(0, 1, 2)) > MET * np.abs(whole).max()
    points = Points.grid(depth_m, reynolds, spin_ratio)
    kept = points.at(np.tile(met, depth_m.size))
    common = reference.reshape(2, -1)[:, np.tile(met, depth_m.size)]
    return LinearFlights(depth_m, kept, common, base[0], base[1], whole[0][..., met], whole[1][..., met])
