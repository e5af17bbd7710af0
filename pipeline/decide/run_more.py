"""Runs that a decision asks for: depths with enough expected gain, and conditions beyond the table."""

from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.aero.table import CoefficientTable
from pipeline.decide.flights.passage import covering, passages
from pipeline.decide.flown import Flown
from pipeline.decide.next_runs import next_depths, worth_computing
from pipeline.decide.state import RUN_MORE, State
from pipeline.errors import InputError
from pipeline.records.decision import NextConditions, NextDepth, RunsToAdd
from pipeline.study.model import Study

DRAWS_TO_RANK = 100
"""Draws by which depths are ranked here, a quarter of the decision's: flights take the time, and which depth
is named depends little on them; `depthline next` takes all."""


def runs_to_add(study: Study, coefficients: pd.DataFrame, flown: Flown, states: Sequence[State]) -> RunsToAdd:
    """Find the runs that decisions ask for.

    Parameters
    ----------
    study : Study
        Patterns, golfers, flow.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    flown : Flown
        All flights.
    states : sequence of State
        Of every decision that was made from them.
    """
    depths: list[NextDepth] = []
    # A study that chooses its runs itself is not asked for whole depths.
    if study.points is None and any(state.word == RUN_MORE for state in states):
        try:
            ranked = next_depths(study, coefficients, flown.unresolved, flown.models, DRAWS_TO_RANK)
        except InputError:  # no depth can be ranked, for reasons that the decision's own notes give
            ranked = []
        depths = [offer for offer in ranked if worth_computing(offer)]
    leaving = {state.pattern: state.depth_m for state in states if state.leaves_table}
    tables = {pattern: flown.models[pattern].tables([depth])[0] for pattern, depth in leaving.items()}
    return RunsToAdd(depths=depths, conditions=next_conditions(study, tables) if tables else None)


def next_conditions(study: Study, tables: Mapping[str, CoefficientTable]) -> NextConditions:
    """Find the Reynolds numbers and spin ratios that hold the flights, where the study's do not.

    Parameters
    ----------
    study : Study
        Golfers, ball, air, and the conditions computed.
    tables : mapping
        Coefficient tables to fly with, by name.

    Returns
    -------
    NextConditions
        The ends of what flights pass through (see `pipeline.decide.flights.passage.covering`), where they lie
        beyond.
    """
    reynolds, spin_ratios = (
        [end for end in (of[0], of[-1]) if not min(known) <= end <= max(known)]
        for of, known in zip(
            covering(passages(study, tables)), (study.flow.reynolds, study.flow.spin_ratios), strict=True
        )
    )
    return NextConditions(reynolds=reynolds, spin_ratios=spin_ratios)
