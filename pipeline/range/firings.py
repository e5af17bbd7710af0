"""Firing data: what was measured of shots down a range, one row a shot and gate, as CSV.

A shot's launch, ball and air stand in all of its rows; what a gate measured in its own. A gate is a plane
across the range, upright or slanted, that notes when the ball passes; a screen notes height and side too; a
camera or radar that gives places at known times is written the same way. Everything but shot, ball, pattern,
position, mass, diameter, temperature and pressure may be empty.
"""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.files.atomic import write_text
from pipeline.files.columns import UNITS, Column, Problems, TableRead, read_columns
from pipeline.range.ball_sheet import MouldedBall

SHOT_TEXTS = ("shot", "ball", "pattern", "orientation")
GATE_TEXTS = ("gate",)

SHOT_COLUMNS = {
    "launch_speed": Column("speed", 3.0, 110.0, "m_s"),
    "launch_angle": Column("angle", math.radians(-45), math.radians(60), "deg"),
    "spin": Column("spin", 0.0, 15000 * math.pi / 30, "rpm"),
    "axis_tilt": Column("angle", -math.pi, math.pi, "deg"),
    "mass": Column("mass", 0.030, 0.060, "g"),
    "diameter": Column("length", 0.035, 0.050, "mm"),
    "depth": Column("length", 0.0, 1e-3, "mm"),
    "temperature": Column("temperature", 253.15, 323.15, "degC"),
    "pressure": Column("pressure", 5e4, 1.1e5, "hPa"),
    "humidity": Column("share", 0.0, 1.0, "pct"),
    "spin_error": Column("spin", 1e-3, 200.0, "rpm"),
    "launch_angle_error": Column("angle", 1e-5, 0.5, "deg"),
    "axis_error": Column("angle", 1e-5, 0.5, "deg"),
}
"""Quantities of a shot."""

GATE_COLUMNS = {
    "position": Column("length", -5.0, 100.0, "m"),
    "slant": Column("angle", math.radians(-75), math.radians(75), "deg"),
    "time": Column("time", -60.0, 60.0, "us"),
    "height": Column("length", -20.0, 20.0, "mm"),
    "side": Column("length", -20.0, 20.0, "mm"),
    "gate_spin": Column("spin", 0.0, 15000 * math.pi / 30, "rpm"),
    "time_error": Column("time", 1e-9, 1e-2, "us"),
    "position_error": Column("length", 0.0, 0.1, "mm"),
    "height_error": Column("length", 1e-6, 0.1, "mm"),
    "side_error": Column("length", 1e-6, 0.1, "mm"),
}
"""Quantities of a gate's row."""

_UNIT_OF_KIND = {
    "speed": "m_s", "angle": "rad", "spin": "rad_s", "mass": "kg", "length": "m", "temperature": "k",
    "pressure": "pa", "time": "s", "share": "",
}  # fmt: skip


def si_name(name: str, column: Column) -> str:
    """Name of a column in our tables: with its SI unit."""
    unit = _UNIT_OF_KIND[column.kind]
    return f"{name}_{unit}" if unit else name


DEFAULTS = {
    "humidity": 0.5,
    "axis_tilt": 0.0,
    "slant": 0.0,
    "time_error": 2e-6,
    "position_error": 0.0,
    "height_error": 1e-3,
    "side_error": 1e-3,
    "spin_error": 15 * math.pi / 30,
    "launch_angle_error": math.radians(1.0),
    "axis_error": math.radians(1.0),
}
"""What stands for a cell that is empty, in SI; errors are standard deviations, of one gate."""

NEEDED = ("shot", "ball", "pattern", "position", "temperature", "pressure")


@dataclass(frozen=True, eq=False)
class Firings:
    """Shots, and what gates measured of them.

    Parameters
    ----------
    shots : DataFrame
        One row a shot: file, shot, ball, pattern, orientation and `SHOT_COLUMNS`, in SI with the unit in the
        name; NaN where not known.
    gates : DataFrame
        One row a shot and gate, by shot and then by position: shot (row of `shots`), gate, line and
        `GATE_COLUMNS`.
    """

    shots: pd.DataFrame
    gates: pd.DataFrame


def read_firings(paths: Sequence[Path], balls: dict[str, MouldedBall] | None = None) -> Firings:
    """Read the firings of one or several files.

    Parameters
    ----------
    paths : sequence of Path
        CSV files; the same name of a shot in two files is two shots, that of a ball one ball.
    balls : dict, optional
        Measured balls by name (`pipeline.range.ball_sheet`): mass, diameter and depth of balls for which
        the files leave them empty.

    Returns
    -------
    Firings
        All of them.

    Raises
    ------
    InputError
        Every fault of all files at once, each with its line: nothing is read by halves.
    """
    problems = Problems()
    shots, gates = [], []
    first = 0
    for path in paths:
        table = read_columns(
            path,
            "a CSV of firings",
            SHOT_COLUMNS | GATE_COLUMNS,
            (*SHOT_TEXTS, *GATE_TEXTS),
            NEEDED,
            problems,
        )
        if table is None or any(name not in table.texts for name in ("shot", "ball", "pattern")):
            continue
        of_shots, of_gates = _one_file(table, balls or {}, first, problems)
        shots.append(of_shots)
        gates.append(of_gates)
        first += len(of_shots)
    problems.refuse()
    return Firings(pd.concat(shots, ignore_index=True), pd.concat(gates, ignore_index=True))


