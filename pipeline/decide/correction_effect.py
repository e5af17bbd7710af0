"""What corrections change: by finer runs, by moving dimples, by measured balls."""

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.aero.corrected import CorrectedModel
from pipeline.aero.correction import BallScore
from pipeline.aero.discrepancy import TERMS, Discrepancy, columns
from pipeline.aero.finer_mesh import pairs
from pipeline.aero.model import CoefficientModel
from pipeline.arrays import FloatArray
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.models import moved
from pipeline.decide.flights.population import SHOTS, mean_flights
from pipeline.decide.flown import Flown
from pipeline.decide.optimum import best_on_grid, curve
from pipeline.decide.value import GRID, outside_cost
from pipeline.records.decision import (
    Addition,
    CorrectionBall,
    CorrectionEffect,
    CorrectionRecord,
    DepthWithout,
    FinerMesh,
    MovingDimples,
    SharedTerm,
)
from pipeline.records.record import finite
from pipeline.study.model import Golfer, Study

STEP = 8
"""Of the depths of a curve every eighth is kept."""


def correction_record(study: Study, flown: Flown) -> CorrectionRecord | None:
    """Account of a study's correction; None for a study that names no measured balls.

    Parameters
    ----------
    study : Study
        Golfers, air, patterns.
    flown : Flown
        All flights, with the models of both kinds.

    Returns
    -------
    CorrectionRecord or None
        With the effect on every golfer and pattern whose coefficients are corrected.
    """
    correction = flown.correction
    if correction is None:
        return None
    mean, spread = correction.discrepancy.shared()
    return CorrectionRecord(
        applied=correction.applied,
        for_all=correction.for_all,
        why=correction.why,
        left_out=correction.left_out,
        before_m=finite(correction.before_m),
        others_m=finite(correction.others_m),
        patterns_m=finite(correction.patterns_m),
        balls=[_ball(of) for of in correction.balls],
        shared=[
            SharedTerm(term=term, of=of, value=float(mean[c, k]), sd=float(spread[c, k]))
            for c, of in enumerate(("Cd", "ln Cl"))
            for k, term in enumerate(TERMS)
        ],
        effect=[
            _effect(study, golfer, flown, name)
            for golfer in study.golfers
            for name, model in flown.models.items()
            if model.corrected
        ],
    )


def _ball(of: BallScore) -> CorrectionBall:
    pairs = {key: list(getattr(of, key)) for key in ("difference", "left_over", "level")}
    return CorrectionBall(**(of._asdict() | pairs))


def moving_record(study: Study, flown: Flown) -> MovingDimples | None:
    """Account of what flights have of moving dimples; None where the runs' own dimples move.

    Parameters
    ----------
    study : Study
        Golfers, air, patterns.
    flown : Flown
        All flights, with the models of all kinds.

    Returns
    -------
    MovingDimples or None
        Additions at the middle Reynolds number and spin ratio of the study, at every depth shown.
    """
    by = {
        name: of.discrepancies[-1]
        for name, of in flown.computed.items()
        if isinstance(of, CorrectedModel) and of is not flown.refined[name]
    }
    if not by:
        return None
    reynolds, spin_ratio = _middle(study)
    return MovingDimples(
        pairs=len(next(iter(by.values())).comparisons),
        reynolds=reynolds,
        spin_ratio=spin_ratio,
        added=[of for name, what in by.items() for of in _added(study, flown.computed[name], what)],
        without=_without(study, flown.refined),
    )


def finer_record(study: Study, coefficients: pd.DataFrame, flown: Flown) -> FinerMesh | None:
    """Account of a study's runs on a finer mesh; None for a study without.

    Parameters
    ----------
    study : Study
        Golfers, air, patterns.
    coefficients : DataFrame
        Of all runs, as from `pipeline.aero.collect.read_coefficients`.
    flown : Flown
        All flights, with the models of all kinds.
    """
    if study.flow.finer is None:
        return None
    reynolds, spin_ratio = _middle(study)
    learned = flown.finer
    return FinerMesh(
        level=study.flow.finer.level,
        pairs=pairs(coefficients, flown.fitted),
        reynolds=reynolds,
        spin_ratio=spin_ratio,
        added=[]
        if learned is None
        else [of for model in flown.refined.values() for of in _added(study, model, learned)],
        without=[] if learned is None else _without(study, moved(study, flown.fitted)),
    )


def _middle(study: Study) -> tuple[float, float]:
    """Reynolds number, to two digits, and spin ratio in the middle of those of a study."""
    middle = math.sqrt(min(study.flow.reynolds) * max(study.flow.reynolds))
    return float(f"{middle:.2g}"), 0.5 * (min(study.flow.spin_ratios) + max(study.flow.spin_ratios))


def _added(study: Study, model: CoefficientModel, by: Discrepancy) -> list[Addition]:
    at = columns(model.shown_m, *_middle(study))
    mean, deviation = by.mean_at(model.pattern, at), by.deviation_at(model.pattern, at)
    return [
        Addition(
            pattern=model.pattern, depth_m=float(depth), cd=float(mean[0, d]), cd_sd=float(deviation[0, d]),
            cl_share=math.expm1(mean[1, d]), cl_share_sd=float(math.exp(mean[1, d]) * deviation[1, d]),
        )
        for d, depth in enumerate(model.shown_m)
    ]  # fmt: skip


def _without(study: Study, models: Mapping[str, CoefficientModel]) -> list[DepthWithout]:
    return [
        DepthWithout(
            golfer=golfer.name,
            pattern=name,
            best_depth_m=_most_probable(study, golfer, model).best_m,
        )
        for golfer in study.golfers
        for name, model in models.items()
    ]


class _MostProbable(NamedTuple):
    """Carry and peak height over a grid of depths, and the best of them, most probable [m]."""

    grid_m: FloatArray
    carry_m: FloatArray
    peak_m: FloatArray
    best_m: float


def _most_probable(study: Study, golfer: Golfer, model: CoefficientModel) -> _MostProbable:
    depth = model.depth_m
    grid = np.linspace(depth[0], depth[-1], GRID) if depth.size > 1 else depth
    of = mean_flights(model, depth, draw_shots(golfer, SHOTS, SEED), scenarios_of(study))
    carry, total, peak, descent = (
        curve(depth, values, grid) for values in (of.carry_m, of.total_m, of.peak_height_m, of.descent_rad)
    )
    value = (total if golfer.aim == "total" else carry) - outside_cost(golfer.flight_window, peak, descent)
    return _MostProbable(grid, carry, peak, float(best_on_grid(grid, value[:, None]).depth_m[0]))


def _effect(study: Study, golfer: Golfer, flown: Flown, pattern: str) -> CorrectionEffect:
    before = _most_probable(study, golfer, flown.computed[pattern])
    after = _most_probable(study, golfer, flown.models[pattern])
    return CorrectionEffect(
        golfer=golfer.name,
        pattern=pattern,
        depth_m=after.grid_m[::STEP].tolist(),
        carry_before_m=before.carry_m[::STEP].tolist(),
        carry_m=after.carry_m[::STEP].tolist(),
        peak_height_before_m=before.peak_m[::STEP].tolist(),
        peak_height_m=after.peak_m[::STEP].tolist(),
        best_depth_before_m=before.best_m,
        best_depth_m=after.best_m,
    )
