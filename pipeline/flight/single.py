"""One shot with one table, as plain numbers."""

import math

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError
from pipeline.flight.trajectory import Conditions, Launches, fly


def fly_single(table: CoefficientTable, launch: Launches, conditions: Conditions) -> dict[str, float]:
    """Fly one shot.

    Parameters
    ----------
    table : CoefficientTable
        Coefficients of the ball.
    launch : Launches
        One launch.
    conditions : Conditions
        Ball, air and wind.

    Returns
    -------
    dict
        carry_m, peak_height_m, descent_deg, time_s, total_m, side_m, extrapolated (share of the flight time
        outside the table), final_spin_rpm; see `pipeline.flight.trajectory.Flights`. All NaN when the ball
        has not landed after a minute.

    Raises
    ------
    ValueError
        There is more than one launch, or it is out of range.
    InputError
        The flight is that of no ball: it lands behind the golfer against a wind that could not carry it
        there, or spins faster at the landing than at the launch.
    """
    if len(launch.as_array()) != 1:
        raise ValueError("one launch is wanted")
    flight = fly(TableBatch.of([table]), 0, launch, conditions)
    found = {
        "carry_m": float(flight.carry_m[0]),
        "peak_height_m": float(flight.peak_height_m[0]),
        "descent_deg": math.degrees(flight.descent_rad[0]),
        "time_s": float(flight.time_s[0]),
        "total_m": float(flight.total_m[0]),
        "side_m": float(flight.side_m[0]),
        "extrapolated": float(flight.extrapolated[0]),
        "final_spin_rpm": float(flight.final_spin_rad_s[0]) * 30.0 / math.pi,
    }
    _check(found, launch, conditions)
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
