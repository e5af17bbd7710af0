"""Which runs to compute next, anywhere: the expected regret that a run explains, for its price."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.table import TableBatch
from pipeline.arrays import BoolArray, FloatArray
from pipeline.decide.product import Product
from pipeline.study.points import RunPoint

CHOICES = 25
"""Depths of a pattern between which the decision is taken to choose: neighbours of a finer grid are one."""

REPEATED = (0.001, 0.003)
"""Standard deviations of Cd and Cl of a settled run beyond its standard errors, which no run can undercut."""


class Belief(NamedTuple):
    """What is believed of one pattern: joint draws of its coefficients and of what its depths are worth.

    Parameters
    ----------
    depth_m : ndarray, shape (d,)
        Depths of the tables [m].
    tables : TableBatch
        d x k tables, all draws of the first depth first.
    """

    depth_m: FloatArray
    tables: TableBatch


@dataclass(frozen=True)
class Offer:
    """A run that could be computed.

    Parameters
    ----------
    point : RunPoint
        The run.
    gain_m : float
        Expected regret that it explains, given those offered before it [m of carry].
    price_s : float
        Core seconds.
    """

    point: RunPoint
    gain_m: float
    price_s: float


def expected_regret(of: Product) -> float:
    """Carry that choosing now instead of with all coefficients known gives away, on average [m]."""
    value, drawn, _ = _choices(of)
    centred = value[:, None] + drawn - drawn.mean(axis=1, keepdims=True)
    return float((centred.max(axis=0) - centred[int(value.argmax())]).mean())


def choose(
    of: Product,
    beliefs: Mapping[str, Belief],
    candidates: Sequence[RunPoint],
    prices_s: Sequence[float],
    noise: tuple[float, float],
    most: int,
    least_gain_m: float = 0.0,
) -> list[Offer]:
    r"""Choose runs one after the other, each the one that explains most expected regret for its price.

    Let v_c be the values of the choices (a pattern at a depth), b the best on average, and
    :math:`\omega_c` the part of the expected regret E[max v - v_b] from the draws in which c is best. A run x
    that explains the share :math:`\rho_c^2(x)` of the variance of v_c - v_b (by the joint draws of its Cd and
    Cl and of the values) is offered for :math:`\sum_c \omega_c \rho_c^2(x)`. With the runs of a batch all
    draws are conditioned (as a Gaussian belief is), so that the next one is not offered what the first tells.
    The share is used instead of the knowledge gradient, since that of a single run vanishes where only
    several together decide (Frazier & Powell 2010, Decis. Anal. 7:378-403 [memory]).

    Parameters
    ----------
    of : Product
        Values over depth with k draws each; the errors that no run reduces are not among them.
    beliefs : mapping
        By pattern of `of`; draws of the same number belong together.
    candidates : sequence of RunPoint
        Runs to choose from; those of patterns without a belief are left out.
    prices_s : sequence of float
        Their core seconds.
    noise : tuple of float
        Standard errors of Cd and Cl at which runs stop; `REPEATED` is added.
    most : int
        Most runs to choose.
    least_gain_m : float
        Runs that are offered for less are not chosen [m].

    Returns
    -------
    list of Offer
        In the order of choice; empty when nothing is to be gained.
    """
    value, drawn, names = _choices(of)
    v = drawn - drawn.mean(axis=1, keepdims=True)
    best = int(value.argmax())
    draws = v.shape[1]
    variance = np.array(noise) ** 2 + np.array(REPEATED) ** 2
    price = np.asarray(prices_s, float)
    rows = {
        pattern: np.array([at for at, point in enumerate(candidates) if point.pattern == pattern], np.intp)
        for pattern in beliefs
    }
    seen = {
        pattern: observed(belief, [candidates[at] for at in rows[pattern]])
        for pattern, belief in beliefs.items()
        if rows[pattern].size
    }
    rng = np.random.default_rng(draws)
    chosen: list[Offer] = []
    taken: set[int] = set()
    while len(chosen) < most:
        omega, spread = _regret(value, v, best)
        top: tuple[float, float, str, int] | None = None
        for pattern, at in rows.items():
            if pattern not in seen:
                continue
            gain = _explained(v, names == pattern, best, seen[pattern], variance, omega, spread)
            gain[[place for place, row in enumerate(at) if int(row) in taken]] = -1.0
            each = gain / price[at]
            place = int(each.argmax())
            if top is None or each[place] > top[0]:
                top = (float(each[place]), float(gain[place]), pattern, place)
        if top is None or top[1] <= least_gain_m:
            break
        _, gain_m, pattern, place = top
        row = int(rows[pattern][place])
        taken.add(row)
        chosen.append(Offer(candidates[row], gain_m, float(price[row])))
        _condition(v, names == pattern, seen[pattern], place, variance, rng)
    return chosen


def observed(belief: Belief, points: Sequence[RunPoint]) -> FloatArray:
    """Draws of Cd and Cl at conditions, less their means, shape (2, m, k)."""
    depth = np.array([point.depth_m for point in points])
    re = np.log([point.reynolds for point in points])
    s = np.array([point.spin_ratio for point in points])
    tables, draws = belief.tables, len(belief.tables) // belief.depth_m.size
    nodes = tables.log_reynolds, tables.spin_ratio
    shape = (belief.depth_m.size, draws, nodes[0].size, nodes[1].size)
    found = np.zeros((2, len(points), draws))
    (d, wd), (r, wr), (q, wq) = (
        _bracket(axis, values) for axis, values in zip((belief.depth_m, *nodes), (depth, re, s), strict=True)
    )
    for number in range(2):
        values = tables.values[..., number].reshape(shape)
        for a, fa in ((d, 1.0 - wd), (d + 1, wd)):
            for b, fb in ((r, 1.0 - wr), (r + 1, wr)):
                for c, fc in ((q, 1.0 - wq), (q + 1, wq)):
                    found[number] += (fa * fb * fc)[:, None] * values[a, :, b, c]
    return np.asarray(found - found.mean(axis=2, keepdims=True))


def _bracket(axis: FloatArray, values: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Lower neighbour on an axis and the share of the upper one; the nearest end outside."""
    low = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, axis.size - 2)
    return low, np.clip((values - axis[low]) / (axis[low + 1] - axis[low]), 0.0, 1.0)


