"""What is believed of the flights of every pattern of a family: carry and peak height at every depth."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.aero.conditions import Points
from pipeline.arrays import FloatArray
from pipeline.decide.search.linear_flights import Fly, LinearFlights, linearised
from pipeline.decide.search.shared_model import IntArray, SharedModel


@dataclass(frozen=True, eq=False)
class RunCandidates:
    """Runs that could be computed.

    Parameters
    ----------
    pattern : ndarray of int, shape (m,)
        Rows of their patterns.
    points : Points
        Conditions, shape (m,).
    """

    pattern: IntArray
    points: Points


@dataclass(frozen=True, eq=False)
class FlightBelief:
    """Gaussian belief of the carry (or the peak height) of p patterns at g depths.

    A choice is a pattern at a depth, number pattern * g + depth.

    Parameters
    ----------
    models : tuple of SharedModel
        Of Cd and of Cl.
    flights : LinearFlights
        Flights about the common coefficients.
    patterns : int
        Number of patterns p.
    peak : bool
        Whether it is the peak height.
    """

    models: tuple[SharedModel, SharedModel]
    flights: LinearFlights
    patterns: int
    peak: bool = False

    @property
    def depths(self) -> int:
        """Number of depths g."""
        return int(self.flights.depth_m.size)

    @property
    def slopes(self) -> FloatArray:
        """Change with Cd and Cl at each node, shape (2, g, k) [m]."""
        return self.flights.peak_slope_m if self.peak else self.flights.carry_slope_m

    @cached_property
    def mean_m(self) -> FloatArray:
        """Mean, shape (p, g) [m]."""
        base = self.flights.peak_m if self.peak else self.flights.carry_m
        found = np.broadcast_to(base, (self.patterns, self.depths)).copy()
        for c, model in enumerate(self.models):
            off = model.prior_mean(self.flights.points) - self.flights.reference[c]
            found += (self.slopes[c] * off.reshape(self.depths, -1)).sum(axis=1)
            common, own = self._of_known[c]
            found += common @ model.alpha
            kin = model.between_patterns(np.arange(self.patterns), model.runs.pattern)
            found += kin @ (own * model.alpha).T
        return found

    @cached_property
    def variance_m2(self) -> FloatArray:
        """Variance of every choice, shape (p g,) [m^2]."""
        found = np.zeros(self.patterns * self.depths)
        for c, model in enumerate(self.models):
            common, own = self._prior[c]
            every = np.arange(self.patterns)
            kin = np.diag(model.between_patterns(every, every))
            prior = np.diag(common) + kin[:, None] * np.diag(own)
            found += prior.ravel() - (self._halves[c] ** 2).sum(axis=0)
        return np.maximum(found, 0.0)

    def covariance_m2(self, one: IntArray, other: IntArray) -> FloatArray:
        """Covariance of choices, shape (m, n) [m^2]."""
        found = np.zeros((one.size, other.size))
        (p, d), (q, e) = (np.divmod(of, self.depths) for of in (one, other))
        for c, model in enumerate(self.models):
            common, own = self._prior[c]
            prior = common[np.ix_(d, e)] + model.between_patterns(p, q) * own[np.ix_(d, e)]
            found += prior - self._halves[c][:, one].T @ self._halves[c][:, other]
        return found

    def with_runs(self, c: int, runs: RunCandidates, halves: FloatArray, choices: IntArray) -> FloatArray:
        """Covariance of choices with Cd (c = 0) or Cl (1) of runs, shape (m choices, runs).

        `halves`, shape (n, runs), is `SharedModel.solved` of the runs' covariances with the known ones.
        """
        p, d = np.divmod(choices, self.depths)
        common, own = self._cross(c, runs.points)
        prior = common[d] + self.models[c].between_patterns(p, runs.pattern) * own[d]
        return np.asarray(prior - self._halves[c][:, choices].T @ halves)

    def draws_m(self, choices: IntArray, n: int, seed: int) -> FloatArray:
        """Joint draws of choices, shape (m, n) [m]."""
        covariance = self.covariance_m2(choices, choices)
        size, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(size, 0.0))
        noise = np.random.default_rng([seed, 27]).standard_normal((choices.size, n))
        return np.asarray(self.mean_m.ravel()[choices][:, None] + root @ noise)

    def _cross(self, c: int, points: Points) -> tuple[FloatArray, FloatArray]:
        """Common and own part of the prior covariance of each depth's flight with a coefficient, (g, m)."""
        model, nodes = self.models[c], self.flights.points
        shape = (self.depths, -1, points.depth_m.size)
        weights = self.slopes[c][:, :, None]
        return (
            (model.common(nodes, points).reshape(shape) * weights).sum(axis=1),
            (model.own(nodes, points).reshape(shape) * weights).sum(axis=1),
        )

    @cached_property
    def _of_known(self) -> list[tuple[FloatArray, FloatArray]]:
        """`_cross` of the known runs, of Cd and of Cl."""
        return [self._cross(c, model.runs.points) for c, model in enumerate(self.models)]

    @cached_property
    def _prior(self) -> list[tuple[FloatArray, FloatArray]]:
        """Common and own part of the prior covariance between depths, shapes (g, g), of Cd and of Cl."""
        found = []
        for c in range(2):
            both = self._cross(c, self.flights.points)
            shape = (self.depths, self.depths, -1)
            found.append(tuple((of.reshape(shape) * self.slopes[c]).sum(axis=2) for of in both))
        return found

    @cached_property
    def _halves(self) -> list[FloatArray]:
        """L^-1 times covariances of all choices with the known runs, shapes (n, p g), of Cd and of Cl."""
        found = []
        for c, model in enumerate(self.models):
            common, own = self._of_known[c]
            kin = model.between_patterns(np.arange(self.patterns), model.runs.pattern)
            cross = common + kin[:, None] * own
            found.append(model.solved(cross.reshape(-1, model.runs.values.size).T))
        return found


def believed(
    models: tuple[SharedModel, SharedModel],
    depth_m: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    flying: Fly,
    patterns: int,
) -> FlightBelief:
    """Belief of the carry, flights being linear about what the runs say of the common part.

    Parameters
    ----------
    models : tuple of SharedModel
        Of Cd and of Cl.
    depth_m : ndarray, shape (g,)
        Depths, at least three [m].
    axes : tuple of ndarray
        Reynolds numbers and spin ratios of the tables, as of `node_axes`.
    flying : callable
        As of `Fly`.
    patterns : int
        Number of patterns.
    """
    grid = Points.grid(depth_m, *axes)
    nodes = Points(grid.depth_m, grid.reynolds, grid.spin_ratio)
    common = [
        model.prior_mean(nodes) + model.common(nodes, model.runs.points) @ model.alpha for model in models
    ]
    reference = np.stack(common).reshape(2, depth_m.size, *(axis.size for axis in axes))
    return FlightBelief(models, linearised(depth_m, *axes, reference, flying), patterns)
