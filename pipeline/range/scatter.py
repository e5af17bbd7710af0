"""Scatter of shots and balls about their pattern, estimated, and the common parameters given it.

Each shot's offsets of Cd and Cl are those of its ball plus its own; both are normal about zero. They are
integrated out in closed form, shot by shot and ball by ball. Their standard deviations maximise the
restricted likelihood times weak priors; that of balls, which are few, is integrated over a grid instead, so
that intervals are as wide as few balls make them.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit

from pipeline.arrays import FloatArray, IntArray

LARGE_SD, SMALL_SD = 0.02, 5e-4
"""Sizes of the scatter of balls and shots in Cd and Cl that the prior lies between: shots of published
firings scatter by 0.02 and 0.01 [quoted]; scatter below the small one is worth 0.2 yd of carry."""

_LOWEST_SD, _HIGHEST_SD = 1e-7, 0.2
_GRID = np.exp(np.linspace(np.log(1e-5), np.log(0.06), 20))
"""Even in the logarithm, so that all nodes stand for the same."""


class Form(NamedTuple):
    """A quadratic log likelihood: constant + score . x - x . information . x / 2; leading axes are many."""

    information: FloatArray
    score: FloatArray
    constant: FloatArray


@dataclass(frozen=True, eq=False)
class Group:
    """How shots belong to balls and balls to patterns, and which parameters are estimated.

    Attributes
    ----------
    ball_of_shot : ndarray of int, shape (n,)
        Ball of each shot.
    pattern_of_ball : ndarray of int, shape (balls,)
        Pattern of each ball.
    places : list of ndarray of int
        For each pattern, places of its local parameters (range, drag, lift) among the common ones; -1 for
        terms that it does not have.
    prior_mean, prior_precision : ndarray, shape (k,)
        Of the common parameters.
    """

    ball_of_shot: IntArray
    pattern_of_ball: IntArray
    places: list[IntArray]
    prior_mean: FloatArray
    prior_precision: FloatArray

    @property
    def ball_freedom(self) -> int:
        """Balls beyond the first of each pattern: from which the scatter of balls can be determined."""
        return len(self.pattern_of_ball) - len(self.places)


@dataclass(frozen=True, eq=False)
class Common:
    """What is known of the common parameters.

    Attributes
    ----------
    mean, covariance : ndarray, shapes (k,) and (k, k)
        Over everything that is integrated.
    weights, means, roots : ndarray
        The mixture over the scatter of balls: weight, mean and Cholesky root of each part.
    shot_sd, ball_sd : ndarray, shape (2,)
        Standard deviations of Cd and Cl; those of balls are means over the mixture, NaN where they cannot be
        determined.
    """

    mean: FloatArray
    covariance: FloatArray
    weights: FloatArray
    means: FloatArray
    roots: FloatArray
    shot_sd: FloatArray
    ball_sd: FloatArray

    def draws(self, n: int, seed: int) -> FloatArray:
        """Draw the common parameters, shape (n, k)."""
        rng = np.random.default_rng(seed)
        part = rng.choice(len(self.weights), n, p=self.weights)
        noise = rng.standard_normal((n, self.mean.size))
        return np.asarray(self.means[part] + np.einsum("nij,nj->ni", self.roots[part], noise))


def without_offsets(form: Form, variance: FloatArray) -> Form:
    """Integrate the two leading parameters out under a normal prior about zero.

    Parameters
    ----------
    form : Form
        Of n shots or balls.
    variance : ndarray, shape (2,)
        Prior variances; zero fixes an offset at zero.
    """
    k, g = form.information, form.score
    inner = np.eye(2) + k[:, :2, :2] * variance
    det = inner[:, 0, 0] * inner[:, 1, 1] - inner[:, 0, 1] * inner[:, 1, 0]
    # V = (1/T + K)^-1 = T (I + K T)^-1, defined for T = 0 too.
    inverse = np.empty_like(inner)
    inverse[:, 0, 0], inverse[:, 1, 1] = inner[:, 1, 1] / det, inner[:, 0, 0] / det
    inverse[:, 0, 1], inverse[:, 1, 0] = -inner[:, 0, 1] / det, -inner[:, 1, 0] / det
    v = variance[:, None] * inverse
    cross = k[:, 2:, :2]
    solved = np.einsum("nij,njk->nik", cross, v)
    return Form(
        k[:, 2:, 2:] - np.einsum("nij,nkj->nik", solved, cross),
        g[:, 2:] - np.einsum("nij,nj->ni", solved, g[:, :2]),
        form.constant - 0.5 * np.log(det) + 0.5 * np.einsum("ni,nij,nj->n", g[:, :2], v, g[:, :2]),
    )


def by_ball(form: Form, group: Group, shot_variance: FloatArray) -> Form:
    """Integrate the shots' own offsets out; forms of balls, whose offsets are still there.

    A shot's offset is its ball's plus its own, so that both enter its form in the same place.
    """
    balls, size = len(group.pattern_of_ball), form.score.shape[1]
    information, score, constant = np.zeros((balls, size, size)), np.zeros((balls, size)), np.zeros(balls)
    _add_shots(group.ball_of_shot, *form, np.asarray(shot_variance, float), information, score, constant)
    return Form(information, score, constant)


@njit(cache=True, error_model="numpy")
def _add_shots(ball, k, g, constant, variance, ball_k, ball_g, ball_constant):  # type: ignore[no-untyped-def]
    """`without_offsets` of the shots' own offsets, added up ball by ball."""
    size = g.shape[1]
    for i in range(ball.size):
        b = ball[i]
        i00, i01 = 1.0 + k[i, 0, 0] * variance[0], k[i, 0, 1] * variance[1]
        i10, i11 = k[i, 1, 0] * variance[0], 1.0 + k[i, 1, 1] * variance[1]
        det = i00 * i11 - i01 * i10
        v00, v01 = variance[0] * i11 / det, -variance[0] * i01 / det
        v10, v11 = -variance[1] * i10 / det, variance[1] * i00 / det
        g0, g1 = g[i, 0], g[i, 1]
        for row in range(size):
            s0 = k[i, row, 0] * v00 + k[i, row, 1] * v10
            s1 = k[i, row, 0] * v01 + k[i, row, 1] * v11
            ball_g[b, row] += g[i, row] - s0 * g0 - s1 * g1
            for column in range(size):
                ball_k[b, row, column] += k[i, row, column] - s0 * k[i, column, 0] - s1 * k[i, column, 1]
        ball_constant[b] += (
            constant[i]
            - 0.5 * math.log(det)
            + 0.5 * (g0 * (v00 * g0 + v01 * g1) + g1 * (v10 * g0 + v11 * g1))
        )


