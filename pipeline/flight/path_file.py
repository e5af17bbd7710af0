"""Paths of flights as CSV: a row a point, with the flow and the coefficients there."""

import csv
import datetime
import io
import math
from collections.abc import Sequence
from pathlib import Path

from pipeline import __version__
from pipeline.aero.table_file import comments
from pipeline.aero.tables_of_file import NamedTable
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.flight.trajectory import Conditions, Launches, along_path, path

COLUMNS = (
    "table", "pattern", "depth_m", "launch", "time_s", "x_m", "side_m", "height_m", "vx_m_s", "vside_m_s",
    "vz_m_s", "spin_rpm", "reynolds", "spin_ratio", "cd", "cl",
)  # fmt: skip

EVERY_S = 0.1
"""Time between the points of a path [s]."""

MOST_PATHS = 2_000
"""Paths of one file, at most; each has some seventy points."""

_FORMULA = ("=", "+", "-", "@")


def write_paths(
    tables: Sequence[NamedTable], launches: Launches, conditions: Conditions, target: Path
) -> None:
    """Fly every launch with every table and write the paths, atomically.

    Parameters
    ----------
    tables : sequence of NamedTable
        Coefficients.
    launches : Launches
        n launches, numbered from 1.
    conditions : Conditions
        Ball, air, wind.
    target : Path
        CSV with the columns `COLUMNS`, after comments (`# `) with units and air. x is down range, side to the
        golfer's right; Re and S are those through the air.

    Raises
    ------
    InputError
        There are more than `MOST_PATHS` paths.
    """
    rows = launches.as_array()
    count = len(tables) * len(rows)
    if count > MOST_PATHS:
        raise InputError(f"{target}: {count} paths are asked for; at most {MOST_PATHS} are written")
    air = conditions.air
    stream = io.StringIO()
    stream.write(
        comments(
            [
                f"flight paths: {count}; a point every {EVERY_S:g} s, and the landing",
                "units: m, s, m/s, rpm; x down range, side to the golfer's right, height above the ground; "
                "reynolds, spin_ratio, cd and cl are those of the ball in the air, wind taken off",
                f"air: {air.density_kg_m3:.4f} kg/m^3, kinematic viscosity "
                f"{air.kinematic_viscosity_m2_s:.4g} m^2/s; wind {conditions.wind_speed_m_s:g} m/s",
                f"written: {datetime.datetime.now(datetime.UTC):%Y-%m-%d} (UTC) by Depthline {__version__}",
            ]
        )
    )
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for of in tables:
        # A name that begins like a formula must not be one to a spreadsheet.
        file = f"./{of.file}" if str(of.file).startswith(_FORMULA) else str(of.file)
        depth = "" if of.depth_m is None else repr(of.depth_m)
        for number, launch in enumerate(rows, start=1):
            flown = path(of.table, Launches(*launch), conditions, EVERY_S)
            reynolds, spin_ratio = along_path(flown, conditions)
            found = of.table.at(reynolds, spin_ratio)
            columns = (
                flown.time_s, flown.x_m, flown.side_m, flown.height_m, *flown.velocity_m_s.T,
                flown.spin_rad_s * 30.0 / math.pi, reynolds, spin_ratio, found.cd, found.cl,
            )  # fmt: skip
            for values in zip(*(column.tolist() for column in columns), strict=True):
                numbers = (f"{value:.7g}" for value in values)
                writer.writerow([file, of.pattern or "", depth, number, *numbers])
    write_text(target, stream.getvalue())