def _one_file(
    table: TableRead, balls: dict[str, MouldedBall], first: int, problems: Problems
) -> tuple[pd.DataFrame, pd.DataFrame]:
    number_of, names = pd.factorize(np.array(table.texts["shot"], dtype=object))
    lead = np.full(len(names), len(number_of))
    np.minimum.at(lead, number_of, np.arange(len(number_of)))
    shots = pd.DataFrame({"file": str(table.path), "shot": names})
    for name in SHOT_TEXTS[1:]:
        texts = np.array(table.texts.get(name, [""] * len(number_of)), dtype=object)
        _agree(table, name, texts != texts[lead][number_of], problems)
        shots[name] = texts[lead]
    for name, column in SHOT_COLUMNS.items():
        values = table.values[name]
        known = values[lead][number_of]
        differs = (values != known) & ~(np.isnan(values) & np.isnan(known))
        _agree(table, name, differs, problems)
        shots[si_name(name, column)] = values[lead]
    _from_sheet(table, shots, balls, lead, problems)
    for name, column in SHOT_COLUMNS.items():
        if name in DEFAULTS:
            shots[si_name(name, column)] = shots[si_name(name, column)].fillna(DEFAULTS[name])
    gates = pd.DataFrame({"shot": number_of + first, "line": table.lines})
    gates["gate"] = table.texts.get("gate", [""] * len(gates))
    for name, column in GATE_COLUMNS.items():
        values = table.values[name]
        if name in DEFAULTS:
            values = np.where(np.isnan(values), DEFAULTS[name], values)
        gates[si_name(name, column)] = values
    unnamed = gates["gate"] == ""
    named = [f"{position:g} m" for position in gates.loc[unnamed, "position_m"]]
    gates.loc[unnamed, "gate"] = named
    again = gates.duplicated(["shot", "gate"])
    for line, gate in gates.loc[again, ["line", "gate"]].itertuples(index=False):
        problems.add(table.path, line, f"gate {gate}: stands twice in one shot; name shots differently")
    # A slanted gate's plane meets the height of a ball further on; in passing order nothing else matters.
    order = np.lexsort((gates["position_m"], gates["shot"]))
    return shots, gates.iloc[order].reset_index(drop=True)


def _agree(table: TableRead, name: str, differs: np.ndarray, problems: Problems) -> None:
    for place in np.flatnonzero(differs)[:5]:
        shot = table.texts["shot"][place]
        problems.add(
            table.path, int(table.lines[place]), f"{name}: differs from that of the first row of shot {shot}"
        )


def _from_sheet(
    table: TableRead,
    shots: pd.DataFrame,
    balls: dict[str, MouldedBall],
    lead: np.ndarray,
    problems: Problems,
) -> None:
    """Fill mass, diameter and depth from the measured balls; both need to be known of every ball."""
    known_yet = {name: shots[name].notna().to_numpy() for name in ("mass_kg", "diameter_m", "depth_m")}
    for place, ball in enumerate(shots["ball"]):
        known = balls.get(ball)
        for name in ("mass_kg", "diameter_m", "depth_m"):
            measured = math.nan if known is None else getattr(known, name)
            if not known_yet[name][place]:
                shots.at[place, name] = measured
    for name, low in (("mass_kg", "mass_g"), ("diameter_m", "diameter_mm")):
        missing = shots[name].isna().to_numpy()
        for ball in dict.fromkeys(shots.loc[missing, "ball"]):
            at = np.flatnonzero(missing & (shots["ball"] == ball).to_numpy())[0]
            problems.add(
                table.path,
                int(table.lines[lead[at]]),
                f"{low}: is not known of ball {ball}; give it here, or by a sheet of balls (--balls)",
            )


_WRITTEN = {
    "launch_speed": "m_s", "launch_angle": "deg", "spin": "rpm", "axis_tilt": "deg", "mass": "g",
    "diameter": "mm", "depth": "mm", "temperature": "degC", "pressure": "hPa", "humidity": "pct",
    "spin_error": "rpm", "launch_angle_error": "deg", "axis_error": "deg", "position": "m", "slant": "deg",
    "time": "us", "height": "mm", "side": "mm", "gate_spin": "rpm", "time_error": "us",
    "position_error": "mm", "height_error": "mm", "side_error": "mm",
}  # fmt: skip


def headings() -> list[str]:
    """Every column of a file of firings, as we write it."""
    return [*SHOT_TEXTS, *(f"{name}_{_WRITTEN[name]}" for name in SHOT_COLUMNS), *GATE_TEXTS,
            *(f"{name}_{_WRITTEN[name]}" for name in GATE_COLUMNS)]  # fmt: skip


def write_firings(path: Path, firings: Firings, header: Sequence[str], digits: int = 10) -> None:
    """Write firings as a CSV that `read_firings` reads, with lines on what it is above its header.

    Parameters
    ----------
    path : Path
        The file.
    firings : Firings
        What was measured.
    header : sequence of str
        Lines of comment.
    digits : int
        Significant digits of every number.
    """
    stream = io.StringIO()
    for line in header:
        stream.write(f"# {line}\n")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(headings())
    shots, gates = firings.shots, firings.gates

    def cells(frame: pd.DataFrame, names: dict[str, Column]) -> list[list[str]]:
        columns = []
        for name, column in names.items():
            factor, offset = UNITS[column.kind][_WRITTEN[name]]
            values = (frame[si_name(name, column)].to_numpy() - offset) / factor
            columns.append(["" if math.isnan(value) else f"{value:.{digits}g}" for value in values.tolist()])
        return [list(row) for row in zip(*columns, strict=True)]

    of_shots = [
        [*texts, *row]
        for texts, row in zip(
            shots[list(SHOT_TEXTS)].astype(str).to_numpy().tolist(), cells(shots, SHOT_COLUMNS), strict=True
        )
    ]
    of_gates = cells(gates, GATE_COLUMNS)
    for shot, gate, row in zip(gates["shot"], gates["gate"], of_gates, strict=True):
        writer.writerow([*of_shots[shot], gate, *row])
    write_text(path, stream.getvalue())
