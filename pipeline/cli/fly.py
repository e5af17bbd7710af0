"""`depthline fly`: shots with coefficient tables from anywhere."""

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypedDict, TypeVar

from pydantic import ValidationError
from rich.table import Table

from pipeline.cli.output import messages, print_json, tables, warn
from pipeline.errors import InputError
from pipeline.study.fields import Section
from pipeline.study.model import AirSpec, BallSpec, Launch, Wind
from pipeline.study.trade_units import breakable, in_si, shown, yards
from pipeline.study.units import LENGTH, QuantityError, in_unit, parse_quantity

if TYPE_CHECKING:
    from pipeline.aero.tables_of_file import NamedTable
    from pipeline.flight.single import Shot
    from pipeline.flight.trajectory import Conditions, Launches

    class FlightRow(Shot):
        """A flight as `--json` prints it: with its launch, and the table that it was flown with."""

        table: str
        pattern: str | None
        depth_m: float | None
        launch: int
        ball_speed_m_s: float
        launch_angle_deg: float
        backspin_rpm: float
        axis_tilt_deg: float


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


FLOWN: Final = (
    "carry_m", "peak_height_m", "descent_deg", "time_s", "total_m", "side_m", "extrapolated",
    "final_spin_rpm",
)  # fmt: skip
"""Values of a flight that are averaged over launches."""

MOST_FLIGHTS = 200_000
"""Flights that one call makes, at most."""


class MeanRow(TypedDict):
    """Means over the launches with one table, and standard deviations."""

    table: str
    pattern: str | None
    depth_m: float | None
    launches: int
    carry_m: float
    carry_sd_m: float
    peak_height_m: float
    peak_height_sd_m: float
    descent_deg: float
    descent_sd_deg: float
    time_s: float
    time_sd_s: float
    total_m: float
    total_sd_m: float
    side_m: float
    side_sd_m: float
    extrapolated: float
    extrapolated_sd: float
    final_spin_rpm: float
    final_spin_sd_rpm: float


@dataclass(frozen=True)
class _Asked:
    """What is to be flown: every launch with every table."""

    tables: "list[NamedTable]"
    launches: "Launches"
    conditions: "Conditions"
    launches_file: Path | None


def fly_shots(
    table_paths: Sequence[Path],
    *,
    pattern: str | None,
    depth: str | None,
    launches_path: Path | None,
    path_out: Path | None,
    launch: Mapping[str, str | None],
    ball: Mapping[str, str | None],
    air: Mapping[str, str | None],
    wind: Mapping[str, str | None],
    as_json: bool,
) -> None:
    """Fly one shot, or the shots of a file, with every table given, and print where they go.

    Parameters
    ----------
    table_paths : sequence of Path
        Coefficient tables, CSV: plain grids, and a study's tables.csv or coefficients.csv.
    pattern, depth : str or None
        Which tables of the latter are flown; all when None.
    launches_path : Path or None
        CSV of launches, instead of `launch`.
    path_out : Path or None
        CSV to write the paths of all flights to.
    launch, ball, air, wind : mapping
        Quantities as text by option name (the keys of `KEYS`); None where not given.
    as_json : bool
        Print one JSON object (SI units in the names) instead of a table: of one flight its values; of several
        `flights`, a list of such, and `means` by table.

    Raises
    ------
    InputError
        An option, a table or the file of launches is wrong; every wrong option is reported.
    """
    asked = _asked(table_paths, pattern, depth, launches_path, launch, ball, air, wind)
    rows = _fly_all(asked)
    if path_out is not None:
        from pipeline.flight.path_file import write_paths

        write_paths(asked.tables, asked.launches, asked.conditions, path_out)
    _warn_outside(asked, rows)
    air_of = {
        "air_density_kg_m3": asked.conditions.air.density_kg_m3,
        "kinematic_viscosity_m2_s": asked.conditions.air.kinematic_viscosity_m2_s,
    }
    if as_json and len(rows) == 1:
        print_json(rows[0] | air_of)
    elif as_json:
        print_json({"flights": rows, "means": _means(asked, rows), **air_of})
    elif len(rows) == 1:
        _print_table(rows[0])
    else:
        _print_means(asked, _means(asked, rows))
    if path_out is not None:
        messages().print(f"wrote {path_out}")