def _choices(of: Product) -> tuple[FloatArray, FloatArray, NDArray[np.str_]]:
    """Values, their draws and patterns of at most `CHOICES` depths of each pattern."""
    value, drawn, names = [], [], []
    for pattern, grid in of.depth_m.items():
        at = np.unique(np.linspace(0, grid.size - 1, CHOICES).round().astype(int))
        top = int(of.value_m[pattern].argmax())
        at = np.unique(np.append(at, top))
        value.append(of.value_m[pattern][at])
        drawn.append(of.value_draws_m[pattern][at])
        names += [pattern] * at.size
    return np.concatenate(value), np.concatenate(drawn), np.array(names)


def _regret(value: FloatArray, v: FloatArray, best: int) -> tuple[FloatArray, FloatArray]:
    """Expected regret by the choice that is best in a draw, and the variance of each choice less the best."""
    drawn = value[:, None] + v
    winner = drawn.argmax(axis=0)
    lost = drawn[winner, np.arange(v.shape[1])] - drawn[best]
    omega = np.bincount(winner, lost, minlength=value.size) / v.shape[1]
    return omega, np.maximum(((v - v[best]) ** 2).mean(axis=1), 1e-12)


def _explained(
    v: FloatArray,
    own: BoolArray,
    best: int,
    seen: FloatArray,
    variance: FloatArray,
    omega: FloatArray,
    spread: FloatArray,
) -> FloatArray:
    """Expected regret that each candidate of one pattern explains, shape (m,).

    Runs of a pattern tell of its own choices alone: patterns are fitted one by one.
    """
    counts = omega > 0.0
    counts[best] = False
    if not counts.any():
        return np.zeros(seen.shape[1])
    draws = v.shape[1]
    contrast = np.where(own[counts][:, None], v[counts], 0.0) - (v[best] if own[best] else 0.0)
    cd, cl = seen
    a = (cd**2).mean(axis=1) + variance[0]
    c = (cl**2).mean(axis=1) + variance[1]
    b = (cd * cl).mean(axis=1)
    with_cd, with_cl = contrast @ cd.T / draws, contrast @ cl.T / draws
    share = (c * with_cd**2 - 2.0 * b * with_cd * with_cl + a * with_cl**2) / (a * c - b**2)
    share = share / spread[counts][:, None]
    # Two numbers without information explain two k-ths of the variance of k draws.
    return np.asarray(omega[counts] @ np.clip(share - 2.0 / draws, 0.0, 1.0))


def _condition(
    v: FloatArray,
    own: BoolArray,
    seen: FloatArray,
    place: int,
    variance: FloatArray,
    rng: np.random.Generator,
) -> None:
    """Condition the draws of a pattern on a run, in place: less what the run would correct in each."""
    draws = v.shape[1]
    at = seen[:, place].copy()
    matrix = at @ at.T / draws + np.diag(variance)
    weights = np.linalg.solve(matrix, at + np.sqrt(variance)[:, None] * rng.standard_normal((2, draws)))
    v[own] -= (v[own] @ at.T / draws) @ weights
    for number in range(2):
        seen[number] -= (seen[number] @ at.T / draws) @ weights