def together(balls: Form, group: Group, ball_variance: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Information and score of the common parameters, and the restricted log likelihood of the scatter."""
    of = without_offsets(balls, ball_variance)
    information = np.diag(group.prior_precision)
    score = group.prior_precision * group.prior_mean
    for pattern, places in enumerate(group.places):
        own = group.pattern_of_ball == pattern
        local = np.flatnonzero(places >= 0)
        at = places[local]
        information[np.ix_(at, at)] += of.information[own].sum(axis=0)[np.ix_(local, local)]
        np.add.at(score, at, of.score[own].sum(axis=0)[local])
    mean = np.linalg.solve(information, score)
    _, log_det = np.linalg.slogdet(information)
    return information, score, float(of.constant.sum() + 0.5 * score @ mean - 0.5 * log_det)


def _log_prior(sd: FloatArray) -> float:
    """Density of the logarithm of standard deviations: even between the two sizes, falling beyond both.

    Even in the logarithm, it makes intervals those of Student's distribution where balls scatter much.
    """
    return float(np.sum(np.log(sd / (sd + SMALL_SD)) - 0.5 * (sd / LARGE_SD) ** 2))


def most_probable_scatter(form: Form, group: Group, start_sd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Find the most probable standard deviations of Cd and Cl of shots and of balls.

    Parameters
    ----------
    form : Form
        Of the shots, in (offsets, range, drag, lift).
    group : Group
        Who belongs to whom.
    start_sd : ndarray, shape (4,)
        Where the search starts: shots' Cd and Cl, balls' Cd and Cl.

    Returns
    -------
    of_shots, of_balls : ndarray, shape (2,)
        The latter are zero where one ball a pattern shows nothing of them.
    """
    from scipy.optimize import minimize

    several_balls = group.ball_freedom > 0
    free = 4 if several_balls else 2
    bounds = np.log([_LOWEST_SD, _HIGHEST_SD])

    def cost(log_sd: FloatArray) -> float:
        sd = np.exp(np.clip(log_sd, *bounds))
        balls = by_ball(form, group, sd[:2] ** 2)
        variance = sd[2:] ** 2 if several_balls else np.zeros(2)
        beyond = np.maximum(np.abs(log_sd - np.mean(bounds)) - 0.5 * np.ptp(bounds), 0.0)
        return float(10 * np.sum(beyond**2) - together(balls, group, variance)[2] - _log_prior(sd))

    start = np.log(np.clip(start_sd[:free], 1e-5, 0.1))
    found = minimize(
        cost, start, method="Nelder-Mead",
        options={"xatol": 0.05, "fatol": 0.02, "maxfev": 160,
                 "initial_simplex": start + np.vstack([np.zeros(free), 0.7 * np.eye(free)])},
    )  # fmt: skip
    sd = np.exp(np.clip(found.x, *bounds))
    return sd[:2], sd[2:] if several_balls else np.zeros(2)


def most_probable_common(form: Form, group: Group, shot_sd: FloatArray, ball_sd: FloatArray) -> FloatArray:
    """Most probable common parameters under given scatter, shape (k,)."""
    information, score, _ = together(by_ball(form, group, shot_sd**2), group, ball_sd**2)
    return np.asarray(np.linalg.solve(information, score))


def mixed(form: Form, group: Group, shot_sd: FloatArray) -> Common:
    """What is known of the common parameters, over a grid of the scatter of balls.

    Parameters
    ----------
    form, group
        As for `estimate`.
    shot_sd : ndarray, shape (2,)
        Scatter of shots.

    Returns
    -------
    Common
        Where the scatter of balls cannot be determined (one ball a pattern) it is taken as none; the result
        is then that of the balls that were fired.
    """
    balls = by_ball(form, group, shot_sd**2)
    several_balls = group.ball_freedom > 0
    grid = [np.zeros(2)]
    if several_balls:
        grid = [np.array([a, b]) for a in _GRID for b in _GRID]
    parts, log_weight = [], []
    for sd in grid:
        information, score, value = together(balls, group, sd**2)
        parts.append((information, score))
        log_weight.append(value + (_log_prior(sd) if several_balls else 0.0))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    keep = np.flatnonzero(weight > 1e-5)
    weight = weight[keep] / weight[keep].sum()
    covariances = np.array([np.linalg.inv(parts[k][0]) for k in keep])
    means = np.array([np.linalg.solve(*parts[k]) for k in keep])
    mean = weight @ means
    off = means - mean
    covariance = np.einsum("p,pij->ij", weight, covariances) + np.einsum("p,pi,pj->ij", weight, off, off)
    roots = np.linalg.cholesky(0.5 * (covariances + covariances.transpose(0, 2, 1)))
    scatter = np.full(2, np.nan) if not several_balls else weight @ np.array([grid[k] for k in keep])
    return Common(mean, covariance, weight, means, roots, shot_sd, scatter)


def offsets(
    form: Form,
    good: Form,
    group: Group,
    common: FloatArray,
    shot_sd: FloatArray,
    ball_sd: FloatArray,
    own_sd: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Most probable offsets under given common parameters.

    Parameters
    ----------
    form, good : Form
        Of all shots, and the same with those empty that do not count for their balls.
    group, common, shot_sd, ball_sd
        As elsewhere.
    own_sd : ndarray, shape (n, 2), optional
        Scatter that each shot's own offsets are taken to have, in place of `shot_sd`.

    Returns
    -------
    of_shots : ndarray, shape (n, 2)
        Ball's and own together.
    of_balls, of_balls_se : ndarray, shape (balls, 2)
        Offsets of the balls, and their standard errors.
    """
    balls = by_ball(good, group, shot_sd**2)
    local = np.zeros((len(group.pattern_of_ball), form.score.shape[1] - 2))
    for pattern, places in enumerate(group.places):
        has = places >= 0
        row = np.zeros(local.shape[1])
        row[has] = common[places[has]]
        local[group.pattern_of_ball == pattern] = row
    pull = balls.score[:, :2] - np.einsum("bij,bj->bi", balls.information[:, :2, 2:], local)
    posterior = np.linalg.inv(
        balls.information[:, :2, :2] + np.diag(1.0 / np.maximum(np.nan_to_num(ball_sd), 1e-9) ** 2)
    )
    of_balls = np.einsum("bij,bj->bi", posterior, pull)
    shot_local = local[group.ball_of_shot]
    pull = form.score[:, :2] - np.einsum("nij,nj->ni", form.information[:, :2, 2:], shot_local)
    precision = (
        1.0 / np.maximum(np.broadcast_to(shot_sd if own_sd is None else own_sd, pull.shape), 1e-9) ** 2
    )
    right = pull + of_balls[group.ball_of_shot] * precision
    information = form.information[:, :2, :2].copy()
    information[:, [0, 1], [0, 1]] += precision
    of_shots = np.linalg.solve(information, right[:, :, None])[:, :, 0]
    return of_shots, of_balls, np.sqrt(np.stack([posterior[:, 0, 0], posterior[:, 1, 1]], axis=1))