def _asked(
    table_paths: Sequence[Path],
    pattern: str | None,
    depth: str | None,
    launches_path: Path | None,
    launch: Mapping[str, str | None],
    ball: Mapping[str, str | None],
    air: Mapping[str, str | None],
    wind: Mapping[str, str | None],
) -> _Asked:
    """Read every option and file."""
    problems: list[str] = []
    given_launch = _launch(launch, launches_path, problems)
    given_ball = _section(BallSpec, ball, problems)
    given_air = _section(AirSpec, air, problems)
    given_wind = _section(Wind, wind, problems)
    depth_m = None
    if depth is not None:
        try:
            depth_m = parse_quantity(depth, LENGTH)
        except QuantityError as error:
            problems.append(f"--depth: {depth}: {error}")
    if problems or given_ball is None or given_air is None or given_wind is None:
        raise InputError("\n".join(problems))
    from pipeline.aero.plausible_table import implausible_table
    from pipeline.aero.tables_of_file import read_tables
    from pipeline.decide.flights.conditions import conditions_in
    from pipeline.decide.flights.golfer import read_launches
    from pipeline.flight.trajectory import Launches

    tables = []
    for path in table_paths:
        found, notes = read_tables(path, pattern, depth_m)
        warn([*notes, *(f"{of.label}: {line}" for of in found for line in implausible_table(of.table))])
        tables += found
    if launches_path is not None:
        launches = Launches(*read_launches(launches_path).T)
    else:
        assert given_launch is not None
        launches = Launches(
            given_launch.ball_speed_m_s,
            given_launch.launch_angle_rad,
            given_launch.backspin_rad_s,
            given_launch.axis_tilt_rad,
        )
    flights = len(tables) * len(launches.as_array())
    if flights > MOST_FLIGHTS:
        raise InputError(f"{flights} flights are asked for; at most {MOST_FLIGHTS} can be made at a time")
    conditions = conditions_in(given_ball, given_air.model_copy(update={"wind": given_wind}))
    return _Asked(tables, launches, conditions, launches_path)


def _launch(
    options: Mapping[str, str | None], launches_path: Path | None, problems: list[str]
) -> Launch | None:
    """Read the launch that options give; None when a file has the launches, or `problems` were added."""
    given = [option for option, text in options.items() if text is not None]
    if launches_path is not None:
        problems += [f"{option}: cannot stand beside --launches; remove one of the two" for option in given]
        return None
    examples = {"--speed": "165 mph", "--angle": "11 deg", "--spin": "2600 rpm"}
    absent = [option for option in examples if option not in given]
    problems += [
        f'{option}: is missing; write for instance {option} "{examples[option]}", or --launches FILE'
        for option in absent
    ]
    if absent:
        options = {
            option: text if text is not None else examples.get(option) for option, text in options.items()
        }
    return _section(Launch, options, problems)


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


def _fly_all(asked: _Asked) -> "list[FlightRow]":
    """Fly every launch with every table; a row a flight, tables one after the other."""
    from pipeline.flight.single import fly_each

    launches = asked.launches.as_array()
    rows: list[FlightRow] = []
    for of in asked.tables:
        try:
            flights = fly_each(of.table, asked.launches, asked.conditions)
        except InputError as error:
            raise InputError(f"{of.label}: {error}") from None
        for number, (flown, (speed, angle, spin, tilt)) in enumerate(
            zip(flights, launches.tolist(), strict=True)
        ):
            if not math.isfinite(flown["carry_m"]):
                which = f"launch {number + 1} of {asked.launches_file}: " if asked.launches_file else ""
                raise InputError(
                    f"{of.label}: {which}the ball has not landed after a minute; check Cl and Cd of the table"
                )
            rows.append(
                {
                    **flown,
                    "table": str(of.file),
                    "pattern": of.pattern,
                    "depth_m": of.depth_m,
                    "launch": number + 1,
                    "ball_speed_m_s": speed,
                    "launch_angle_deg": math.degrees(angle),
                    "backspin_rpm": spin * 30.0 / math.pi,
                    "axis_tilt_deg": math.degrees(tilt),
                }
            )
    return rows


