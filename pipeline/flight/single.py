"""Single shots with one table, as plain numbers."""

import math

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError
from pipeline.flight.trajectory import Conditions, Launches, fly


def fly_single(table: CoefficientTable, launch: Launches, conditions: Conditions) -> dict[str, float]:
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


def fly_each(table: CoefficientTable, launches: Launches, conditions: Conditions) -> list[dict[str, float]]:
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
    list of dict
        For each launch carry_m, peak_height_m, descent_deg, time_s, total_m, side_m, extrapolated (share of
        the flight time outside the table), final_spin_rpm; see `pipeline.flight.trajectory.Flights`. All NaN
        when the ball has not landed after a minute.

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
    columns = {
        "carry_m": flights.carry_m,
        "peak_height_m": flights.peak_height_m,
        "descent_deg": flights.descent_rad * 180.0 / math.pi,
        "time_s": flights.time_s,
        "total_m": flights.total_m,
        "side_m": flights.side_m,
        "extrapolated": flights.extrapolated,
        "final_spin_rpm": flights.final_spin_rad_s * 30.0 / math.pi,
    }
    found = [
        dict(zip(columns, values, strict=True))
        for values in zip(*(column.tolist() for column in columns.values()), strict=True)
    ]
    for flown, row in zip(found, rows, strict=True):
        _check(flown, Launches(*row), conditions)
    return found


def _check(flown: dict[str, float], launch: Launches, conditions: Conditions) -> None:
    """Refuse what no ball does; the table is within its bounds, but may hold another quantity."""
    speed, angle, spin, _ = launch.as_array()[0]
    if flown["carry_m"] < 0.0 and conditions.wind_speed_m_s < speed * math.cos(angle):
        raise InputError(
            f"the ball lands {-flown['carry_m']:.1f} m behind the golfer with these coefficients; check Cl "
            "and Cd of the table (on the frontal area, Cl about 0.1 to 0.4 for a golf ball)"
        )
    if flown["final_spin_rpm"] > spin * 30.0 / math.pi * (1.0 + 1e-9):
        raise InputError("the ball gains spin with these coefficients; check Cm of the table")
