"""Which patterns of a family are computed next, and at which depths and flows, within a budget."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from pipeline.aero.conditions import Points
from pipeline.arrays import BoolArray, FloatArray
from pipeline.decide.batch import REPEATED
from pipeline.decide.search.belief import FlightBelief, RunCandidates
from pipeline.decide.search.shared_model import IntArray, Runs

FIRST_PATTERNS, FIRST_RUNS = 30, 3
"""Patterns of the first design, far apart in features, and runs of each, at depths from shallow to deep."""

BLOCK = 2
"""Runs of a pattern that is computed for the first time: its first one starts from rest, which is dear."""

TRIED_PATTERNS, TRIED_FLOWS = 40, 8
"""Patterns among which a round looks, and flows of each at one depth."""

NEVER_M = 1e6
"""Carry below all others of a choice that cannot be made [m]."""

CONTRASTS = 250
"""Choices (patterns at depths) whose difference from the best is to be known."""


class Next(NamedTuple):
    """A run that is to be computed.

    Parameters
    ----------
    pattern : int
        Row of the pattern.
    depth_m, reynolds, spin_ratio : float
        Its condition.
    gain_m : float
        Expected regret that it explains, over all patterns [m]; NaN in the first design.
    """

    pattern: int
    depth_m: float
    reynolds: float
    spin_ratio: float
    gain_m: float


def first_patterns(features: FloatArray, n: int) -> list[int]:
    """Rows of n patterns far apart: the one nearest to the middle, then the farthest from those before."""
    chosen = [int((features**2).sum(axis=1).argmin())]
    apart = ((features - features[chosen[0]]) ** 2).sum(axis=1)
    while len(chosen) < min(n, len(features)):
        chosen.append(int(apart.argmax()))
        apart = np.minimum(apart, ((features - features[chosen[-1]]) ** 2).sum(axis=1))
    return chosen


def first_design(
    features: FloatArray, depth_m: FloatArray, flows: FloatArray, patterns: int = FIRST_PATTERNS
) -> list[Next]:
    """Spread the first runs over features, depths and flows.

    Parameters
    ----------
    features : ndarray, shape (p, f)
        Of all patterns, standardised.
    depth_m : ndarray, shape (g,)
        Depths at which runs may lie [m].
    flows : ndarray, shape (m, 2)
        Reynolds numbers and spin ratios that fill what flights pass through, evenly in any order.
    patterns : int
        How many.
    """
    found = []
    for place, pattern in enumerate(first_patterns(features, patterns)):
        for run in range(FIRST_RUNS):
            # A third of the depths each, at another place of it for each pattern.
            share = (run + (0.5 + 0.618 * place) % 1.0) / FIRST_RUNS
            depth = depth_m[min(int(share * depth_m.size), depth_m.size - 1)]
            reynolds, spin = flows[(place * FIRST_RUNS + run) % len(flows)]
            found.append(Next(pattern, float(depth), float(reynolds), float(spin), float("nan")))
    return found


def expected_improvement(mean_m: FloatArray, deviation_m: FloatArray) -> FloatArray:
    """E[max(x, 0)] of Gaussian x, of the shape of the inputs [m]."""
    from scipy.special import ndtr

    deviation = np.maximum(deviation_m, 1e-12)
    z = mean_m / deviation
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(deviation * density + mean_m * ndtr(z))


def next_runs(
    belief: FlightBelief,
    flows: FloatArray,
    noise: tuple[float, float],
    prices_s: tuple[float, float],
    most: int,
    allowed: BoolArray | None = None,
) -> list[Next]:
    r"""Choose the runs of a round, one after the other.

    With b the choice (a pattern at a depth) that is best on average, :math:`\omega_c` the expected
    improvement of choice c over b and :math:`\rho_c^2(x)` the share of the variance of their difference that
    run x explains, x is worth :math:`\sum_c \omega_c \rho_c^2(x)` for its price; patterns count with their
    best depth. The belief is conditioned on every run chosen, so that :math:`\omega` falls where it tells
    something.

    Parameters
    ----------
    belief : FlightBelief
        Of the carry.
    flows : ndarray, shape (m, 2)
        Reynolds numbers and spin ratios to choose from, at most `TRIED_FLOWS` for each pattern.
    noise : tuple of float
        Standard errors of Cd and Cl at which runs stop; `pipeline.decide.batch.REPEATED` is added.
    prices_s : tuple of float
        Core seconds of a pattern's first run, from rest, and of any other.
    most : int
        Runs of the round.
    allowed : ndarray of bool, shape (p, g), optional
        Choices that can be made, for instance where depths of patterns have ranges of their own; all when
        absent.

    Returns
    -------
    list of Next
        In the order of choice; none that is known already.
    """
    depths, models = belief.depths, belief.models
    can = np.ones(belief.mean_m.shape, bool) if allowed is None else allowed
    value = np.where(can, belief.mean_m, belief.mean_m.min() - NEVER_M).ravel()
    best = int(value.argmax())
    every = np.arange(value.size)
    spread = belief.variance_m2 + belief.variance_m2[best]
    spread = np.maximum(spread - 2.0 * belief.covariance_m2(every, np.array([best]))[:, 0], 0.0)
    omega = expected_improvement(value - value[best], np.sqrt(spread))
    omega[best] = 0.0
    contrasts = np.argsort(-omega)[:CONTRASTS]
    by_pattern = omega.reshape(-1, depths)
    order = np.argsort(-by_pattern.max(axis=1), kind="stable")[:TRIED_PATTERNS]
    tried = [best // depths, *(int(p) for p in order if p != best // depths and can[p].any())]
    runs = _tried(belief, tried, by_pattern, can, best, flows)
    state = [_Conditioned.of(belief, c, runs, contrasts, best, noise[c]) for c in range(2)]
    seen = set(int(p) for p in models[0].runs.pattern)
    spread_c, gap = spread[contrasts], (value - value[best])[contrasts]
    weight = _one_a_pattern(contrasts // depths)
    taken = _known(models[0].runs, runs)
    found: list[Next] = []
    block: tuple[int, int] | None = None
    while len(found) < most and not taken.all():
        left = np.maximum(spread_c, 1e-9)
        open_ = weight(expected_improvement(gap, np.sqrt(left)))
        share = sum(of.explained() for of in state) / left[:, None]
        gain = open_ @ np.minimum(share, 1.0)
        price = np.array([prices_s[int(p) in seen] for p in runs.pattern])
        each = np.where(taken, -1.0, gain / price)
        if block is not None:
            each = np.where(runs.pattern == block[0], each, -1.0)
        x = int(each.argmax())
        pattern = int(runs.pattern[x])
        if block is None and pattern not in seen:
            block = (pattern, BLOCK - 1)
        elif block is not None:
            block = (pattern, block[1] - 1) if block[1] > 1 else None
        seen.add(pattern)
        taken[x] = True
        at = runs.points
        found.append(
            Next(
                pattern, float(at.depth_m[x]), float(at.reynolds[x]), float(at.spin_ratio[x]), float(gain[x])
            )
        )
        spread_c = spread_c - sum(of.condition(x) for of in state)
    return found


def _one_a_pattern(pattern: IntArray) -> Callable[[FloatArray], FloatArray]:
    """Function that scales numbers of choices so that those of a pattern add up to its largest."""
    _, row = np.unique(pattern, return_inverse=True)

    def scaled(omega: FloatArray) -> FloatArray:
        total = np.bincount(row, omega)
        top = np.zeros(total.size)
        np.maximum.at(top, row, omega)
        return np.asarray(omega * (top / np.maximum(total, 1e-300))[row])

    return scaled


def _tried(
    belief: FlightBelief, patterns: list[int], omega: FloatArray, can: BoolArray, best: int, flows: FloatArray
) -> RunCandidates:
    """Runs to choose from: of each pattern its best depth, and the one two steps away that is worth more."""
    depth_m = belief.flights.depth_m
    rows: list[tuple[int, float, float, float]] = []
    for place, pattern in enumerate(patterns):
        top = best % depth_m.size if place == 0 else int(np.where(can, omega, -1.0)[pattern].argmax())
        beside = [at for at in (top - 2, top + 2) if 0 <= at < depth_m.size and can[pattern, at]]
        depths = [top, *sorted(beside, key=lambda at: -omega[pattern, at])[:1]]
        # Flows that the pattern's runs have not come to yet.
        first = place + int((belief.models[0].runs.pattern == pattern).sum())
        at = (np.arange(TRIED_FLOWS) + first) % len(flows)
        for depth in depths:
            rows += [(pattern, float(depth_m[depth]), float(flows[i][0]), float(flows[i][1])) for i in at]
    columns = np.array(rows).T
    return RunCandidates(columns[0].astype(np.intp), Points(columns[1], columns[2], columns[3]))


def _known(known: Runs, runs: RunCandidates) -> BoolArray:
    """Whether each of the runs is one of those known, shape (m,)."""
    there = set(zip(known.pattern, *_condition(known.points), strict=True))
    return np.array([run in there for run in zip(runs.pattern, *_condition(runs.points), strict=True)])


def _condition(points: Points) -> tuple[FloatArray, FloatArray, FloatArray]:
    return points.depth_m, points.reynolds, points.spin_ratio


class _Conditioned:
    """Covariances of one coefficient at runs with contrasts, while runs are chosen."""

    def __init__(self, between: FloatArray, prior: FloatArray, halves: FloatArray, noise2: float) -> None:
        self._between, self._prior, self._halves, self._noise2 = between, prior, halves, noise2
        self._variance = np.diag(prior) - (halves**2).sum(axis=0)
        self._known: list[FloatArray] = []

    @staticmethod
    def of(
        belief: FlightBelief, c: int, runs: RunCandidates, contrasts: IntArray, best: int, noise: float
    ) -> "_Conditioned":
        model = belief.models[c]
        known = model.runs
        cross = model.common(known.points, runs.points)
        cross = cross + model.own(known.points, runs.points) * model.between_patterns(
            known.pattern, runs.pattern
        )
        halves = model.solved(cross)
        values = belief.with_runs(c, runs, halves, np.append(contrasts, best))
        between = values[:-1] - values[-1]

        prior = model.own(runs.points, runs.points) * model.between_patterns(runs.pattern, runs.pattern)
        prior += model.common(runs.points, runs.points)
        return _Conditioned(between, prior, halves, noise**2 + REPEATED[c] ** 2)

    def explained(self) -> FloatArray:
        """Variance of each contrast that each run explains, shape (t, m) [m^2]."""
        return np.asarray(self._between**2 / (self._variance + self._noise2))

    def condition(self, x: int) -> FloatArray:
        """Take a run as known; the variance of each contrast that it explains, shape (t,) [m^2]."""
        root = np.sqrt(self._variance[x] + self._noise2)
        step = self._prior[x] - self._halves[:, x] @ self._halves
        for known in self._known:
            step = step - known[x] * known
        step = step / root
        moved = self._between[:, x] / root
        self._between = self._between - moved[:, None] * step
        self._variance = np.maximum(self._variance - step**2, 0.0)
        self._known.append(step)
        return np.asarray(moved**2)
