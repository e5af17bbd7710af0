"""Balls of the shelf flown: means over a golfer's shots, and the error of carry and peak height."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.aero.table import BOUNDS, TableBatch, padded
from pipeline.arrays import FloatArray
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.shelf.ball import ShelfBall


@dataclass(frozen=True)
class FlownBall:
    """A ball flown by a golfer: weighted means over shots and conditions.

    `carry_se_m` and `peak_height_se_m` come from the ball's joint errors, to first order, with the mean shot;
    `extrapolated` is the share of the time outside the table.
    """

    carry_m: float
    carry_se_m: float
    peak_height_m: float
    peak_height_se_m: float
    descent_rad: float
    total_m: float
    extrapolated: float


def fly_ball(
    ball: ShelfBall,
    shots: Launches,
    mean_shot: Launches,
    conditions: Sequence[tuple[float, Conditions]],
) -> FlownBall:
    """Fly one ball.

    Parameters
    ----------
    ball : ShelfBall
        Its coefficients; diameter and mass are those of the conditions, so that balls are compared in one
        construction.
    shots : Launches
        n launches.
    mean_shot : Launches
        The launch whose change with the ball's errors is taken for that of all shots.
    conditions : sequence of (float, Conditions)
        Weights, and what the shots are flown in.

    Returns
    -------
    FlownBall
        NaN where the ball does not come down.
    """
    launches = shots.as_array()
    columns = Launches(*launches.T)
    table = TableBatch.of([ball.table])
    weights = np.array([weight for weight, _ in conditions])
    each = [fly(table, np.zeros(len(launches), np.intp), columns, of) for _, of in conditions]
    means = np.array(
        [
            [
                values.mean()
                for values in (
                    of.carry_m, of.peak_height_m, of.descent_rad, of.total_m, of.extrapolated
                )
            ]
            for of in each
        ]
    )  # fmt: skip
    carry, peak, descent, total, outside = np.average(means, axis=0, weights=weights)
    errors = _errors(ball, mean_shot, max(conditions, key=lambda of: of[0])[1])
    return FlownBall(carry, errors[0], peak, errors[1], descent, total, outside)


def _errors(ball: ShelfBall, shot: Launches, conditions: Conditions) -> FloatArray:
    """Standard errors of carry and peak height, to first order in the ball's modes, shape (2,) [m]."""
    table, modes = ball.table, ball.modes
    if not len(modes):
        return np.zeros(2)
    cm = np.zeros_like(table.cd) if table.cm is None else table.cm
    values = np.repeat(np.stack([table.cd, table.cl, cm], axis=-1)[None], len(modes) + 1, axis=0)
    values[1:, ..., :2] += modes
    values[..., 0] = np.clip(values[..., 0], *BOUNDS["cd"])
    moved = padded(table.reynolds, table.spin_ratio, values, table.cm is not None)
    flown = fly(
        moved,
        np.arange(len(values)),
        Launches(*np.repeat(shot.as_array(), len(values), axis=0).T),
        conditions,
    )
    by = np.stack([flown.carry_m, flown.peak_height_m])
    return np.asarray(np.sqrt(((by[:, 1:] - by[:, :1]) ** 2).sum(axis=1)))