def _warn_outside(asked: _Asked, rows: "Sequence[FlightRow]") -> None:
    """Warn of each file whose tables flights leave."""
    count = len(rows) // len(asked.tables)
    for file in dict.fromkeys(of.file for of in asked.tables):
        own = [of for of in asked.tables if of.file == file]
        most = max(row["extrapolated"] for row in rows if row["table"] == str(file))
        if most > 0:
            up_to = "up to " if count * len(own) > 1 else ""
            where = own[0].label if len(own) == 1 else str(file)
            warn(
                [
                    f"{where}: {up_to}{100 * most:.0f} % of the flight time is outside the table's grid; the "
                    "nearest coefficients inside it are used there"
                ]
            )


def _means(asked: _Asked, rows: "Sequence[FlightRow]") -> list[MeanRow]:
    """Mean and standard deviation over the launches, for each table."""
    count = len(rows) // len(asked.tables)
    found = []
    for place, of in enumerate(asked.tables):
        own = rows[place * count : (place + 1) * count]
        carry, peak, descent, time, total, side, extrapolated, spin = (
            _spread([row[key] for row in own]) for key in FLOWN
        )
        found.append(
            MeanRow(
                table=str(of.file),
                pattern=of.pattern,
                depth_m=of.depth_m,
                launches=count,
                carry_m=carry[0],
                carry_sd_m=carry[1],
                peak_height_m=peak[0],
                peak_height_sd_m=peak[1],
                descent_deg=descent[0],
                descent_sd_deg=descent[1],
                time_s=time[0],
                time_sd_s=time[1],
                total_m=total[0],
                total_sd_m=total[1],
                side_m=side[0],
                side_sd_m=side[1],
                extrapolated=extrapolated[0],
                extrapolated_sd=extrapolated[1],
                final_spin_rpm=spin[0],
                final_spin_sd_rpm=spin[1],
            )
        )
    return found


def _spread(values: list[float]) -> tuple[float, float]:
    """Mean and standard deviation, which one value has not."""
    return statistics.fmean(values), statistics.stdev(values) if len(values) > 1 else 0.0


def _print_means(asked: _Asked, means: Sequence[MeanRow]) -> None:
    count = means[0]["launches"]
    table = Table(
        title="Flights" if count == 1 else f"Flights: mean ± standard deviation of {count} launches"
    )
    table.add_column("table", no_wrap=True)
    for head in ("carry, yd (m)", "peak height, yd (m)", "descent, deg", "time, s", "total, yd (m)",
                 "side, yd (m)", "outside the table"):  # fmt: skip
        table.add_column(shown(head), justify="right")
    for of, mean in zip(asked.tables, means, strict=True):
        spread = count > 1
        table.add_row(
            of.name,
            _length(mean["carry_m"], mean["carry_sd_m"], spread),
            _length(mean["peak_height_m"], mean["peak_height_sd_m"], spread),
            _with_spread(mean["descent_deg"], mean["descent_sd_deg"], 1, spread),
            _with_spread(mean["time_s"], mean["time_sd_s"], 2, spread),
            _length(mean["total_m"], mean["total_sd_m"], spread),
            _length(mean["side_m"], mean["side_sd_m"], spread),
            f"{100 * mean['extrapolated']:.0f} %",
        )
    tables().print(table)


def _length(metres: float, sd_m: float, spread: bool) -> str:
    if in_si():
        return _with_spread(metres, sd_m, 1, spread)
    length, off = (in_unit(value, LENGTH, "yd") for value in (metres, sd_m))
    return f"{_with_spread(length, off, 1, spread)} ({metres:.1f})"


def _with_spread(value: float, off: float, digits: int, spread: bool) -> str:
    return f"{value:.{digits}f} ± {off:.{digits}f}" if spread else f"{value:.{digits}f}"


def _print_table(result: "FlightRow") -> None:
    table = Table(show_header=False, title="Flight")
    for label, metres in (
        ("carry", result["carry_m"]),
        ("peak height", result["peak_height_m"]),
        ("side (right positive)", result["side_m"]),
        ("total (less certain)", result["total_m"]),
    ):
        table.add_row(label, breakable(yards(metres)))
    table.add_row("descent angle", f"{result['descent_deg']:.1f} deg")
    table.add_row("flight time", f"{result['time_s']:.2f} s")
    table.add_row("spin at landing", f"{result['final_spin_rpm']:.0f} rpm")
    table.add_row("outside the table", f"{100 * result['extrapolated']:.0f} % of the time")
    tables().print(table)
