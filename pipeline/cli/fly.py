"""`depthline fly`: one shot with a coefficient table from anywhere."""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from rich.table import Table

from pipeline.cli.output import print_json, tables, warn
from pipeline.errors import InputError
from pipeline.fields import Section
from pipeline.quantities import LENGTH, in_unit
from pipeline.study import AirSpec, Ball, Launch, Wind

SectionT = TypeVar("SectionT", bound=Section)

KEYS = {
    "--speed": "ball_speed",
    "--angle": "launch_angle",
    "--spin": "backspin",
    "--tilt": "axis_tilt",
    "--diameter": "diameter",
    "--mass": "mass",
    "--temperature": "temperature",
    "--pressure": "pressure",
    "--humidity": "humidity",
    "--altitude": "altitude",
    "--wind": "speed",
    "--wind-from": "from",
    "--wind-profile": "profile",
}
"""Key of the study file that each option stands for; range and units are the same."""


def fly_shot(
    table_path: Path,
    *,
    launch: Mapping[str, str | None],
    ball: Mapping[str, str | None],
    air: Mapping[str, str | None],
    wind: Mapping[str, str | None],
    as_json: bool,
) -> None:
    """Fly one shot and print where it goes.

    Parameters
    ----------
    table_path : Path
        Coefficient table, CSV.
    launch, ball, air, wind : mapping
        Quantities as text by option name (the keys of `KEYS`); None where not given.
    as_json : bool
        Print one JSON object (SI units in the names) instead of a table.

    Raises
    ------
    InputError
        An option or the table is wrong; every wrong option is told.
    """
    problems: list[str] = []
    given_launch = _section(Launch, launch, problems)
    given_ball = _section(Ball, ball, problems)
    given_air = _section(AirSpec, air, problems)
    given_wind = _section(Wind, wind, problems)
    if given_launch is None or given_ball is None or given_air is None or given_wind is None:
        raise InputError("\n".join(problems))
    result = _fly(table_path, given_launch, given_ball, given_air, given_wind)
    if not math.isfinite(result["carry_m"]):
        raise InputError(
            f"{table_path}: the ball has not landed after a minute; check Cl and Cd of the table"
        )
    if result["extrapolated"] > 0:
        share = f"{100 * result['extrapolated']:.0f} % of the flight time"
        warn([f"{share} is outside the table's grid; the nearest coefficients inside it are used there"])
    if as_json:
        print_json(result)
    else:
        _print_table(result)


def _section(kind: type[SectionT], options: Mapping[str, str | None], problems: list[str]) -> SectionT | None:
    """Read options as the section of a study file that they stand for; None when `problems` were added."""
    names = {KEYS[option]: option for option in options}
    given = {KEYS[option]: text for option, text in options.items() if text is not None}
    try:
        return kind.model_validate(given, by_alias=True, by_name=False, context={"folder": Path()})
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            key = str(detail["loc"][0])
            message = detail["msg"].replace('"pressure"', "--pressure")
            problems.append(f"{names[key]}: {given[key]}: {message}")
        return None


def _fly(table_path: Path, launch: Launch, ball: Ball, air: AirSpec, wind: Wind) -> dict[str, float]:
    from pipeline.aero.table_file import read_table
    from pipeline.flight.single import fly_single
    from pipeline.flight.station import conditions_in
    from pipeline.flight.trajectory import Launches

    conditions = conditions_in(ball, air.model_copy(update={"wind": wind}))
    table = read_table(table_path)
    try:
        flown = fly_single(
            table,
            Launches(
                launch.ball_speed_m_s, launch.launch_angle_rad, launch.backspin_rad_s, launch.axis_tilt_rad
            ),
            conditions,
        )
    except InputError as error:
        raise InputError(f"{table_path}: {error}") from None
    return flown | {
        "air_density_kg_m3": conditions.air.density_kg_m3,
        "kinematic_viscosity_m2_s": conditions.air.kinematic_viscosity_m2_s,
    }


def _print_table(result: dict[str, Any]) -> None:
    table = Table(show_header=False, title="Flight")
    for label, key in (
        ("carry", "carry_m"),
        ("peak height", "peak_height_m"),
        ("side (right positive)", "side_m"),
        ("total (less certain)", "total_m"),
    ):
        metres = result[key]
        table.add_row(label, f"{metres:.1f} m", f"{in_unit(metres, LENGTH, 'yd'):.1f} yd")
    table.add_row("descent angle", f"{result['descent_deg']:.1f} deg", "")
    table.add_row("flight time", f"{result['time_s']:.2f} s", "")
    table.add_row("spin at landing", f"{result['final_spin_rpm']:.0f} rpm", "")
    table.add_row("outside the table", f"{100 * result['extrapolated']:.0f} % of the time", "")
    tables().print(table)
