"""Region of Reynolds numbers and spin ratios that measurements cover: inside it coefficients are reported."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import BoolArray, FloatArray

_UNIT = np.array([1.0, 0.3])
"""Sizes of ln Re and S that count alike."""

MARGIN = 0.03
"""Distance beyond the outermost shots that still counts as inside, in those units."""


@dataclass(frozen=True, eq=False)
class Region:
    """Convex hull of shots in ln Re and S; `corners` has shape (c, 2), in order round it, in `_UNIT`."""

    corners: FloatArray

    @staticmethod
    def of(reynolds: ArrayLike, spin_ratio: ArrayLike) -> "Region":
        """Hull of conditions; a line or a point where they are one."""
        points = np.stack([np.log(np.ravel(reynolds)), np.ravel(spin_ratio)], axis=1) / _UNIT
        middle = points.mean(axis=0)
        _, size, axes = np.linalg.svd(points - middle, full_matrices=False)
        if size[-1] < 1e-3 * np.sqrt(len(points)):
            along = (points - middle) @ axes[0]
            return Region(middle + np.outer([along.min(), along.max()], axes[0]))
        from scipy.spatial import ConvexHull

        return Region(points[ConvexHull(points).vertices])

    def conditions(self) -> tuple[FloatArray, FloatArray]:
        """Reynolds numbers and spin ratios of the corners, shape (c,)."""
        at = self.corners * _UNIT
        return np.exp(at[:, 0]), at[:, 1]

    def nearest(self, reynolds: ArrayLike, spin_ratio: ArrayLike) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Nearest conditions inside, and whether the given ones lie inside; arrays of one shape."""
        re, s = np.broadcast_arrays(np.asarray(reynolds, float), np.asarray(spin_ratio, float))
        points = np.stack([np.log(re.ravel()), s.ravel()], axis=1) / _UNIT
        start, step = self.corners, np.roll(self.corners, -1, axis=0) - self.corners
        length = np.maximum((step**2).sum(axis=1), 1e-300)
        share = np.clip(((points[:, None] - start) * step).sum(axis=2) / length, 0.0, 1.0)
        on_edge = start + share[:, :, None] * step
        distance = np.sqrt(((points[:, None] - on_edge) ** 2).sum(axis=2))
        best = distance.argmin(axis=1)
        rows = np.arange(len(points))
        off = points[:, None] - start
        # Corners go round against the clock: inside, every edge has the point to its left.
        within = (step[:, 0] * off[:, :, 1] - step[:, 1] * off[:, :, 0] >= -1e-12).all(axis=1)
        within &= len(self.corners) > 2
        inside = within | (distance[rows, best] <= MARGIN)
        nearest = np.where(inside[:, None], points, on_edge[rows, best]) * _UNIT
        return (
            np.exp(nearest[:, 0]).reshape(re.shape),
            nearest[:, 1].reshape(re.shape),
            inside.reshape(re.shape),
        )
