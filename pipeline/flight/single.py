"""Single shots with one table, as plain numbers."""

import math
from typing import TypedDict

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError
from pipeline.flight.trajectory import Conditions, Launches, fly


class Shot(TypedDict):
    """A flight as plain numbers, as of `pipeline.flight.trajectory.Flights`.

    `extrapolated` is the share of the flight time outside the table.
    """

    carry_m: float
    peak_height_m: float
    descent_deg: float
    time_s: float
    total_m: float
    side_m: float
    extrapolated: float
    final_spin_rpm: float


def fly_single(table: CoefficientTable, launch: Launches, conditions: Conditions) -> Shot:
    """Fly one shot; see `fly_each`.

    Raises
    ------
    ValueError
        There is more than one launch, or it is out of range.
    InputError
        The flight is that of no ball.
    """
    if len(launch.as_array()) != 1:
        raise ValueError("one launch is wanted")
    return fly_each(table, launch, conditions)[0]


def fly_each(table: CoefficientTable, launches: Launches, conditions: Conditions) -> list[Shot]:
    """Fly every shot.

    Parameters
    ----------
    table : CoefficientTable
        Coefficients of the ball.
    launches : Launches
        Any number of launches.
    conditions : Conditions
        Ball, air and wind.

    Returns
    -------
    list of Shot
        One a launch; all NaN when the ball has not landed after a minute.

    Raises
    ------
    ValueError
        A launch is out of range.
    InputError
        A flight is that of no ball: it lands behind the golfer against a wind that could not carry it there,
        or spins faster at the landing than at the launch.
    """
    rows = launches.as_array()
    flights = fly(TableBatch.of([table]), 0, launches, conditions)
    found = [
        Shot(
            carry_m=float(flights.carry_m[k]),
            peak_height_m=float(flights.peak_height_m[k]),
            descent_deg=float(flights.descent_rad[k] * 180.0 / math.pi),
            time_s=float(flights.time_s[k]),
            total_m=float(flights.total_m[k]),
            side_m=float(flights.side_m[k]),
            extrapolated=float(flights.extrapolated[k]),
            final_spin_rpm=float(flights.final_spin_rad_s[k] * 30.0 / math.pi),
        )
        for k in range(len(rows))
    ]
    for flown, row in zip(found, rows, strict=True):
        _check(flown, Launches(*row), conditions)
    return found


def _check(flown: Shot, launch: Launches, conditions: Conditions) -> None:
    """Refuse what no ball does; the table is within its bounds, but may hold another quantity."""
    speed, angle, spin, _ = launch.as_array()[0]
    if flown["carry_m"] < 0.0 and conditions.wind_speed_m_s < speed * math.cos(angle):
        raise InputError(
            f"the ball lands {-flown['carry_m']:.1f} m behind the golfer with these coefficients; check Cl "
            "and Cd of the table (on the frontal area, Cl about 0.1 to 0.4 for a golf ball)"
        )
    if flown["final_spin_rpm"] > spin * 30.0 / math.pi * (1.0 + 1e-9):
        raise InputError("the ball gains spin with these coefficients; check Cm of the table")
