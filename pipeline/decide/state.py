"""State of a decision: decided, prototypes, run more or nothing to decide, and the reasons."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.patterns import misfit
from pipeline.decide.depths import StudiedDepths
from pipeline.decide.flights.population import PatternFlights
from pipeline.decide.optimum import best_on_grid
from pipeline.decide.product import LONGEST_LIST, SURE, Product, short_list
from pipeline.records.decision import Prototype
from pipeline.study.trade_units import millimetres, share, yards_only
from pipeline.study.units import YARD_M

DECIDED, PROTOTYPES, RUN_MORE, NOTHING = "decided", "prototypes", "run more", "nothing to decide"

MOST_AT_EDGE = 0.05
"""Share of draws whose best depth may lie at the shallowest or deepest one studied."""

MOST_OUTSIDE = 0.05
"""Share of a flight that may lie outside the coefficient table."""

CONTENDS = 0.05
"""A pattern that is the best in fewer draws has no say in the state."""

NEAR_LIMIT = 0.1
"""A shallowest depth within this share of itself from what the chord diameter allows has none beyond it."""

AGREES_WITHIN = 2.0
"""Carry by the model and by the runs' own grid may differ by so many times what the model expects."""


@dataclass(frozen=True)
class State:
    """State of one decision.

    Parameters
    ----------
    word : str
        "decided", "prototypes", "run more" or "nothing to decide".
    pattern, depth_m : str, float
        What is best on average over the draws; empty and NaN when nothing is.
    p_within_yard : float
        Probability that it is within a yard of the best pattern and depth studied.
    why : list of str
        Reasons against a decision, or what the probability rests on, a sentence each.
    short_list : list of Prototype
        Fewest prototypes one of which is within a yard of the best with a probability of 0.9.
    place_decides : bool
        Whether it would be decided, or nearly, were the place of the drag crisis known.
    leaves_table : bool
        Whether flights spend too much time outside the Reynolds numbers and spin ratios computed.
    """

    word: str
    pattern: str
    depth_m: float
    p_within_yard: float
    why: list[str]
    short_list: list[Prototype] = field(default_factory=list)
    place_decides: bool = False
    leaves_table: bool = False


@dataclass(frozen=True)
class Evidence:
    """What a state is judged by.

    Parameters
    ----------
    of : Product
        Values over depth with their draws, of one golfer or of all.
    placed : Product or None
        The same with the crisis where it is most probable; None where there is no crisis to place.
    models : mapping
        By pattern.
    flights : mapping
        By (golfer, pattern), of the golfers that count.
    studied : mapping
        Depths of the study by pattern.
    """

    of: Product
    placed: Product | None
    models: Mapping[str, CoefficientModel]
    flights: Mapping[tuple[str, str], PatternFlights]
    studied: Mapping[str, StudiedDepths]


def nothing_to_decide(coefficients: pd.DataFrame, models: Mapping[str, CoefficientModel]) -> str | None:
    """Why the runs leave nothing to decide, a sentence; None when they do.

    Parameters
    ----------
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    models : mapping
        Of the patterns with usable runs.
    """
    if not models:
        return "No pattern has a usable run; the reasons stand beside the runs."
    short = [
        (pattern, what)
        for pattern, model in models.items()
        for count, what in (
            (model.studied_reynolds.size, "one Reynolds number"),
            (model.studied_spin_ratio.size, "one spin ratio"),
        )
        if count < 2
    ]
    if len({pattern for pattern, _ in short}) == len(models):
        listed = ", ".join(f"{what} of {pattern}" for pattern, what in short)
        return f"Two are needed where runs are usable at {listed} only."
    if len(models) == 1 and next(iter(models.values())).depth_m.size < 2:
        pattern, model = next(iter(models.items()))
        lost = coefficients[(coefficients["pattern"] == pattern)]["depth_m"].nunique() > 1
        also = " (the other depths have no usable runs)" if lost else ""
        return (
            f"{pattern} has one usable depth, {millimetres(float(model.depth_m[0]))}{also}: two are needed "
            "to choose between."
        )
    return None


