"""The drag crisis in a coefficient table: where it lies, and what the coefficients lose inside and below it.

Above the crisis the boundary layer is tripped on every meridian of the ball, below it on none; between them
one side of a spinning ball is tripped, drag rises and lift turns negative. The criterion that trips the
computed flows gives the share of tripped meridians at any depth, Reynolds number and spin ratio, so the
crisis of the computed flow is no scatter around a smooth surface but a known place. Here is the part that is
added to the smooth surface of the wholly tripped ball.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from pipeline.aero.conditions import Points
from pipeline.aero.crisis_place import Criterion, Place
from pipeline.aero.knots import root
from pipeline.aero.process import DEPTH_UNIT_M, SMALL_SPIN_RATIO, matern
from pipeline.arrays import FloatArray

_MIDDLE_DEPTH = 1.5
_KNOTS = (np.arange(-1.5, 3.76, 0.75), np.arange(-1.2, 0.81, 0.06), np.arange(0.0, 0.61, 0.075))
"""Depth (0.1 mm from 0.15 mm), ln(Re / Re_c) and spin ratio between which the residual part is linear."""

_LENGTHS = (1.5, 0.12, 0.15)
"""Correlation lengths of the residual part over the same."""


@dataclass(frozen=True)
class CrisisPrior:
    """What is believed of the crisis part of a coefficient before there are runs inside.

    Parameters
    ----------
    odd : bool
        Whether it changes its sign with the spin.
    mean, spread : tuple of float
        Expected weights of the terms (see `CrisisPart`) and their standard deviations [-].
    residual : float
        Standard deviation of what the terms leave over [-].
    """

    odd: bool
    mean: tuple[float, ...]
    spread: tuple[float, ...]
    residual: float


CRISIS_PRIORS = {
    "cd": CrisisPrior(False, (0.20, -0.40, 0.0, 0.0), (0.10, 0.40, 0.05, 0.04), 0.03),
    "cl": CrisisPrior(True, (-0.35, 0.0, -0.25, 0.0), (0.25, 0.30, 0.12, 0.06), 0.06),
}
"""By coefficient. Drag of a ball that is not tripped lies 0.1 to 0.3 above that of one that is (Bearman &
Harvey 1976, Choi et al. 2006 [memory]); lift falls to -0.1 to -0.15 where one side is tripped (Sports Eng.
2020, 10.1007/s12283-020-0318-1 [source, abstract]; Li et al. 2017 [quoted]). Wide enough that runs outweigh
them."""


class CrisisPart:
    r"""What the crisis adds to the smooth surface of the wholly tripped ball, given the runs inside it.

    With u the share of the meridians that is not tripped, t = 1 - u, x the depth in tenths of a millimetre,
    b = sqrt(S^2 + 0.03^2) and l = S / sqrt(b), the terms are u, u b, 4 t u, u x for an even coefficient and
    u l, u S, 4 t u S / b, u x l for an odd one: the level below the crisis and what one tripped side does.
    What they leave over is a Gaussian process over x, ln(Re / Re_c) and S, linear between knots, times
    1 - (1 - u)^4, so that all of it vanishes where the ball is tripped all round.

    Parameters
    ----------
    prior : CrisisPrior
        Sizes.
    criterion : Criterion
        Critical Reynolds number over depth.
    place : Place
        Of the runs.
    points : Points
        Conditions of the n runs inside the crisis; none is allowed.
    residual : ndarray, shape (n,)
        Runs less the mean of the smooth surface [-].
    noise : ndarray, shape (n,)
        Standard deviations of the runs [-].
    smooth : ndarray, shape (n, n)
        Covariance of the smooth surface at the runs [-].
    """

    def __init__(
        self,
        prior: CrisisPrior,
        criterion: Criterion,
        place: Place,
        points: Points,
        residual: FloatArray,
        noise: FloatArray,
        smooth: FloatArray,
    ) -> None:
        from scipy.linalg import cho_factor, cho_solve

        self._prior, self.criterion, self.place, self._points = prior, criterion, place, points
        self._mean, self._spread = np.array(prior.mean), np.array(prior.spread)
        self._kernels = _kernels()
        log_ratio = np.log(points.reynolds) - criterion.log_critical(points.depth_m)
        self._terms_of_runs, self._envelope_of_runs = self._terms(
            points.depth_m, log_ratio, points.spin_ratio
        )
        self._weights_of_runs = self._knot_weights(points.depth_m, log_ratio, points.spin_ratio)
        self._noise = noise
        prior_covariance = self._covariance_with_runs(
            self._terms_of_runs, self._envelope_of_runs, self._weights_of_runs
        )
        off = residual - self._terms_of_runs @ self._mean
        self._given_surface = cho_factor(prior_covariance + np.diag(noise**2), lower=True)
        self._all = cho_factor(prior_covariance + np.diag(noise**2) + smooth, lower=True)
        self._alpha = cho_solve(self._given_surface, off)
        self._off = off
        self.log_evidence = float(
            -0.5 * off @ cho_solve(self._all, off)
            - np.log(np.diag(self._all[0])).sum()
            - 0.5 * off.size * math.log(2.0 * math.pi)
        )

    def mean(self, points: Points, shift: float = 0.0) -> FloatArray:
        """Most probable addition, shape (m,), with the crisis moved by `shift` in ln Re."""
        log_ratio = np.log(points.reynolds) - self.criterion.log_critical(points.depth_m) - shift
        terms, envelope = self._terms(points.depth_m, log_ratio, points.spin_ratio)
        weights = self._knot_weights(points.depth_m, log_ratio, points.spin_ratio)
        known = self._covariance_with_runs(terms, envelope, weights) @ self._alpha
        return np.asarray(terms @ self._mean + known)

    def variance(self, points: Points, shift: float = 0.0) -> FloatArray:
        """Variance of the addition at each point, that of the smooth surface at the runs included, (m,)."""
        from scipy.linalg import solve_triangular

        log_ratio = np.log(points.reynolds) - self.criterion.log_critical(points.depth_m) - shift
        terms, envelope = self._terms(points.depth_m, log_ratio, points.spin_ratio)
        weights = self._knot_weights(points.depth_m, log_ratio, points.spin_ratio)
        own = ((terms * self._spread) ** 2).sum(axis=1)
        residual = envelope * self._prior.residual
        for weight, kernel in zip(weights, self._kernels, strict=True):
            residual = residual * np.sqrt(np.maximum(((weight @ kernel) * weight).sum(axis=1), 0.0))
        cross = self._covariance_with_runs(terms, envelope, weights)
        known = solve_triangular(self._all[0], cross.T, lower=True)
        return np.asarray(np.maximum(own + residual**2 - (known**2).sum(axis=0), 0.0))

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Prediction of every run inside the crisis from all other runs: residual and its claimed size."""
        from scipy.linalg import cho_solve

        if not self._off.size:
            return self._off, self._off
        inverse = cho_solve(self._all, np.eye(self._off.size))
        variance = 1.0 / np.diag(inverse)
        return (inverse @ self._off) * variance, np.sqrt(variance)

    def draws(
        self,
        depth_m: FloatArray,
        reynolds: FloatArray,
        spin_ratio: FloatArray,
        shift: FloatArray,
        surface: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Joint draws of the addition on a grid, each with its own place of the crisis.

        Parameters
        ----------
        depth_m, reynolds, spin_ratio : ndarray, shapes (d,), (r,) and (s,)
            Axes of the grid.
        shift : ndarray, shape (k,)
            Logarithm of the critical Reynolds number of each draw over that of the runs [-].
        surface : ndarray, shape (k, n)
            Each draw's smooth surface at the n runs, less its mean [-].
        rng : numpy.random.Generator
            Source of the noise.

        Returns
        -------
        ndarray, shape (k, d, r, s)
            A draw of the prior, corrected by what the runs say against it and the draw's surface (Matheron's
            rule), in the weights of terms and knots.
        """
        from scipy.linalg import cho_solve

        k, n = shift.size, self._off.size
        weights = self._mean + self._spread * rng.standard_normal((k, self._spread.size))
        knots = self._prior.residual * rng.standard_normal((k, *(axis.size for axis in _KNOTS)))
        knots = _along(knots, _roots())
        if n:
            x, tau, s = self._weights_of_runs
            at_runs = weights @ self._terms_of_runs.T + self._envelope_of_runs * np.einsum(
                "kabc,na,nb,nc->kn", knots, x, tau, s, optimize=True
            )
            noise = self._noise * rng.standard_normal((k, n))
            wanted = (self._off + self._terms_of_runs @ self._mean) - surface - at_runs - noise
            alpha = cho_solve(self._given_surface, wanted.T).T
            weights = weights + alpha @ (self._terms_of_runs * self._spread**2)
            loaded = np.einsum("kn,na,nb,nc->kabc", alpha * self._envelope_of_runs, x, tau, s, optimize=True)
            knots = knots + self._prior.residual**2 * _along(loaded, _kernels())
        return self._on_grid(weights, knots, depth_m, reynolds, spin_ratio, shift)

    def _on_grid(
        self,
        weights: FloatArray,
        knots: FloatArray,
        depth_m: FloatArray,
        reynolds: FloatArray,
        spin_ratio: FloatArray,
        shift: FloatArray,
    ) -> FloatArray:
        """Terms and knots of k draws on a grid; what no draw has inside the crisis stays 0."""
        shape = (shift.size, depth_m.size, reynolds.size, spin_ratio.size)
        found = np.zeros(shape)
        log_ratio = np.log(reynolds) - self.criterion.log_critical(depth_m)[:, None]  # (d, r)
        lowest = log_ratio.min(axis=0) - shift.max()
        within = np.flatnonzero(self.place.untripped(lowest[:, None], spin_ratio).max(axis=1) > 0.0)
        if not within.size:
            return found
        tau = log_ratio[None, :, : within[-1] + 1] - shift[:, None, None]  # (k, d, r')
        over_depth = _linear(_KNOTS[0], self._unit(depth_m)) @ knots.reshape(*knots.shape[:2], -1)
        over_depth = over_depth.reshape(shift.size, depth_m.size, _KNOTS[1].size, _KNOTS[2].size)
        over_spin = over_depth @ _linear(_KNOTS[2], spin_ratio).T  # (k, d, knots, s)
        step = _KNOTS[1][1] - _KNOTS[1][0]
        place = np.clip((tau - _KNOTS[1][0]) / step, 0.0, _KNOTS[1].size - 1.000001)
        low = place.astype(np.intp)
        part = (place - low)[..., None]
        residual = np.take_along_axis(over_spin, low[..., None], axis=2) * (1.0 - part)
        residual += np.take_along_axis(over_spin, low[..., None] + 1, axis=2) * part
        parts, envelope = self._parts(depth_m[:, None, None], tau[..., None], spin_ratio)
        added = envelope * self._odd(spin_ratio) * residual
        for part_of_mean, weight in zip(parts, weights.T, strict=True):
            added += part_of_mean * weight[:, None, None, None]
        found[:, :, : within[-1] + 1] = added
        return found

    def _terms(
        self, depth_m: FloatArray, log_ratio: FloatArray, spin_ratio: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Terms, shape (..., 4), and the envelope of the residual part."""
        parts, envelope = self._parts(depth_m, log_ratio, spin_ratio)
        return np.stack(np.broadcast_arrays(*parts), axis=-1), envelope

    def _parts(
        self, depth_m: FloatArray, log_ratio: FloatArray, spin_ratio: FloatArray
    ) -> tuple[tuple[FloatArray, ...], FloatArray]:
        """Terms one by one, and the envelope of the residual part."""
        u = self.place.untripped(log_ratio, spin_ratio)
        x, s = self._unit(depth_m), spin_ratio
        bend = np.hypot(s, SMALL_SPIN_RATIO)
        one_side = 4.0 * u * (1.0 - u)
        if self._prior.odd:
            lift = s / np.sqrt(bend)
            parts = (u * lift, u * s, one_side * s / bend, u * x * lift)
        else:
            parts = (u, u * bend, one_side, u * x)
        return parts, np.asarray(1.0 - (1.0 - u) ** 4)

    def _knot_weights(
        self, depth_m: FloatArray, log_ratio: FloatArray, spin_ratio: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        x, tau = _linear(_KNOTS[0], self._unit(depth_m)), _linear(_KNOTS[1], log_ratio)
        return x, tau, _linear(_KNOTS[2], spin_ratio) * self._odd(spin_ratio)[:, None]

    def _covariance_with_runs(
        self, terms: FloatArray, envelope: FloatArray, weights: tuple[FloatArray, FloatArray, FloatArray]
    ) -> FloatArray:
        explicit = (terms * self._spread**2) @ self._terms_of_runs.T
        residual = self._prior.residual**2 * envelope[:, None] * self._envelope_of_runs
        for weight, kernel, of_runs in zip(weights, self._kernels, self._weights_of_runs, strict=True):
            residual = residual * (weight @ kernel @ of_runs.T)
        return np.asarray(explicit + residual)

    def _odd(self, spin_ratio: FloatArray) -> FloatArray:
        if not self._prior.odd:
            return np.ones_like(spin_ratio)
        return np.asarray(spin_ratio / np.hypot(spin_ratio, SMALL_SPIN_RATIO))

    @staticmethod
    def _unit(depth_m: FloatArray) -> FloatArray:
        return np.asarray(depth_m / DEPTH_UNIT_M - _MIDDLE_DEPTH)


@cache
def _kernels() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Correlations of the knots along depth, ln(Re / Re_c) and S."""
    depth, reynolds, spin = (
        matern(np.abs(knots[:, None] - knots) / length)[0]
        for knots, length in zip(_KNOTS, _LENGTHS, strict=True)
    )
    return depth, reynolds, spin


@cache
def _roots() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Symmetric square roots of the same."""
    depth, reynolds, spin = (root(kernel) for kernel in _kernels())
    return depth, reynolds, spin


def _along(knots: FloatArray, matrices: tuple[FloatArray, FloatArray, FloatArray]) -> FloatArray:
    """Symmetric matrices applied along the three axes of knots, shape (k, a, b, c)."""
    k, a, b, c = knots.shape
    found = (matrices[0] @ knots.reshape(k, a, b * c)).reshape(k, a, b, c)
    return np.asarray(matrices[1] @ found @ matrices[2])


def _linear(knots: FloatArray, at: FloatArray) -> FloatArray:
    """Weights of knots in linear interpolation, shape (m, knots); beyond the ends the last knot's."""
    place = np.clip((at - knots[0]) / (knots[1] - knots[0]), 0.0, knots.size - 1.000001)
    low = place.astype(np.intp)
    rows = np.arange(at.size)
    weights = np.zeros((at.size, knots.size))
    weights[rows, low] = 1.0 - (place - low)
    weights[rows, low + 1] = place - low
    return weights
