"""A study's runs judged between rounds: the decision for all golfers, and draws to choose further runs by."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.aero.published import published_tables
from pipeline.arrays import BoolArray
from pipeline.decide.batch import Belief, expected_regret
from pipeline.decide.depths import studied_depths
from pipeline.decide.design import Space
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.passage import passages
from pipeline.decide.flights.population import SHOTS, SHOTS_OF_A_DRAW, fly_pattern
from pipeline.decide.flown import Flown, fly_everything, product_of
from pipeline.decide.policy import contending
from pipeline.decide.product import Product, product
from pipeline.decide.state import NOTHING, Evidence, State, nothing_to_decide, state_of
from pipeline.decide.value import DepthValues, depth_values
from pipeline.errors import InputError
from pipeline.flight.trajectory import Launches
from pipeline.records.decision import Unresolved
from pipeline.study.model import Study

DRAWS_TO_CHOOSE = 300
"""Draws by which runs are chosen."""


@dataclass(frozen=True)
class Judged:
    """What is known between two rounds.

    Parameters
    ----------
    state : State
        Of the decision for all golfers.
    of : Product or None
        Values with draws of the coefficients alone, the crisis where it is most probable.
    beliefs : dict
        By pattern of `of`.
    space : Space
        Where runs may lie: what flights pass through, with the present coefficients too.
    """

    state: State
    of: Product | None
    beliefs: dict[str, Belief]
    space: Space

    @property
    def expected_regret_m(self) -> float:
        """Carry that choosing now gives away on average [m]; NaN where nothing can be chosen."""
        return float("nan") if self.of is None else expected_regret(self.of)


def space_of(study: Study) -> Space:
    """Where the runs of a study may lie before any is known: between its depths, where golfers' flights pass.

    Raises
    ------
    InputError
        A pattern lists edge angles; a golfer's balls do not land.
    """
    ends = {}
    for pattern in study.patterns:
        if not pattern.depths_m:
            raise InputError(
                f"{study.name}: {pattern.name}: lists edge angles; a study that chooses its runs itself "
                "needs depths, whose shallowest and deepest are the ends of its range"
            )
        ends[pattern.name] = (min(pattern.depths_m), max(pattern.depths_m))
    flights = passages(study, published_tables())
    return Space.of_flights(ends, flights, study.flow.reynolds, study.flow.spin_ratios)


def judge(
    study: Study, coefficients: pd.DataFrame, space: Space, unresolved: Sequence[Unresolved] = ()
) -> Judged:
    """Fit and fly what the runs of a study say.

    Parameters
    ----------
    study : Study
        With its runs so far (`Study.points`).
    coefficients : DataFrame
        Of these, as from `pipeline.aero.collect.collect`.
    space : Space
        From `space_of`.
    unresolved : sequence of Unresolved
        Pairs of patterns that the mesh does not tell apart.
    """
    flown = fly_everything(study, coefficients, unresolved)
    of, counted = product_of(study, flown)
    nothing = nothing_to_decide(coefficients, {name: flown.models[name] for name in flown.ranked})
    if of is None or nothing is not None:
        why = nothing or "No pattern can be flown by all golfers."
        return Judged(State(NOTHING, "", float("nan"), float("nan"), [why]), None, {}, space)
    flights = {(golfer, name): f for golfer in counted for name, f in flown.flights[golfer].items()}
    placed = product_of(study, flown, placed=True)[0]
    state = state_of(Evidence(of, placed, flown.models, flights, studied_depths(study, coefficients)))
    drawn, beliefs = _to_choose(study, flown, list(of.depth_m))
    tables = {}
    for name in contending(of):
        ends = flown.models[name].depth_m[[0, -1]]
        best = float(of.depth_m[name][int(of.value_m[name].argmax())])
        for number, table in enumerate(flown.models[name].tables([ends[0], best, ends[1]])):
            tables[f"{name} {number}"] = table
    return Judged(state, drawn, beliefs, space.with_flights(passages(study, tables)))


def _to_choose(
    study: Study, flown: Flown, patterns: Sequence[str]
) -> tuple[Product | None, dict[str, Belief]]:
    """Values and coefficients in joint draws of what runs tell: no place of the crisis, no stated errors."""
    golfers = [golfer for golfer in study.golfers if golfer.weight > 0]
    valued: dict[tuple[str, str], DepthValues] = {}
    beliefs: dict[str, Belief] = {}
    keep = np.ones(DRAWS_TO_CHOOSE, bool)
    flights = {}
    for name in patterns:
        model = flown.models[name].without_spread()
        for golfer in golfers:
            shots = Launches(*draw_shots(golfer, SHOTS, SEED).as_array()[:SHOTS_OF_A_DRAW].T)
            of = fly_pattern(model, shots, scenarios_of(study), DRAWS_TO_CHOOSE, SEED)
            flights[golfer.name, name] = of
            keep &= np.isfinite(of.carry_draws_m).all(axis=0)
            if not np.isfinite(of.mean.carry_m).all():
                return None, {}
            beliefs[name] = Belief(of.depth_m, model.draws(of.depth_m, DRAWS_TO_CHOOSE, SEED))
    if keep.sum() < DRAWS_TO_CHOOSE / 2:
        return None, {}
    by_name = {golfer.name: golfer for golfer in golfers}
    for (golfer_name, name), of in flights.items():
        golfer = by_name[golfer_name]
        valued[golfer_name, name] = depth_values(of, golfer.flight_window, keep, golfer.aim)
    kept = {name: _kept(belief, keep) for name, belief in beliefs.items()}
    return product(valued, {golfer.name: golfer.weight for golfer in golfers}), kept


def _kept(belief: Belief, keep: BoolArray) -> Belief:
    """Belief without the draws in which some ball does not come down."""
    tables = belief.tables
    every = np.tile(keep, belief.depth_m.size)
    return Belief(belief.depth_m, replace(tables, values=tables.values[every], has_cm=tables.has_cm[every]))