def state_of(evidence: Evidence) -> State:
    """Judge whether a decision can be made.

    Parameters
    ----------
    evidence : Evidence
        Of one golfer, or of all that count.

    Returns
    -------
    State
        "decided": what is named is within a yard of the best with a probability of 0.9, its best depth lies
        at an edge of those studied in less than 5 % of the draws, at least 95 % of the flights lie inside the
        table, and the model fits the runs and agrees with plain interpolation of them. "prototypes": a short
        list holds the best, or only the place of the drag crisis is not known. "run more": neither.
    """
    of = evidence.of
    pattern = _best_pattern(of)
    at = int(of.value_m[pattern].argmax())
    depth = float(best_on_grid(of.depth_m[pattern], of.value_m[pattern][:, None]).depth_m[0])
    within = _within_yard(of, pattern, at)
    listed = short_list(of)
    contending = _contending(of)
    outside = _outside(evidence, contending)
    obstacles = [*_doubts(evidence, contending), *outside]
    placed_within, placed_edge = within, _edge(of, pattern)
    placed = evidence.placed
    if placed is not None:
        top = _best_pattern(placed)
        placed_within = _within_yard(placed, top, int(placed.value_m[top].argmax()))
        placed_edge = _edge(placed, top)
    edge = _edge(of, pattern)
    if edge >= MOST_AT_EDGE and placed_edge >= MOST_AT_EDGE:
        obstacles.append(_edge_sentence(evidence, pattern, edge))
    place = placed is not None and not obstacles and placed_within >= SURE
    if not obstacles and within >= SURE and edge < MOST_AT_EDGE:
        return State(DECIDED, pattern, depth, within, [_sure(within)], listed)
    if obstacles:
        return State(RUN_MORE, pattern, depth, within, obstacles, listed, leaves_table=bool(outside))
    if place:
        why = [
            "What is not known is the place of the drag crisis on balls that are cut: with it the depth "
            f"would be decided (probability {placed_within:.2f})."
        ]
        return State(PROTOTYPES, pattern, depth, within, why, listed, True)
    if listed and listed[-1].p_so_far >= SURE and len(listed) <= LONGEST_LIST:
        why = [
            f"{_sure(within)} One of {len(listed)} prototypes is, with a probability of "
            f"{listed[-1].p_so_far:.2f}."
        ]
        return State(PROTOTYPES, pattern, depth, within, why, listed)
    of_placed = [] if placed is None else short_list(placed)
    if of_placed and of_placed[-1].p_so_far >= SURE and len(of_placed) <= LONGEST_LIST:
        # Runs say nothing of the place, so that more of them would not shorten the list.
        of_list = listed[:LONGEST_LIST]
        why = [
            f"{_sure(within)} What is not known is the place of the drag crisis on balls that are cut: with "
            f"it one of {len(of_placed)} prototypes would be, with a probability of "
            f"{of_placed[-1].p_so_far:.2f}; without it one of these {len(of_list)} is, with a probability of "
            f"{of_list[-1].p_so_far:.2f}."
        ]
        return State(PROTOTYPES, pattern, depth, within, why, of_list, True)
    why = [
        f"More than {LONGEST_LIST} prototypes would be needed to have one within a yard of the best with a "
        f"probability of {SURE:.1f}: more runs are cheaper."
    ]
    return State(RUN_MORE, pattern, depth, within, why, listed)


def _best_pattern(of: Product) -> str:
    return max(of.depth_m, key=lambda name: float(of.value_m[name].max()))


def _within_yard(of: Product, pattern: str, at: int) -> float:
    best = np.max([draws.max(axis=0) for draws in of.value_draws_m.values()], axis=0)
    return float((of.value_draws_m[pattern][at] >= best - YARD_M).mean())


def _edge(of: Product, pattern: str) -> float:
    if of.depth_m[pattern].size == 1:
        return 0.0
    return float(best_on_grid(of.depth_m[pattern], of.value_draws_m[pattern]).at_edge.mean())


def _contending(of: Product) -> list[str]:
    tops = np.array([draws.max(axis=0) for draws in of.value_draws_m.values()])
    wins = np.bincount(tops.argmax(axis=0), minlength=len(tops)) / tops.shape[1]
    return [name for name, share_best in zip(of.value_draws_m, wins, strict=True) if share_best >= CONTENDS]


def _sure(within: float) -> str:
    return f"It is within a yard of the best studied with a probability of {within:.2f}."


def _edge_sentence(evidence: Evidence, pattern: str, edge: float) -> str:
    of, studied = evidence.of, evidence.studied.get(pattern, StudiedDepths([]))
    depths = of.depth_m[pattern]
    best = best_on_grid(depths, of.value_draws_m[pattern])
    shallow = float(best.depth_m[best.at_edge].mean()) < 0.5 * (depths[0] + depths[-1])
    side = "shallower" if shallow else "deeper"
    lost = [at for at in studied.depths_m if (at < depths[0] - 1e-9 if shallow else at > depths[-1] + 1e-9)]
    if len(lost) == 1:
        advised = f"the depth of {millimetres(lost[0])} beyond it has no usable runs: compute it again first"
    elif lost:
        advised = f"{len(lost)} depths studied beyond it have no usable runs: compute those again first"
    elif shallow and depths[0] - studied.limit_m < NEAR_LIMIT * depths[0]:
        advised = f"with its chord diameter no dimple is shallower than {millimetres(studied.limit_m)}"
    else:
        advised = f"study {side} ones"
    return (
        f"The best depth of {pattern} lies at the {'shallowest' if shallow else 'deepest'} depth "
        f"{'with usable runs' if lost else 'studied'} with a probability of {edge:.2f}: {advised}."
    )


def _doubts(evidence: Evidence, contending: Sequence[str]) -> list[str]:
    """Sentences on what must be cleared by more runs."""
    found = []
    for pattern in contending:
        model = evidence.models[pattern]
        off = misfit(model, by_chance=True)
        if off is not None:
            found.append(off)
        differs = []
        for (golfer, name), flown in evidence.flights.items():
            if name != pattern:
                continue
            gap = np.abs(flown.mean.carry_m - flown.plain.carry_m)
            wrong = flown.plain.difference_counts & (
                gap > np.maximum(AGREES_WITHIN * flown.plain.expected_m, 0.5 * YARD_M)
            )
            differs += [(float(gap[d]), golfer, float(flown.depth_m[d])) for d in np.flatnonzero(wrong)]
        if differs:
            gap_m, golfer, depth = max(differs)
            found.append(
                f"{pattern}: at {millimetres(depth)} the model and plain interpolation of the runs differ by "
                f"{yards_only(gap_m)} of carry for {golfer}, more than the model expects."
            )
    return found


def _outside(evidence: Evidence, contending: Sequence[str]) -> list[str]:
    """Sentences on flights that leave the coefficient table, one a pattern."""
    found = []
    for pattern in contending:
        shares = [
            (float(flown.mean.extrapolated[flown.studied].max()), golfer)
            for (golfer, name), flown in evidence.flights.items()
            if name == pattern
        ]
        most, golfer = max(shares, default=(0.0, ""))
        if most > MOST_OUTSIDE:
            found.append(
                f"{pattern}: shots of {golfer} spend up to {share(most, 0)} of their time outside the "
                "Reynolds numbers and spin ratios computed."
            )
    return found
