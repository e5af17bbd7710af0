"""Draws of a smooth prior on a grid and at scattered conditions at once, by knots common to all patterns.

A draw of a Gaussian process on a grid needs the covariance along each axis only. Where runs lie anywhere, a
grid that holds every run's depth, Reynolds number and spin ratio has n^3 nodes. Here a draw is made at knots
so dense that the process between them follows from them: the conditional mean of each axis (kriging), which
leaves less than a hundredth of the variance at the lengths that are fitted (tests/aero/test_knots.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.aero.conditions import Points
from pipeline.arrays import FloatArray

STEPS = (0.35, 0.15, 0.04)
"""Distances between knots in depth (0.1 mm), ln Re and S: about a quarter of the prior's median lengths."""

SPAN = ((0.7, 3.7), (-0.75, 0.85), (0.0, 0.4))
"""Least range of the knots in depth (0.1 mm), ln(Re / 1.2e5) and S, the same for all patterns, so that what
patterns share is drawn at the same knots; wider where conditions lie beyond."""


@dataclass(frozen=True, eq=False)
class Knots:
    """Knots along the three axes, in the order depth (0.1 mm), ln(Re / 1.2e5), S."""

    axes: tuple[FloatArray, FloatArray, FloatArray]

    @staticmethod
    def over(conditions: tuple[FloatArray, FloatArray, FloatArray]) -> "Knots":
        """Knots over the range of conditions, in the units of `axes`; those of `SPAN` in any case."""
        found = []
        for step, (low, high), values in zip(STEPS, SPAN, conditions, strict=True):
            first = np.floor(min(low, values.min()) / step - 0.5)
            last = np.ceil(max(high, values.max()) / step - 0.5)
            # Half a step off zero: a coefficient that is odd in S has no variance there.
            found.append((np.arange(max(first, 0.0) if step == STEPS[2] else first, last + 1.0) + 0.5) * step)
        return Knots((found[0], found[1], found[2]))

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of knots along each axis."""
        return self.axes[0].size, self.axes[1].size, self.axes[2].size


def between(correlation: FloatArray, cross: FloatArray) -> FloatArray:
    """Weights of knots in the conditional mean of a process at other places, shape (m, k).

    Parameters
    ----------
    correlation : ndarray, shape (k, k)
        Of the knots with each other.
    cross : ndarray, shape (m, k)
        Of the places with the knots.
    """
    size, vectors = np.linalg.eigh(correlation)
    # The inverse of what rounding leaves of the smallest eigenvalues would be noise.
    kept = size > 1e-10 * size[-1]
    return np.asarray(((cross @ vectors[:, kept]) / size[kept]) @ vectors[:, kept].T)


def root(correlation: FloatArray) -> FloatArray:
    """Symmetric square root of a correlation matrix, which changes little with the lengths."""
    size, vectors = np.linalg.eigh(correlation)
    return np.asarray((vectors * np.sqrt(np.maximum(size, 0.0))) @ vectors.T)


def on_grid(drawn: FloatArray, weights: Sequence[FloatArray]) -> FloatArray:
    """Draws at knots, shape (k, a, b, c), carried to a grid with weights (d, a), (r, b), (s, c)."""
    found = np.einsum("kabc,sc->kabs", drawn, weights[2], optimize=True)
    found = np.einsum("kabs,rb->kars", found, weights[1], optimize=True)
    return np.asarray(np.einsum("kars,da->kdrs", found, weights[0], optimize=True))


def at_points(drawn: FloatArray, weights: Sequence[FloatArray]) -> FloatArray:
    """Draws at knots, shape (k, a, b, c), carried to m points with weights (m, a), (m, b), (m, c): (k, m)."""
    of_two = (weights[0][:, :, None] * weights[1][:, None, :]).reshape(len(weights[0]), -1)
    everything = (of_two[:, :, None] * weights[2][:, None, :]).reshape(len(of_two), -1)
    return np.asarray(drawn.reshape(len(drawn), -1) @ everything.T)


def scattered(points: Points) -> bool:
    """Whether conditions lie anywhere instead of on a grid, some nodes of which may be missing."""
    axes = (points.depth_m, points.reynolds, points.spin_ratio)
    return bool(np.prod([float(np.unique(axis).size) for axis in axes]) > 4.0 * axes[0].size)
