"""Critical Reynolds number: the criterion that trips computed flows, and its spread on balls that are cut."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray
from pipeline.flow.solver.boundary_layer import CRITICAL_SPREAD, EDGE_SPEED, critical_reynolds, tripped_share
from pipeline.study.model import Study

INSIDE = 0.002
"""Runs of which more than this share of the meridians is not tripped belong to the crisis, the others to the
smooth surface above it: where a hundredth is not tripped, lift may lack more than settled runs differ by, and
that would be taken for an effect of depth [-]."""

SHARED_SHIFT = 0.5
"""Share of the variance of the logarithm of the critical Reynolds number that all patterns have in common:
the level of the criterion, against what one pattern of a depth does and another does not; a judgement, no
source."""


@dataclass(frozen=True)
class Criterion:
    """Where the crisis of a pattern lies, in the computed flow and on the ball that will be cut.

    Parameters
    ----------
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    factor : float
        Critical Reynolds number of the ball that will be cut over the criterion's: 1, or from a measurement.
    spread : float
        Relative standard deviation of that factor: the criterion's own, or that of the measurement. The
        computed flow has neither: its crisis lies where the criterion puts it [-].
    """

    ball_diameter_m: float
    factor: float = 1.0
    spread: float = CRITICAL_SPREAD

    @property
    def log_spread(self) -> float:
        """Standard deviation of the factor's logarithm, that of a log-normal one of the same spread."""
        return math.sqrt(math.log1p(self.spread**2))

    def log_critical(self, depth_m: ArrayLike) -> FloatArray:
        """Logarithm of the criterion's critical Reynolds number at depths, of their shape."""
        depth = np.asarray(depth_m, float)
        known, which = np.unique(depth, return_inverse=True)
        return np.log([critical_reynolds(float(at), self.ball_diameter_m) for at in known])[which].reshape(
            depth.shape
        )


def criteria(study: Study) -> dict[str, Criterion]:
    """Where the crisis of each pattern of a study lies; empty for flows that know none.

    Parameters
    ----------
    study : Study
        Its flows know a crisis when their boundary layer is tripped by the criterion, and not at a measured
        angle. A pattern with a measured critical Reynolds number has its factor and spread.
    """
    if study.flow.boundary_layer != "tripped" or study.flow.trip_angle_rad is not None:
        return {}
    diameter = study.ball.diameter_m
    found = {}
    for pattern in study.patterns:
        measured = pattern.critical_reynolds
        found[pattern.name] = (
            Criterion(diameter)
            if measured is None
            else Criterion(
                diameter,
                measured.reynolds / critical_reynolds(measured.depth_m, diameter),
                measured.spread,
            )
        )
    return found


@dataclass(frozen=True)
class Place:
    """Where the runs have their crisis, relative to the criterion.

    Parameters
    ----------
    shift : float
        Logarithm of the runs' critical Reynolds number over the criterion's; 0 for our computed flows [-].
    width : float
        Standard deviation in ln Re that widens the criterion's transition; 0 for our computed flows [-].
    """

    shift: float = 0.0
    width: float = 0.0

    def untripped(self, log_ratio: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
        """Share of the meridians that is not tripped.

        Parameters
        ----------
        log_ratio : array_like
            ln(Re / Re_c) against the criterion's critical Reynolds number [-].
        spin_ratio : array_like
            Spin ratios, broadcast [-].

        Returns
        -------
        ndarray
            1 less `tripped_share`; with a width a logistic curve of the variance of both: the criterion's
            transition is an arcsine curve of the half width S / (1.5 sin 82 deg).
        """
        tau, s = np.broadcast_arrays(np.asarray(log_ratio, float) - self.shift, np.asarray(spin_ratio, float))
        if self.width == 0.0:
            return 1.0 - tripped_share(np.exp(tau), s, 1.0)
        scale = np.sqrt(0.5 * (s / EDGE_SPEED) ** 2 + self.width**2) * math.sqrt(3.0) / math.pi
        return np.asarray(1.0 / (1.0 + np.exp(np.clip(tau / scale, -60.0, 60.0))))
