"""Symmetry: the same ball flown with its spin about two axes, from a coefficient table for each."""

from dataclasses import dataclass

import numpy as np

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.study.units import YARD_M

CARRY_LIMIT_YD, TIME_LIMIT_S = 4.0, 0.40
"""Greatest differences between two spin axes (Equipment Rules [memory])."""

DRAWS = 1000


@dataclass(frozen=True)
class Symmetry:
    """How two orientations of a ball differ, the first less the second.

    Parameters
    ----------
    carry_yd, carry_se_yd : float
        Difference of the carries and its standard error [yd].
    time_s, time_se_s : float
        The same of the flight times [s].
    p_inside : float
        Share of the draws in which both differences are within the limits [-].
    """

    carry_yd: float
    carry_se_yd: float
    time_s: float
    time_se_s: float
    p_inside: float


def symmetry(
    seam: CoefficientTable,
    pole: CoefficientTable,
    launch: Launches,
    conditions: Conditions,
    draws: int = DRAWS,
    seed: int = 1,
) -> Symmetry:
    """Compare the flights of two orientations of a ball.

    Parameters
    ----------
    seam, pole : CoefficientTable
        Coefficients with the ball spinning about two of its axes, for instance square to the seam and in it,
        on one grid or on two; their standard errors are taken as independent from node to node and from
        table to table, which is on the wide side: what both orientations share cancels.
    launch : Launches
        One launch.
    conditions : Conditions
        Ball, air, wind.
    draws : int
        Draws of either table.
    seed : int
        Their seed.

    Returns
    -------
    Symmetry
        Differences with their standard errors. Whether a ball conforms is the governing body's to decide.

    Raises
    ------
    ValueError
        There is more than one launch, or it is out of range, or a ball has not landed after a minute.
    """
    rng = np.random.default_rng(seed)
    flown = [fly(TableBatch.of([table]), 0, launch, conditions) for table in (seam, pole)]
    if flown[0].carry_m.size != 1:
        raise ValueError(f"one launch is wanted, not {flown[0].carry_m.size}")
    drawn = [fly(table.at_draws(rng, draws), np.arange(draws), launch, conditions) for table in (seam, pole)]
    carry, time = (getattr(flown[0], name) - getattr(flown[1], name) for name in ("carry_m", "time_s"))
    carries, times = (getattr(drawn[0], name) - getattr(drawn[1], name) for name in ("carry_m", "time_s"))
    if not (np.isfinite(carry).all() and np.isfinite(carries).all()):
        raise ValueError("a ball has not landed after a minute; check Cl and Cd of the tables")
    inside = (np.abs(carries) <= CARRY_LIMIT_YD * YARD_M) & (np.abs(times) <= TIME_LIMIT_S)
    return Symmetry(
        float(carry[0]) / YARD_M,
        float(carries.std(ddof=1)) / YARD_M,
        float(time[0]),
        float(times.std(ddof=1)),
        float(inside.mean()),
    )
