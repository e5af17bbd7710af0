"""Best depth and carry of every golfer before and after the correction by measured balls."""

import numpy as np

from pipeline.aero.correction import BallScore
from pipeline.aero.discrepancy import TERMS
from pipeline.aero.model import CoefficientModel
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.population import SHOTS, mean_flights
from pipeline.decide.flown import Flown
from pipeline.decide.optimum import best_on_grid, curve
from pipeline.decide.value import GRID, outside_cost
from pipeline.records.decision import CorrectionBall, CorrectionEffect, CorrectionRecord, SharedTerm
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


def _effect(study: Study, golfer: Golfer, flown: Flown, pattern: str) -> CorrectionEffect:
    depth = flown.models[pattern].depth_m
    grid = np.linspace(depth[0], depth[-1], GRID) if depth.size > 1 else depth
    shots, scenarios = draw_shots(golfer, SHOTS, SEED), scenarios_of(study)

    def flown_with(model: CoefficientModel) -> tuple[list[float], list[float], float]:
        of = mean_flights(model, depth, shots, scenarios)
        carry, total, peak, descent = (
            curve(depth, values, grid)
            for values in (of.carry_m, of.total_m, of.peak_height_m, of.descent_rad)
        )
        value = (total if golfer.aim == "total" else carry) - outside_cost(
            golfer.flight_window, peak, descent
        )
        best = float(best_on_grid(grid, value[:, None]).depth_m[0])
        return carry[::STEP].tolist(), peak[::STEP].tolist(), best

    carry_before, peak_before, best_before = flown_with(flown.computed[pattern])
    carry, peak, best = flown_with(flown.models[pattern])
    return CorrectionEffect(
        golfer=golfer.name,
        pattern=pattern,
        depth_m=grid[::STEP].tolist(),
        carry_before_m=carry_before,
        carry_m=carry,
        peak_height_before_m=peak_before,
        peak_height_m=peak,
        best_depth_before_m=best_before,
        best_depth_m=best,
    )
