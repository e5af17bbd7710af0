"""Balls of the shelf ranked for a study's golfers: no flow, only flights with what is known already."""

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import as_flown, draw_shots
from pipeline.decide.flights.population import SHOTS
from pipeline.decide.value import in_window, outside_cost
from pipeline.shelf.ball import ShelfBall
from pipeline.shelf.fly import FlownBall, fly_ball
from pipeline.study.model import Golfer, Study

COLUMNS = (
    "golfer", "rank", "ball", "kind", "pattern", "depth_m", "carry_m", "carry_se_m", "difference_m",
    "peak_height_m", "peak_height_se_m", "descent_deg", "total_m", "value_m", "in_window", "extrapolated",
    "place",
)  # fmt: skip
"""Columns of the ranking, in their order."""

ALL = "all golfers"
"""Stands for the weighted mean of the golfers."""


def rank_balls(
    study: Study, balls: Sequence[ShelfBall], progress: Callable[[float], None] = lambda share: None
) -> pd.DataFrame:
    """Fly every golfer of a study with every ball of a shelf, and rank the balls.

    Parameters
    ----------
    study : Study
        Golfers, diameter and mass of the construction, air or scenarios. Its patterns and flows have no say.
    balls : sequence of ShelfBall
        The balls.
    progress : callable
        Called with the share done.

    Returns
    -------
    DataFrame
        One row a golfer and ball with the columns `COLUMNS`, the best first: by carry, or total distance
        where that is the golfer's aim, less what leaving a flight window costs (value_m). difference_m is the
        carry less that of the golfer's first. With several golfers who have a weight, rows of their weighted
        mean (`ALL`) come last, with a difference of value and without what a mean does not have. Balls that
        do not come down are ranked last, without numbers.
    """
    scenarios = [(of.weight, of.conditions) for of in scenarios_of(study)]
    rows = []
    for number, golfer in enumerate(study.golfers):
        shots, mean = draw_shots(golfer, SHOTS, SEED), as_flown(golfer).mean_shot
        for place, ball in enumerate(balls):
            rows.append(_row(golfer, ball, fly_ball(ball, shots, mean, scenarios)))
            progress((number * len(balls) + place + 1) / (len(study.golfers) * len(balls)))
    frame = pd.DataFrame(rows)
    parts = [_ranked(frame[frame["golfer"] == golfer.name]) for golfer in study.golfers]
    weighed = [golfer for golfer in study.golfers if golfer.weight > 0]
    if len(weighed) > 1:
        parts.append(_ranked(_mean(frame, weighed)))
    return pd.concat(parts, ignore_index=True)[list(COLUMNS)]


def _row(golfer: Golfer, ball: ShelfBall, flown: FlownBall) -> dict[str, object]:
    counts = flown.total_m if golfer.aim == "total" else flown.carry_m
    cost = outside_cost(golfer.flight_window, np.array(flown.peak_height_m), np.array(flown.descent_rad))
    landed = bool(np.isfinite(flown.carry_m))
    return {
        "golfer": golfer.name,
        "ball": ball.name,
        "kind": ball.kind,
        "pattern": ball.pattern,
        "depth_m": ball.depth_m,
        "carry_m": flown.carry_m,
        "carry_se_m": flown.carry_se_m,
        "peak_height_m": flown.peak_height_m,
        "peak_height_se_m": flown.peak_height_se_m,
        "descent_deg": np.degrees(flown.descent_rad),
        "total_m": flown.total_m,
        "value_m": counts - float(cost),
        "in_window": in_window(golfer.flight_window, flown.peak_height_m, flown.descent_rad)
        if landed
        else None,
        "extrapolated": flown.extrapolated,
        "place": ball.place,
    }


def _ranked(frame: pd.DataFrame) -> pd.DataFrame:
    found = frame.sort_values("value_m", ascending=False, kind="stable", na_position="last")
    carry = found["carry_m"].to_numpy(float)
    return found.assign(rank=range(1, len(found) + 1), difference_m=carry - carry[0])


def _mean(frame: pd.DataFrame, golfers: Sequence[Golfer]) -> pd.DataFrame:
    """Weighted means over golfers, a row a ball; the errors of a ball's flights go together."""
    numbers = ["carry_m", "carry_se_m", "total_m", "value_m", "extrapolated"]
    weights = np.array([golfer.weight for golfer in golfers])
    of = [frame[frame["golfer"] == golfer.name].reset_index(drop=True) for golfer in golfers]
    found = of[0].assign(golfer=ALL, peak_height_m=np.nan, peak_height_se_m=np.nan, descent_deg=np.nan)
    stacked = np.stack([part[numbers].to_numpy(float) for part in of])
    found[numbers] = np.average(stacked, axis=0, weights=weights)
    return found.assign(in_window=None)


def best_of_patterns(ranked: pd.DataFrame) -> pd.DataFrame:
    """Each pattern's best ball for each golfer: at its peak height the pattern is at its best."""
    named = ranked.assign(of=ranked["pattern"].where(ranked["pattern"] != "", ranked["ball"]))
    return named.drop_duplicates(["golfer", "of"]).drop(columns="of").reset_index(drop=True)
