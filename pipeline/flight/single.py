"""One shot with one table, as plain numbers."""

import math

from pipeline.aero.table import CoefficientTable, TableBatch
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
    """
    if len(launch.as_array()) != 1:
        raise ValueError("one launch is wanted")
    flight = fly(TableBatch.of([table]), 0, launch, conditions)
    return {
        "carry_m": float(flight.carry_m[0]),
        "peak_height_m": float(flight.peak_height_m[0]),
        "descent_deg": math.degrees(flight.descent_rad[0]),
        "time_s": float(flight.time_s[0]),
        "total_m": float(flight.total_m[0]),
        "side_m": float(flight.side_m[0]),
        "extrapolated": float(flight.extrapolated[0]),
        "final_spin_rpm": float(flight.final_spin_rad_s[0]) * 30.0 / math.pi,
    }
