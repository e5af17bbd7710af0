"""Balls of studies, shelves and tables side by side: paired differences in carry and height, with errors."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.aero.collect import read_coefficients
from pipeline.aero.table import BOUNDS, padded
from pipeline.arrays import FloatArray
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import as_flown, draw_shots
from pipeline.decide.flights.models import models_of
from pipeline.decide.flights.population import DRAWS, SHOTS, fly_pattern
from pipeline.decide.flights.station import stated_errors
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.records.tree import COEFFICIENTS
from pipeline.shelf.ball import ShelfBall
from pipeline.shelf.fly import fly_ball
from pipeline.study.keys import depth_key
from pipeline.study.model import Golfer, Study

COLUMNS = (
    "golfer", "ball", "against", "carry_m", "carry_se_m", "peak_height_m", "peak_height_se_m",
    "carry_difference_m", "carry_difference_se_m", "peak_height_difference_m",
    "peak_height_difference_se_m", "extrapolated",
)  # fmt: skip
"""Columns of the differences: a ball's own numbers, and its own less those of the ball it is set against."""


@dataclass(frozen=True)
class FlownBySomebody:
    """A ball flown by one golfer: means over the shots, draws of shape (k,), share outside the table."""

    carry_m: float
    peak_height_m: float
    carry_draws_m: FloatArray
    peak_draws_m: FloatArray
    extrapolated: float


@dataclass(frozen=True)
class ComparedBall:
    """A ball that is compared, by golfer; `source` says what it is of."""

    name: str
    source: str
    pattern: str
    depth_m: float
    flights: dict[str, FlownBySomebody] = field(default_factory=dict)


def balls_of_results(like: Study, study: Study, results: Path) -> list[ComparedBall]:
    """Balls of a study's results, flown in the construction, air and by the golfers of another.

    Parameters
    ----------
    like : Study
        Ball, air and golfers.
    study : Study
        Whose coefficients.
    results : Path
        Its results folder, with coefficients.csv.

    Returns
    -------
    list of ComparedBall
        Every pattern and depth. Draws of balls of one study are joint, those of two studies share what flow
        models have in common, and nothing of their runs.
    """
    models = {
        name: model.seeded(f"{study.name} {name}")
        for name, model in models_of(study, read_coefficients(results / COEFFICIENTS)).models.items()
    }
    scenarios = scenarios_of(like)
    found: dict[tuple[str, float], ComparedBall] = {}
    for golfer in like.golfers:
        shots = draw_shots(golfer, SHOTS, SEED)
        for name, model in models.items():
            stated = stated_errors(study, [model])
            flown = fly_pattern(model, shots, scenarios, seed=SEED, stated=stated, depth_m=model.shown_m)
            for d, depth in enumerate(model.shown_m.tolist()):
                ball = found.setdefault(
                    (name, depth),
                    ComparedBall(f"{study.name} {name} {depth_key(depth)[1:]}", study.name, name, depth),
                )
                ball.flights[golfer.name] = FlownBySomebody(
                    float(flown.mean.carry_m[d]),
                    float(flown.mean.peak_height_m[d]),
                    flown.draws.carry_m[d],
                    flown.draws.peak_height_m[d],
                    float(flown.mean.extrapolated[d]),
                )
    return list(found.values())


def ball_of_shelf(like: Study, ball: ShelfBall) -> ComparedBall:
    """A ball of the shelf, or of a table, flown likewise; its draws are independent of all others.

    Parameters
    ----------
    like : Study
        Ball, air and golfers.
    ball : ShelfBall
        Coefficients with their joint errors.
    """
    scenarios = [(of.weight, of.conditions) for of in scenarios_of(like)]
    heaviest = max(scenarios, key=lambda of: of[0])[1]
    weights = np.random.default_rng([SEED, 7, *ball.name.encode()]).standard_normal((DRAWS, len(ball.modes)))
    compared = ComparedBall(ball.name, ball.kind, ball.pattern, ball.depth_m)
    for golfer in like.golfers:
        mean_shot = as_flown(golfer).mean_shot
        flown = fly_ball(ball, draw_shots(golfer, SHOTS, SEED), mean_shot, scenarios)
        carry, peak = _drawn(ball, weights, mean_shot, heaviest)
        compared.flights[golfer.name] = FlownBySomebody(
            flown.carry_m, flown.peak_height_m, flown.carry_m + carry, flown.peak_height_m + peak,
            flown.extrapolated,
        )  # fmt: skip
    return compared


def _drawn(
    ball: ShelfBall, weights: FloatArray, shot: Launches, conditions: Conditions
) -> tuple[FloatArray, FloatArray]:
    """Change of carry and peak height of the mean shot in each draw of a ball's joint errors [m]."""
    table = ball.table
    cm = np.zeros_like(table.cd) if table.cm is None else table.cm
    values = np.repeat(np.stack([table.cd, table.cl, cm], axis=-1)[None], len(weights) + 1, axis=0)
    if len(ball.modes):
        values[1:, ..., :2] += np.tensordot(weights, ball.modes, axes=1)
    values[..., 0] = np.clip(values[..., 0], *BOUNDS["cd"])
    batch = padded(table.reynolds, table.spin_ratio, values, table.cm is not None)
    launches = Launches(*np.repeat(shot.as_array(), len(values), axis=0).T)
    flown = fly(batch, np.arange(len(values)), launches, conditions)
    return flown.carry_m[1:] - flown.carry_m[0], flown.peak_height_m[1:] - flown.peak_height_m[0]


def differences(golfers: Sequence[Golfer], balls: Sequence[ComparedBall]) -> pd.DataFrame:
    """Every ball against every other, golfer by golfer.

    Parameters
    ----------
    golfers : sequence of Golfer
        Who flew them.
    balls : sequence of ComparedBall
        At least two.

    Returns
    -------
    DataFrame
        `COLUMNS`. The standard error of a difference is the scatter of the difference over joint draws.
    """
    rows = []
    for golfer, (ball, other) in itertools.product(golfers, itertools.permutations(balls, 2)):
        one, two = ball.flights[golfer.name], other.flights[golfer.name]
        rows.append(
            (
                golfer.name, ball.name, other.name, one.carry_m, _scatter(one.carry_draws_m),
                one.peak_height_m, _scatter(one.peak_draws_m), one.carry_m - two.carry_m,
                _scatter(one.carry_draws_m - two.carry_draws_m), one.peak_height_m - two.peak_height_m,
                _scatter(one.peak_draws_m - two.peak_draws_m), one.extrapolated,
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _scatter(draws: FloatArray) -> float:
    return float(np.nanstd(draws, ddof=1))
