"""`depthline run` of a study that chooses its runs itself: rounds of computing, judging and choosing."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.aero.collect import collect
from pipeline.cli.output import shown_progress
from pipeline.decide.design import Space
from pipeline.decide.judged import Judged, judge
from pipeline.decide.policy import Choice, first_round, next_round
from pipeline.decide.rounds import (
    DecisionThen,
    RoundRow,
    check_rounds,
    end_row,
    points_of,
    read_rounds,
    rows_of,
    write_rounds,
)
from pipeline.ending import complain
from pipeline.errors import Broken, InputError
from pipeline.files.atomic import set_aside
from pipeline.flow.campaign.kept import drop_all_states
from pipeline.flow.campaign.request import price
from pipeline.flow.campaign.unresolved import unresolved_results
from pipeline.records.tree import RESULT, ROUNDS
from pipeline.study.matrix import runs
from pipeline.study.model import Study
from pipeline.study.points import RunPoint
from pipeline.study.trade_units import millimetres, number

Compute = Callable[[Sequence[RunPoint], Sequence[str]], int]
"""Has the workflow engine make files of a study with certain runs, all of them when none is named."""


def run_rounds(
    study: Study, results: Path, space: Space, until_decided: bool, compute: Compute, most: int
) -> tuple[list[RunPoint], int]:
    """Compute a study round by round.

    What was chosen stands in rounds.csv before it is computed, so that a study that is killed goes on with
    the round that it was in, and chooses nothing twice.

    Parameters
    ----------
    study : Study
        The study, without runs.
    results : Path
        Its results folder, which no other process works in.
    space : Space
        From `space_of`.
    until_decided : bool
        Whether to end when the decision is known.
    compute : callable
        As of `Compute`.
    most : int
        Runs of a round.

    Returns
    -------
    points : list of RunPoint
        All runs that were chosen.
    code : int
        Exit code of the engine.

    Raises
    ------
    InputError
        The budget pays for no run of every pattern, or rounds.csv is of another study.
    """
    path = results / ROUNDS
    rows = [row for row in _known(path, space) if row.pattern]
    budget_s = math.inf if study.budget_core_s is None else study.budget_core_s
    cost = price_of(study)
    if not rows:
        chosen = first_round(space, cost, budget_s)
        if not chosen:
            raise InputError(
                f"{study.name}: budget: {budget_s / 3600.0:.3g} core hours do not pay for one run of each of "
                f"its {len(study.patterns)} patterns; give it more, or fewer patterns"
            )
        rows = rows_of(0, chosen, DecisionThen())
        write_rounds(path, rows)
        _say(0, chosen, None, budget_s)
    while True:
        points = points_of(rows)
        now = study.with_points(points)
        plan = [run.run_id for run in runs(now)]
        code = compute(points, [f"{run}/{RESULT}" for run in plan])
        if code != 0:
            return points, code
        frame = collect(results, plan)
        spent_s = float(frame["core_seconds"].sum())
        with shown_progress("judging what the runs say"):
            judged = judge(now, frame, space, unresolved_results(now, results))
        then = _then(judged, len(plan), spent_s)
        round_ = points[-1].round + 1
        last = rows[-1]
        before = None if last.round == 0 else (last.best_pattern, last.best_depth_m)
        chosen, why = next_round(
            judged.space,
            points,
            judged.state,
            judged.of,
            judged.beliefs,
            before,
            cost,
            (study.flow.standard_error.cd, study.flow.standard_error.cl),
            budget_s - spent_s,
            until_decided,
            most,
        )
        _say(round_, chosen, judged, budget_s - spent_s)
        if not chosen:
            complain(f"rounds: {why}, after {len(plan)} runs and {number(spent_s / 3600.0, 2)} core hours")
            write_rounds(path, [*rows, end_row(round_, why, then)])
            code = compute(points, [])
            if code == 0:
                drop_all_states(results, plan)
            return points, code
        rows += rows_of(round_, chosen, then)
        write_rounds(path, rows)


def _known(path: Path, space: Space) -> list[RoundRow]:
    """Rounds that were chosen before; those of a broken file are chosen anew."""
    try:
        rows = read_rounds(path)
    except Broken as error:
        aside = set_aside(path)
        complain(f"{path}: was broken ({error.what}): set aside, chosen anew; the old one is {aside.name}")
        return []
    check_rounds(path, rows, space.depth_m)
    return rows


def price_of(study: Study) -> Callable[[RunPoint, bool], float]:
    """Core seconds of a run of a study, and whether it starts from another one's field."""
    mirrored = {pattern.name: pattern.layout.mirror for pattern in study.patterns}
    return lambda point, warm: price(study, mirrored[point.pattern], point.level, warm)


def _then(judged: Judged, count: int, spent_s: float) -> DecisionThen:
    state = judged.state
    return DecisionThen(
        state.word,
        state.pattern,
        state.depth_m,
        state.p_within_yard,
        judged.expected_regret_m,
        count,
        spent_s / 3600.0,
    )


def _say(round_: int, chosen: Sequence[Choice], judged: Judged | None, left_s: float) -> None:
    """One line a round: the decision so far, and what is computed next."""
    parts = []
    if judged is not None and judged.state.pattern:
        state = judged.state
        parts.append(
            f"{state.word}: {state.pattern} at {millimetres(state.depth_m)}, within a yard of the best with "
            f"a probability of {state.p_within_yard:.2f}"
        )
    if chosen:
        hours = sum(choice.price_s for choice in chosen) / 3600.0
        left = "" if math.isinf(left_s) else f" of {number(left_s / 3600.0, 2)} left"
        names = ", ".join(dict.fromkeys(choice.point.pattern for choice in chosen))
        parts.append(f"{len(chosen)} runs of {names} for {number(hours, 2)} core hours{left}")
    if parts:
        complain(f"round {round_}: {'; '.join(parts)}")
