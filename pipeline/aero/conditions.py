"""Conditions of coefficients: depth, Reynolds number and spin ratio, scattered or on a grid."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.arrays import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class Points:
    """Conditions, arrays of shape (n,).

    Parameters
    ----------
    depth_m : ndarray
        Surface depths [m].
    reynolds, spin_ratio : ndarray
        Reynolds numbers and spin ratios [-].
    axes : tuple of ndarray, optional
        Axes of the grid that the conditions are all of, from which correlations are multiplied up.
    """

    depth_m: FloatArray
    reynolds: FloatArray
    spin_ratio: FloatArray
    axes: tuple[FloatArray, FloatArray, FloatArray] | None = None

    @staticmethod
    def grid(depth_m: FloatArray, reynolds: FloatArray, spin_ratio: FloatArray) -> "Points":
        """Every combination, the depth slowest and the spin ratio fastest."""
        depth, re, s = np.meshgrid(depth_m, reynolds, spin_ratio, indexing="ij")
        return Points(depth.ravel(), re.ravel(), s.ravel(), (depth_m, reynolds, spin_ratio))

    @staticmethod
    def of_runs(runs: pd.DataFrame) -> "Points":
        """Conditions of runs, columns as in coefficients.csv."""
        return Points(
            runs["depth_m"].to_numpy(float),
            runs["reynolds"].to_numpy(float),
            runs["spin_ratio"].to_numpy(float),
        )

    def at(self, which: BoolArray) -> "Points":
        """Return the conditions marked in `which`, shape (n,)."""
        return Points(self.depth_m[which], self.reynolds[which], self.spin_ratio[which])


def lines(axes: Sequence[FloatArray]) -> list[Points]:
    """Conditions along each axis of a grid, the other two kept at one of their values."""
    found = []
    for place, axis in enumerate(axes):
        depth, re, s = (
            axes[other] if other == place else axes[other][:1].repeat(axis.size) for other in range(3)
        )
        found.append(Points(depth, re, s))
    return found
