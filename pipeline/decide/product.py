"""One product for all golfers: pattern and depth, what each golfer gives away, prototypes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.arrays import BoolArray, FloatArray
from pipeline.decide.optimum import best_on_grid
from pipeline.decide.value import DepthValues
from pipeline.records.decision import PatternOfProduct, Prototype
from pipeline.study.units import YARD_M

SURE = 0.9
"""Probability with which the short list holds the best prototype."""

LONGEST_LIST = 4
"""More prototypes than this are no short list: more runs are cheaper."""


MOST_CANDIDATES = 150
"""Depths and patterns among which the short list is sought."""


@dataclass(frozen=True)
class Product:
    """Weighted sum of the value of every depth to the golfers.

    Parameters
    ----------
    depth_m : dict
        By pattern, the grid of depths, shape (g,) [m].
    value_m, value_draws_m : dict
        By pattern, shapes (g,) and (g, k) [m].
    value_at_places_m : dict
        By pattern, as `DepthValues.value_at_places_m` [m].
    """

    depth_m: dict[str, FloatArray]
    value_m: dict[str, FloatArray]
    value_draws_m: dict[str, FloatArray]
    value_at_places_m: dict[str, FloatArray]


def product(valued: Mapping[tuple[str, str], DepthValues], weights: Mapping[str, float]) -> Product:
    """Weigh the golfers.

    Parameters
    ----------
    valued : mapping
        By (golfer, pattern), for every golfer and the patterns that all golfers can be flown with; the depths
        of a pattern are the same for all.
    weights : mapping
        By golfer, not negative; their sum is above zero.

    Returns
    -------
    Product
        Weighted means over the golfers.
    """
    total = sum(weights.values())
    patterns = list(dict.fromkeys(pattern for _, pattern in valued))

    def weighted(pattern: str, name: str) -> FloatArray:
        parts = [weights[golfer] / total * getattr(valued[golfer, pattern], name) for golfer in weights]
        return np.asarray(np.sum(parts, axis=0))

    first = next(iter(weights))
    return Product(
        {pattern: valued[first, pattern].depth_m for pattern in patterns},
        {pattern: weighted(pattern, "value_m") for pattern in patterns},
        {pattern: weighted(pattern, "value_draws_m") for pattern in patterns},
        {pattern: weighted(pattern, "value_at_places_m") for pattern in patterns},
    )


def rank(
    of: Product, valued: Mapping[tuple[str, str], DepthValues], golfers: Sequence[str]
) -> list[PatternOfProduct]:
    """Compare the patterns as the product for all golfers, in the order of the product's patterns."""
    patterns = list(of.depth_m)
    drawn = {name: best_on_grid(of.depth_m[name], of.value_draws_m[name]) for name in patterns}
    tops = np.array([drawn[name].carry_m for name in patterns])
    wins = np.bincount(tops.argmax(axis=0), minlength=len(patterns)) / tops.shape[1]
    own = {
        golfer: np.max([valued[golfer, name].value_draws_m.max(axis=0) for name in patterns], axis=0)
        for golfer in golfers
    }
    found = []
    for name, p_best in zip(patterns, wins, strict=True):
        at = int(of.value_m[name].argmax())
        low, high = np.quantile(drawn[name].depth_m, (0.05, 0.95))
        regret = np.maximum(tops.max(axis=0) - of.value_draws_m[name][at], 0.0)
        found.append(
            PatternOfProduct(
                pattern=name,
                depth_m=float(best_on_grid(of.depth_m[name], of.value_m[name][:, None]).depth_m[0]),
                depth_lo_m=float(low),
                depth_hi_m=float(high),
                value_m=float(of.value_m[name][at]),
                p_best=float(p_best),
                p_edge=float(drawn[name].at_edge.mean()),
                regret_m=float(regret.mean()),
                regret_hi_m=float(np.quantile(regret, 0.95)),
                regrets_m={
                    golfer: float((own[golfer] - valued[golfer, name].value_draws_m[at]).mean())
                    for golfer in golfers
                },
            )
        )
    return found


def short_list(of: Product, sure: float = SURE, loss_m: float = YARD_M) -> list[Prototype]:
    """Fewest prototypes one of which is within a yard of the best, with a given probability.

    Parameters
    ----------
    of : Product
        Values of every pattern and depth, and their draws.
    sure : float
        Probability wanted.
    loss_m : float
        What a prototype may give away and still count as the best [m].

    Returns
    -------
    list of Prototype
        In the order in which to cut them: each adds as much to the probability as any that is left. Up to
        three are the best of all sets of their size, by trying them; longer lists are made by adding the best
        one each time.
    """
    every = max(1, -(-sum(grid.size for grid in of.depth_m.values()) // MOST_CANDIDATES))
    places = [(name, at) for name in of.depth_m for at in range(0, of.depth_m[name].size, every)]
    values = np.array([of.value_draws_m[name][at] for name, at in places])
    best = np.max([draws.max(axis=0) for draws in of.value_draws_m.values()], axis=0)
    good = values >= best - loss_m
    # Of sets that are equally good, the one with the higher expected values is cut.
    value = np.array([of.value_m[name][at] for name, at in places])
    chosen = _smallest_set(good, value, sure)
    if chosen is None:
        chosen = list(range(len(places)))
    found: list[Prototype] = []
    open_draws = np.ones(good.shape[1], bool)
    while chosen and 1.0 - open_draws.mean() < sure:
        adds = (good[chosen] & open_draws).mean(axis=1)
        choice = chosen[int(np.lexsort((value[chosen], adds))[-1])]
        if not (good[choice] & open_draws).any():
            break
        chosen.remove(choice)
        open_draws &= ~good[choice]
        name, at = places[choice]
        depth = float(of.depth_m[name][at])
        found.append(
            Prototype(
                pattern=name,
                depth_m=depth,
                p_within_yard=float(good[choice].mean()),
                p_so_far=float(1.0 - open_draws.mean()),
            )
        )
    return found


def _smallest_set(good: BoolArray, value: FloatArray, sure: float) -> list[int] | None:
    """One to three rows of `good` (candidates x draws) that cover a share of the draws; None if none do."""
    bad = (~good).astype(np.float32)
    allowed = (1.0 - sure) * good.shape[1] + 0.5
    tie = 1e-3 * (value.max() - value) / max(float(np.ptp(value)), 1e-12)  # far less than one draw
    alone = bad.sum(axis=1) + tie
    if alone.min() <= allowed:
        return [int(alone.argmin())]
    pairs = bad @ bad.T + tie[:, None] + tie
    if pairs.min() <= allowed:
        return [int(at) for at in np.unravel_index(int(pairs.argmin()), pairs.shape)]
    lowest = np.inf
    triple: list[int] = []
    for first in range(len(bad)):
        left = (bad * bad[first]) @ bad.T + tie[:, None] + tie
        if left.min() < lowest:
            second, third = np.unravel_index(int(left.argmin()), left.shape)
            lowest, triple = float(left.min()), [first, int(second), int(third)]
    return triple if lowest <= allowed else None
