"""The depth of greatest carry, and what it costs to miss it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import BoolArray, FloatArray
from pipeline.study.units import YARD_M


def curve(depth_m: ArrayLike, values: ArrayLike, at_m: ArrayLike) -> FloatArray:
    """Curve through the values at the depths flown.

    A cubic spline (not-a-knot): exact for values that are a polynomial of third degree in depth, a parabola
    through three depths, a straight line through two. A shape-preserving cubic (PCHIP) will not do here: its
    maximum can only lie at one of the depths studied.

    Parameters
    ----------
    depth_m : array_like, shape (d,)
        Depths, increasing, at least one [m].
    values : array_like, shape (d,) or (d, k)
        One curve or k curves.
    at_m : array_like, shape (g,)
        Depths wanted [m].

    Returns
    -------
    ndarray, shape (g,) or (g, k)
        With one depth, its value everywhere.
    """
    from scipy.interpolate import CubicSpline

    depth, y, at = np.asarray(depth_m, float), np.asarray(values, float), np.asarray(at_m, float)
    if depth.size == 1:
        return np.repeat(y, at.size, axis=0)
    # Scaled, so that the spline's equations are well conditioned for depths of fractions of a millimetre.
    span = depth[-1] - depth[0]
    return np.asarray(CubicSpline((depth - depth[0]) / span, y)((at - depth[0]) / span))


@dataclass(frozen=True)
class Best:
    """Greatest carry of k curves.

    Parameters
    ----------
    depth_m : ndarray, shape (k,)
        Depth of the greatest carry [m].
    carry_m : ndarray, shape (k,)
        That carry [m].
    at_edge : ndarray of bool, shape (k,)
        Whether it lies at the shallowest or the deepest depth studied, so that the carry may grow beyond.
    """

    depth_m: FloatArray
    carry_m: FloatArray
    at_edge: BoolArray


def best_on_grid(grid_m: FloatArray, values: FloatArray) -> Best:
    """Greatest value of curves given on an even grid, refined by the parabola through it and its neighbours.

    Parameters
    ----------
    grid_m : ndarray, shape (g,)
        Depths, even steps; one is enough [m].
    values : ndarray, shape (g, k)
        k curves [m].

    Returns
    -------
    Best
        Of k curves.
    """
    columns = np.arange(values.shape[1])
    if grid_m.size == 1:
        return Best(np.repeat(grid_m, columns.size), values[0].copy(), np.ones(columns.size, bool))
    top = values.argmax(axis=0)
    at_edge = (top == 0) | (top == grid_m.size - 1)
    middle = np.clip(top, 1, grid_m.size - 2)
    before, here, after = (values[middle + shift, columns] for shift in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.divide(0.5 * (before - after), bend, out=np.zeros_like(bend), where=bend < 0)
    shift = np.clip(shift, -1.0, 1.0)
    inside_depth = grid_m[middle] + shift * (grid_m[1] - grid_m[0])
    inside_value = here + 0.5 * shift * (after - before) + 0.5 * shift**2 * bend
    return Best(
        np.where(at_edge, grid_m[top], inside_depth),
        np.where(at_edge, values[top, columns], inside_value),
        at_edge,
    )


def tolerance_on_grid(grid_m: FloatArray, values: FloatArray, loss_m: float = YARD_M) -> float:
    """Change of depth from the best one that costs a given carry.

    Parameters
    ----------
    grid_m, values : ndarray, shape (g,)
        Even grid of depths, and the carry at them [m].
    loss_m : float
        Carry lost, a yard by default [m].

    Returns
    -------
    float
        The smaller of the changes towards shallower and deeper [m]; a side on which the loss is not reached
        within the depths studied does not count. NaN when it is reached on neither, and for one depth.
    """
    best = best_on_grid(grid_m, values[:, None])
    spare = values - (best.carry_m[0] - loss_m)
    crossings = np.flatnonzero(spare[:-1] * spare[1:] < 0)
    if not crossings.size:
        return float("nan")
    before, after = spare[crossings], spare[crossings + 1]
    at = grid_m[crossings] + (grid_m[1] - grid_m[0]) * before / (before - after)
    return float(np.abs(at - best.depth_m[0]).min())


def share_best(carry_m: ArrayLike) -> FloatArray:
    """Share of draws in which each candidate carries furthest.

    Parameters
    ----------
    carry_m : array_like, shape (p, k)
        Carry of p candidates in k draws [m].

    Returns
    -------
    ndarray, shape (p,)
        Shares, adding up to one.
    """
    carry = np.asarray(carry_m, float)
    return np.asarray(np.bincount(carry.argmax(axis=0), minlength=carry.shape[0]) / carry.shape[1])
