"""A Gaussian process of one coefficient over depth, Reynolds number and spin ratio."""

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.conditions import Points, lines
from pipeline.aero.knots import Knots, at_points, between, on_grid, root, scattered
from pipeline.aero.priors import Parity, Prior
from pipeline.arrays import FloatArray

DEPTH_UNIT_M = 1e-4
"""Depths are counted in tenths of a millimetre, over which the effect of depth changes."""

REYNOLDS_UNIT = 1.2e5
"""Logarithms of Reynolds numbers are taken relative to this one, in the middle of a drive [-]."""

SMALL_SPIN_RATIO = 0.03
"""Spin ratio below which the terms of the mean turn smoothly to what their parity asks for [-]."""

SHARED_BETWEEN_PATTERNS = 0.9
"""Share of the variance not determined by runs that all patterns have in common [-]."""

_NAMES = ("common", "depth", "depth_length", "reynolds_length", "spin_ratio_length", "scatter")
_LENGTHS = {"depth_length": (1.5, 0.3), "reynolds_length": (0.6, 0.1), "spin_ratio_length": (0.15, 0.1)}
_COMMON_SPREAD, _DEPTH_SPREAD, _SCATTER_SPREAD = 0.2, 0.7, 0.3


class Process:
    r"""Posterior of a coefficient, given runs with independent errors of known size.

    With x the depth in tenths of a millimetre from the runs' middle, r = ln(Re / 1.2e5) and S the spin ratio,

    .. math::
        C = h(x, r, S) \cdot \beta + f(r, S) + g(x, r, S) + e

    The terms of the mean are, with b = sqrt(S^2 + 0.03^2), for an even coefficient 1, r, r^2, b, S^2, x, x^2,
    r x, r^2 x and, for an odd one, l = S / sqrt(b), S, l r, l x, l x^2, l r x: above S = 0.03 drag rises with
    the spin and its square, lift with its square root, between which and S itself the exponents of published
    fits lie. Their weights have Gaussian priors. f (the same at all depths) and g (each depth's own) are
    Gaussian processes with products of Matern 5/2 correlations, that over S made even or odd by adding or
    subtracting its mirror image, so that an odd coefficient vanishes at S = 0. e is the
    run's standard error and a scatter beyond it. Amplitudes, lengths and scatter are the most probable ones
    under log-normal priors.

    Parameters
    ----------
    prior : Prior
        Parity and sizes.
    points : Points
        Conditions of the n runs.
    values, errors : ndarray, shape (n,)
        Coefficients and their standard errors [-].
    start : Process, optional
        One of nearly the same runs, from whose amplitudes and lengths the search begins.

    Attributes
    ----------
    converged : bool
        Whether the search for amplitudes and lengths ended at a maximum.
    log_evidence : float
        Logarithm of the density of the runs, times that of the most probable hyper-parameters.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning: sections 2.2 (posterior), 2.7
    (explicit mean), 5.4 (gradients and leave-one-out in closed form).
    """

    def __init__(
        self,
        prior: Prior,
        points: Points,
        values: FloatArray,
        errors: FloatArray,
        start: "Process | None" = None,
    ) -> None:
        from scipy.linalg import cho_factor, cho_solve
        from scipy.optimize import minimize

        self._prior = prior
        self._points = points
        self._middle_m = 0.5 * (points.depth_m.min() + points.depth_m.max())
        self._residual = values - self._terms(points) @ np.array(prior.mean)
        self._values, self._errors = values, errors
        self._apart = self._distances(points, points)
        terms = self._terms(points) * np.array(prior.spread)
        self._explicit = terms @ terms.T
        self._centre = np.log([prior.common, prior.depth, *(m for m, _ in _LENGTHS.values()), prior.scatter])
        self._width = np.array(
            [_COMMON_SPREAD, _DEPTH_SPREAD, *(s for _, s in _LENGTHS.values()), _SCATTER_SPREAD]
        )
        first = np.zeros(len(_NAMES)) if start is None else start._standard
        found = minimize(
            lambda z: self._cost(self._centre + self._width * z),
            first,
            jac=True,
            method="L-BFGS-B",
            bounds=[(-4.0, 4.0)] * len(_NAMES),
            options={"maxiter": 200, "ftol": 1e-7},
        )
        self.converged = bool(found.success)
        self._standard: FloatArray = np.asarray(found.x)
        self._best = self._centre + self._width * self._standard
        self._factor = cho_factor(self._covariance(self._best), lower=True, check_finite=False)
        self._weights = cho_solve(self._factor, self._residual, check_finite=False)
        self.log_evidence = -float(found.fun) - 0.5 * values.size * math.log(2.0 * math.pi)

    @property
    def scatter(self) -> float:
        """Standard deviation of the runs beyond their standard errors [-]."""
        return float(math.exp(self._best[5]))

    @property
    def hyperparameters(self) -> dict[str, float]:
        """Amplitudes of the common and the depths' own part, lengths (0.1 mm, ln Re, S), and the scatter."""
        return {name: float(math.exp(value)) for name, value in zip(_NAMES, self._best, strict=True)}

    def mean(self, points: Points) -> FloatArray:
        """Most probable values, shape (m,)."""
        known = self._terms(points) @ np.array(self._prior.mean)
        return np.asarray(known + self._between(points, self._points) @ self._weights)

    def variance(self, points: Points) -> FloatArray:
        """Variance of the coefficient at each point, the diagonal of `covariance`, shape (m,)."""
        cross = self._between(points, self._points)
        sign = 1.0 if self._prior.parity == "even" else -1.0
        mirrored = matern(2.0 * np.abs(points.spin_ratio) / math.exp(self._best[4]))[0]
        prior = np.exp(2.0 * self._best[:2]).sum() * (1.0 + sign * mirrored)
        explicit = ((self._terms(points) * np.array(self._prior.spread)) ** 2).sum(axis=1)
        known = (cross * self._solved(cross.T).T).sum(axis=1)
        return np.asarray(np.maximum(explicit + prior - known, 0.0))

    def covariance(self, points: Points) -> FloatArray:
        """Covariance of the coefficient itself (without the scatter of a new run), shape (m, m)."""
        cross = self._between(points, self._points)
        return np.asarray(self._between(points, points) - cross @ self._solved(cross.T))

    def draws(
        self,
        depth_m: FloatArray,
        reynolds: FloatArray,
        spin_ratio: FloatArray,
        n: int,
        rng: np.random.Generator,
        common: np.random.Generator,
        rows: NDArray[np.intp] | None = None,
    ) -> FloatArray:
        """Joint draws of the coefficient on a grid; neighbours, in depth too, keep their correlation.

        Parameters
        ----------
        depth_m, reynolds, spin_ratio : ndarray, shapes (d,), (r,) and (s,)
            Axes of the grid.
        n : int
            Number of draws.
        rng : numpy.random.Generator
            Source of the noise of g and of the runs.
        common : numpy.random.Generator
            Source of nine tenths of the noise of the mean and of f. Patterns that are given the same one (and
            the same grid) share so much of what is not known between the Reynolds numbers and spin ratios
            studied, since all dimpled balls bend there nearly alike; it then cancels in their difference.
        rows : ndarray of int, optional
            Which of the n draws are wanted; all when absent.

        Returns
        -------
        ndarray, shape (n, d, r, s), or the rows wanted
            Draws. Each is a draw of the prior, corrected by what the runs say against it (Matheron's rule):
            the prior's covariance on a grid is a product, so that no matrix of the whole grid is needed.
        """
        if scattered(self._points):
            return self.draws_at(depth_m, reynolds, spin_ratio, n, rng, common, rows)[0]
        own = self._points
        axes = [
            np.unique(np.concatenate([wanted, of_runs]))
            for wanted, of_runs in (
                (depth_m, own.depth_m),
                (reynolds, own.reynolds),
                (spin_ratio, own.spin_ratio),
            )
        ]
        everywhere = Points.grid(*axes)
        kept = np.arange(n) if rows is None else rows
        along = [
            self._correlations(self._distances(line, line), self._best[2:5])[place][0]
            for place, line in enumerate(lines(axes))
        ]
        mean = self._mean_draws(everywhere, n, rng, common, kept)
        prior = self._prior_draws(along, n, rng, common, kept)
        prior = mean.reshape(prior.shape) + prior
        at = [
            np.searchsorted(axis, values)
            for axis, values in zip(axes, (own.depth_m, own.reynolds, own.spin_ratio), strict=True)
        ]
        noise = np.sqrt(self._errors**2 + self.scatter**2) * rng.standard_normal((n, own.depth_m.size))[kept]
        wanted = np.ix_(
            np.arange(kept.size),
            *(
                np.searchsorted(axis, values)
                for axis, values in zip(axes, (depth_m, reynolds, spin_ratio), strict=True)
            ),
        )
        cross = self._between(Points.grid(depth_m, reynolds, spin_ratio), own)
        against = self._solved((self._values - prior[:, at[0], at[1], at[2]] - noise).T).T
        return np.asarray(
            prior[wanted] + (against @ cross.T).reshape(-1, depth_m.size, reynolds.size, spin_ratio.size)
        )

    def draws_at(
        self,
        depth_m: FloatArray,
        reynolds: FloatArray,
        spin_ratio: FloatArray,
        n: int,
        rng: np.random.Generator,
        common: np.random.Generator,
        rows: NDArray[np.intp] | None = None,
        also: Points | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Joint draws on a grid and at scattered points, as of `draws`, for runs that lie anywhere.

        Parameters
        ----------
        depth_m, reynolds, spin_ratio, n, rng, common, rows
            As of `draws`.
        also : Points, optional
            Further m points.

        Returns
        -------
        grid : ndarray, shape (n, d, r, s), or the rows wanted
            Draws on the grid.
        points : ndarray, shape (n, m), or the rows wanted
            The same draws at the points.
        """
        own, kept = self._points, np.arange(n) if rows is None else rows
        both = own if also is None else Points(
            np.concatenate([own.depth_m, also.depth_m]),
            np.concatenate([own.reynolds, also.reynolds]),
            np.concatenate([own.spin_ratio, also.spin_ratio]),
        )  # fmt: skip
        axes = (depth_m, reynolds, spin_ratio)
        at_both = (both.depth_m, both.reynolds, both.spin_ratio)
        knots = Knots.over(
            _scaled(*(np.concatenate([axis, other]) for axis, other in zip(axes, at_both, strict=True)))
        )
        lines = [self._along(place, axis, axis) for place, axis in enumerate(knots.axes)]
        drawn = self._prior_draws(lines, n, rng, common, kept)
        to_grid, to_points = (
            tuple(
                between(line, self._along(place, values, knots.axes[place]))
                for place, (line, values) in enumerate(zip(lines, _scaled(*places), strict=True))
            )
            for places in (axes, at_both)
        )
        spread = np.array(self._prior.spread)
        weights = self._prior.mean + spread * _shared((n, spread.size), rng, common)[kept]
        grid = Points.grid(depth_m, reynolds, spin_ratio)
        on = on_grid(drawn, to_grid).reshape(kept.size, -1) + weights @ self._terms(grid).T
        off = at_points(drawn, to_points) + weights @ self._terms(both).T
        count = own.depth_m.size
        noise = np.sqrt(self._errors**2 + self.scatter**2) * rng.standard_normal((n, count))[kept]
        against = self._solved((self._values - off[:, :count] - noise).T).T
        on = on + against @ self._between(grid, own).T
        if also is not None:
            off = off[:, count:] + against @ self._between(also, own).T
        return on.reshape(kept.size, depth_m.size, reynolds.size, spin_ratio.size), off

    def _along(self, place: int, one: FloatArray, other: FloatArray) -> FloatArray:
        """Correlation along one axis, between conditions in the units of `Knots`."""
        length = math.exp(self._best[2 + place])
        near = matern(np.abs(one[:, None] - other) / length)[0]
        if place < 2:
            return near
        sign = 1.0 if self._prior.parity == "even" else -1.0
        return np.asarray(near + sign * matern(np.abs(one[:, None] + other) / length)[0])

    def _mean_draws(
        self,
        points: Points,
        n: int,
        rng: np.random.Generator,
        common: np.random.Generator,
        rows: NDArray[np.intp],
    ) -> FloatArray:
        """Draws of the mean's part of the prior, shape (rows, m)."""
        terms = self._terms(points)
        drawn = _shared((n, terms.shape[1]), rng, common)[rows]
        weights = self._prior.mean + np.array(self._prior.spread) * drawn
        return np.asarray(weights @ terms.T)

    def _prior_draws(
        self,
        along: list[FloatArray],
        n: int,
        rng: np.random.Generator,
        common: np.random.Generator,
        rows: NDArray[np.intp],
    ) -> FloatArray:
        """Draws of f + g from the prior on a grid with correlations along its axes, shape (rows, d, r, s)."""
        # The symmetric root changes little with the lengths, so that common draws of two patterns stay alike.
        roots = [root(correlation) for correlation in along]
        amplitude, own = np.exp(self._best[:2])
        shape = tuple(len(correlation) for correlation in along)
        shared = _shared((n, 1, *shape[1:]), rng, common)[rows]
        each = rng.standard_normal((n, *shape))[rows]
        each = np.einsum("ij,njrs->nirs", roots[0], each, optimize=True)
        return np.asarray(roots[1] @ (amplitude * shared + own * each) @ roots[2].T)

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Prediction of every run from all the others.

        Returns
        -------
        residual : ndarray, shape (n,)
            Run less prediction [-].
        error : ndarray, shape (n,)
            Claimed standard deviation of the residual: that of the prediction and that of the run [-].
        """
        variance = 1.0 / np.diag(self._solved(np.eye(self._residual.size)))
        return self._weights * variance, np.sqrt(variance)

    def _solved(self, right: FloatArray) -> FloatArray:
        """Solve with the covariance of the runs."""
        from scipy.linalg import cho_solve

        return np.asarray(cho_solve(self._factor, right, check_finite=False))

    def _terms(self, points: Points) -> FloatArray:
        return mean_terms(self._prior.parity, points, self._middle_m)

    @staticmethod
    def _distances(one: Points, other: Points) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        depth = np.abs(one.depth_m[:, None] - other.depth_m) / DEPTH_UNIT_M
        reynolds = np.abs(np.log(one.reynolds[:, None] / other.reynolds))
        near = np.abs(one.spin_ratio[:, None] - other.spin_ratio)
        return depth, reynolds, near, np.abs(one.spin_ratio[:, None] + other.spin_ratio)

    def _correlations(
        self, apart: tuple[FloatArray, ...], log_lengths: FloatArray
    ) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """Correlations over depth, Reynolds number and spin ratio, each and its rate by the log length."""
        depth, reynolds, spin = np.exp(log_lengths)
        sign = 1.0 if self._prior.parity == "even" else -1.0
        near, mirrored = matern(apart[2] / spin), matern(apart[3] / spin)
        return (
            matern(apart[0] / depth),
            matern(apart[1] / reynolds),
            (near[0] + sign * mirrored[0], near[1] + sign * mirrored[1]),
        )

    def _between(self, one: Points, other: Points) -> FloatArray:
        spread = np.array(self._prior.spread)
        explicit = (self._terms(one) * spread) @ (self._terms(other) * spread).T
        common, own = np.exp(2.0 * self._best[:2])
        if one.axes is not None:
            depth, reynolds, spin = (
                self._correlations(self._distances(line, other), self._best[2:5])[place][0]
                for place, line in enumerate(lines(one.axes))
            )
            of_two = reynolds[:, None] * spin
            found = (common + own * depth)[:, None, None] * of_two
            return np.asarray(explicit + found.reshape(explicit.shape))
        (depth, _), (reynolds, _), (spin, _) = self._correlations(
            self._distances(one, other), self._best[2:5]
        )
        return np.asarray(explicit + reynolds * spin * (common + own * depth))

    def _covariance(self, logs: FloatArray) -> FloatArray:
        (depth, _), (reynolds, _), (spin, _) = self._correlations(self._apart, logs[2:5])
        common, own, scatter = np.exp(2.0 * logs[[0, 1, 5]])
        covariance = self._explicit + reynolds * spin * (common + own * depth)
        covariance[np.diag_indices_from(covariance)] += self._errors**2 + scatter
        return np.asarray(covariance)

    def _cost(self, logs: FloatArray) -> tuple[float, FloatArray]:
        """Negative log posterior of the hyper-parameters, and its gradient by their scaled logarithms."""
        from scipy.linalg import cho_factor, cho_solve

        (depth, depth_rate), (reynolds, reynolds_rate), (spin, spin_rate) = self._correlations(
            self._apart, logs[2:5]
        )
        common, own, scatter = np.exp(2.0 * logs[[0, 1, 5]])
        both = reynolds * spin
        amplitude = common + own * depth
        covariance = self._explicit + both * amplitude
        covariance[np.diag_indices_from(covariance)] += self._errors**2 + scatter
        factor = cho_factor(covariance, lower=True, check_finite=False)
        inverse = cho_solve(factor, np.eye(len(covariance)), check_finite=False)
        weights = inverse @ self._residual
        cost = 0.5 * self._residual @ weights + np.log(np.diag(factor[0])).sum()
        slope = 0.5 * (inverse - np.outer(weights, weights))
        by_log = [
            2.0 * common * np.sum(slope * both),
            2.0 * own * np.sum(slope * both * depth),
            own * np.sum(slope * both * depth_rate),
            np.sum(slope * reynolds_rate * spin * amplitude),
            np.sum(slope * reynolds * spin_rate * amplitude),
            2.0 * scatter * np.trace(slope),
        ]
        standard = (logs - self._centre) / self._width
        return float(cost + 0.5 * standard @ standard), np.array(by_log) * self._width + standard


def mean_terms(parity: Parity, points: Points, middle_m: float) -> FloatArray:
    """Terms of a coefficient's mean (see `Process`), depths counted from `middle_m`, shape (m, t)."""
    x = (points.depth_m - middle_m) / DEPTH_UNIT_M
    r, s = np.log(points.reynolds / REYNOLDS_UNIT), points.spin_ratio
    one = np.ones_like(x)
    bend = np.hypot(s, SMALL_SPIN_RATIO)
    if parity == "even":
        return np.stack([one, r, r**2, bend, s**2, x, x**2, r * x, r**2 * x], axis=-1)
    lift = s * bend**-0.5
    return np.stack([lift, s, lift * r, lift * x, lift * x**2, lift * r * x], axis=-1)


def _scaled(
    depth_m: FloatArray, reynolds: FloatArray, spin_ratio: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Conditions in the units of `Knots`."""
    return depth_m / DEPTH_UNIT_M, np.log(reynolds / REYNOLDS_UNIT), spin_ratio


def _shared(shape: tuple[int, ...], rng: np.random.Generator, common: np.random.Generator) -> FloatArray:
    """Standard normal numbers, most of whose variance comes from the common source."""
    own = rng.standard_normal(shape)
    share = SHARED_BETWEEN_PATTERNS
    return np.asarray(math.sqrt(share) * common.standard_normal(shape) + math.sqrt(1.0 - share) * own)


def matern(distance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Matern 5/2 correlation (distances in lengths), and its derivative by the logarithm of the length."""
    u = math.sqrt(5.0) * distance
    decay = np.exp(-u)
    return (1.0 + u + u * u / 3.0) * decay, u * u / 3.0 * (1.0 + u) * decay
