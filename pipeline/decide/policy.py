"""Which runs a study that chooses them itself computes next, and why, or why it stops."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.decide.batch import Belief, choose, expected_regret
from pipeline.decide.design import SAME, Space, farthest, first_design, positions
from pipeline.decide.product import Product
from pipeline.decide.state import CONTENDS, DECIDED, NOTHING, State
from pipeline.study.points import RunPoint
from pipeline.study.units import YARD_M

FIRST_RUNS = 10
"""Runs a pattern of the first design: its ends at both ends of the depth, and as many between; not tuned."""

BATCH = 8
"""Runs of a round: as many as two cores compute while a decision is made many times over."""

WORTHLESS_M = 0.02
"""Expected regret below which nothing is worth its price: what flights of 128 shots scatter by [m]."""

LEAST_GAIN_M = 1e-3
"""Expected regret that a run must explain to be chosen [m]."""

CANDIDATES = 3000
"""Conditions of a pattern among which the next runs are sought."""

CHECKS, FIRST_CHECKS = 2, 4
"""Runs of a round that are laid where a pattern has been computed least, and of the first one after the first
design: a model that is surer than it should be has no reason of its own to look there. Of 20 simulated
studies 15 that were decided by the first design alone were decided right, all those a round later."""

FIRST, LEAVES = "first design", "flights leave what was computed"
CHECK = "checks the model where it has been computed least"
SPENT, WORTHLESS, KNOWN = "the budget is spent", "nothing is worth its price", "the decision is known"


@dataclass(frozen=True)
class Choice:
    """A run that is to be computed.

    Parameters
    ----------
    point : RunPoint
        The run.
    why : str
        `FIRST`, `LEAVES`, or what it explains.
    gain_m : float
        Expected regret that it explains [m]; NaN for other reasons.
    price_s : float
        Core seconds.
    """

    point: RunPoint
    why: str
    gain_m: float
    price_s: float


Price = Callable[[RunPoint, bool], float]
"""Core seconds of a run, and whether it starts from another one's field."""


def first_round(space: Space, price: Price, budget_s: float, n: int = FIRST_RUNS) -> list[Choice]:
    """Runs of the first design, as many a pattern as the budget holds and at most n.

    The first run of a pattern starts from rest, all others from a neighbour.
    """
    for count in range(n, 0, -1):
        points = first_design(space, count)
        seen: set[str] = set()
        found = []
        for point in points:
            found.append(Choice(point, FIRST, float("nan"), price(point, point.pattern in seen)))
            seen.add(point.pattern)
        if sum(choice.price_s for choice in found) <= budget_s:
            return found
    return []


def agrees_with(of: Product, before: tuple[str, float] | None) -> bool:
    """Whether what was best before is within a yard of what is best now."""
    if before is None or before[0] not in of.depth_m:
        return False
    pattern, depth = before
    value = float(np.interp(depth, of.depth_m[pattern], of.value_m[pattern]))
    return max(float(values.max()) for values in of.value_m.values()) - value <= YARD_M


def next_round(
    space: Space,
    known: Sequence[RunPoint],
    state: State,
    of: Product | None,
    beliefs: Mapping[str, Belief],
    before: tuple[str, float] | None,
    price: Price,
    noise: tuple[float, float],
    budget_s: float,
    until_decided: bool = True,
    most: int = BATCH,
) -> tuple[list[Choice], str]:
    """Choose the runs of a round.

    Parameters
    ----------
    space : Space
        Where runs may lie, which holds the flights with the present coefficients.
    known : sequence of RunPoint
        Runs that were asked for before.
    state : State
        Of the decision for all golfers.
    of : Product or None
        Values with their draws, the crisis where it is most probable; None where no pattern can be flown.
    beliefs : mapping
        By pattern of `of`.
    before : tuple or None
        Pattern and depth [m] that were best before the last round; None after the first design. What a first
        design says is always checked by a round, and what a round says must agree with the one before.
    price : callable
        Core seconds of a run, warm or not.
    noise : tuple of float
        Standard errors of Cd and Cl at which runs stop.
    budget_s : float
        Core seconds that are left.
    until_decided : bool
        Whether a decision that is known is enough; else runs are asked for while they are worth their price.
    most : int
        Runs of the round.

    Returns
    -------
    choices : list of Choice
        Ends of the flights' region first, where flights of a pattern that may be the best leave what was
        computed of it; then what explains most regret (`pipeline.decide.batch.choose`), then checks of the
        model.
    why : str
        Where there are none: `KNOWN`, `WORTHLESS` or `SPENT`; else "".
    """
    if of is None or not beliefs or state.word == NOTHING:
        return [], WORTHLESS
    ends = _ends(space, known, of, price) if state.leaves_table else []
    agrees = agrees_with(of, before)
    if agrees and until_decided and (state.word == DECIDED or state.place_decides):
        return [], KNOWN
    if agrees and not ends and expected_regret(of) < WORTHLESS_M:
        return [], WORTHLESS
    round_ = 1 + max((point.round for point in known), default=-1)
    tried = [
        point
        for pattern in beliefs
        for point in space.filled(pattern, CANDIDATES, 1 + round_)
        if point not in known
    ]
    found = ends[:most]
    checks = min(FIRST_CHECKS if round_ == 1 else CHECKS, most - len(found))
    prices = [price(point, True) for point in tried]
    offers = choose(of, beliefs, tried, prices, noise, most - len(found) - checks, LEAST_GAIN_M)
    found += [
        Choice(offer.point, f"explains {offer.gain_m:.2g} m of regret", offer.gain_m, offer.price_s)
        for offer in offers
    ]
    # What is left of the round checks the model too: where no run explains anything the model is sure.
    there = [*known, *(choice.point for choice in found)]
    found += [
        Choice(point, CHECK, float("nan"), price(point, True))
        for point in _checks(of, there, tried, most - len(found), round_)
    ]
    spent = np.cumsum([choice.price_s for choice in found])
    chosen = [
        replace(choice, point=replace(choice.point, round=round_))
        for choice, total in zip(found, spent, strict=True)
        if total <= budget_s
    ]
    return chosen, "" if chosen else SPENT


def _ends(space: Space, known: Sequence[RunPoint], of: Product, price: Price) -> list[Choice]:
    """Ends of the flights' region that no run of a pattern which may be the best is near."""
    return [
        Choice(point, LEAVES, float("nan"), price(point, True))
        for pattern in contending(of)
        for point in space.corners(pattern)
        if all(point.apart(other) > SAME for other in known if other.pattern == pattern)
    ]


def _checks(
    of: Product, known: Sequence[RunPoint], tried: Sequence[RunPoint], n: int, round_: int
) -> list[RunPoint]:
    """Points farthest from the runs of their pattern, patterns in turn, those of greatest value first."""
    order = sorted(of.value_m, key=lambda name: -float(of.value_m[name].max()))
    found: list[RunPoint] = []
    for place in range(n):
        pattern = order[(place + (round_ - 1) * CHECKS) % len(order)]
        own = [point for point in tried if point.pattern == pattern]
        there = [point for point in [*known, *found] if point.pattern == pattern]
        if own:
            found.append(own[farthest(positions(own), positions(there), 1)[0]])
    return found


def contending(of: Product) -> list[str]:
    """Patterns that are the best in at least `CONTENDS` of the draws."""
    tops = np.array([draws.max(axis=0) for draws in of.value_draws_m.values()])
    wins = np.bincount(tops.argmax(axis=0), minlength=len(tops)) / tops.shape[1]
    return [name for name, share in zip(of.value_draws_m, wins, strict=True) if share >= CONTENDS]
