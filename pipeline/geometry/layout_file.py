"""Layouts as CSV files: polar angle, azimuth and chord diameter of each dimple."""

import csv
import difflib
import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import write_text
from pipeline.geometry.layout import LAND_ROUNDING_M, Layout, land_widths

COLUMNS = ("polar_deg", "azimuth_deg", "chord_diameter_mm")
# Every pair of dimples is compared; balls have hundreds.
MOST_DIMPLES = 5000
SAME_PLACE_RAD = 1e-6


def read_layout(path: Path, ball_diameter_m: float, chord_diameter_m: float | None = None) -> Layout:
    """Read a layout from a CSV file with a header line.

    Parameters
    ----------
    path : Path
        File with the columns ``polar_deg`` (0 at the pole +z, 180 opposite), ``azimuth_deg`` (from +x towards
        +y, -180 to 360) and ``chord_diameter_mm``, in any order; blank lines are passed over.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    chord_diameter_m : float, optional
        Chord diameter of every dimple [m]; to be given exactly when the file has no such column.

    Returns
    -------
    Layout
        In the file's order, of symmetry ``none`` and order 1: what symmetry a read layout has is not looked
        for.

    Raises
    ------
    InputError
        If the file cannot be read, or its header or any row is wrong; every bad row is listed, one line
        each, as FILE:LINE: what (value): what would be right.
    """
    path = Path(path)
    rows = _rows(path)
    if not rows:
        raise InputError(f"{path}: is empty: must begin with a header line, {','.join(COLUMNS)}")
    (first_line, header), *body = rows
    columns = _columns(f"{path}:{first_line}", header, chord_diameter_m)

    problems: dict[int, str] = {}
    lines: list[int] = []
    values: list[list[float]] = []
    for line, fields in body:
        problem, numbers = _numbers(fields, columns, ball_diameter_m)
        if problem:
            problems[line] = problem
        else:
            lines.append(line)
            values.append(numbers)
    if not problems and not values:
        raise InputError(f"{path}: has no dimples: one row each below the header")
    if len(values) > MOST_DIMPLES:
        raise InputError(f"{path}: has {len(values)} dimples: at most {MOST_DIMPLES} can be read")

    table = np.array(values, dtype=float).reshape(-1, len(columns))
    by_name = dict(zip(columns, table.T, strict=True))
    chords = by_name.get("chord_diameter_mm")
    layout = Layout(
        _directions(by_name["polar_deg"], by_name["azimuth_deg"]),
        np.full(len(table), chord_diameter_m) if chords is None else chords / 1e3,
        "none",
        1,
    )
    problems |= _conflicts(layout, np.array(lines, dtype=int), ball_diameter_m)
    if problems:
        raise InputError("\n".join(f"{path}:{line}: {problems[line]}" for line in sorted(problems)))
    return layout


def write_layout(path: Path, layout: Layout) -> None:
    """Write a layout as `read_layout` reads it, to better than a picometre.

    Parameters
    ----------
    path : Path
        File to write; its folder is made when missing.
    layout : Layout
        The layout.
    """
    x, y, z = layout.directions.T
    polar = np.degrees(np.arctan2(np.hypot(x, y), z))
    azimuth = np.degrees(np.arctan2(y, x)) % 360
    chords = layout.chord_diameters_m * 1e3
    lines = [f"{p:.12f},{a:.12f},{c:.9f}\n" for p, a, c in zip(polar, azimuth, chords, strict=True)]
    write_text(path, ",".join(COLUMNS) + "\n" + "".join(lines))


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Line number and fields of every row that is not blank."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not text in UTF-8") from None
    reader = csv.reader(io.StringIO(text, newline=""))
    rows = []
    try:
        for fields in reader:
            stripped = [field.strip() for field in fields]
            if any(stripped):
                rows.append((reader.line_num, stripped))
    except csv.Error as error:
        raise InputError(f"{path}:{reader.line_num}: is not a CSV row ({error})") from None
    return rows


def _columns(where: str, header: list[str], chord_diameter_m: float | None) -> list[str]:
    """Check the header and give its column names."""
    wanted = COLUMNS if chord_diameter_m is None else COLUMNS[:2]
    for i, name in enumerate(header):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name.lower(), COLUMNS, n=1, cutoff=0.4)
            meant = f"did you mean {near[0]}?" if near else "no such column"
            raise InputError(f"{where}: column {name!r}: {meant} The columns are {', '.join(wanted)}")
        if name in header[:i]:
            raise InputError(f"{where}: column {name}: must occur once only")
    missing = [name for name in wanted if name not in header]
    if missing:
        hint = (
            " (or cavity.chord_diameter in the study)" if missing == ["chord_diameter_mm"] and header else ""
        )
        raise InputError(f"{where}: lacks {', '.join(missing)}{hint}; the columns are {', '.join(wanted)}")
    if chord_diameter_m is not None and "chord_diameter_mm" in header:
        raise InputError(
            f"{where}: column chord_diameter_mm: the study gives cavity.chord_diameter too; leave one out"
        )
    return header


def _numbers(fields: list[str], columns: list[str], ball_diameter_m: float) -> tuple[str | None, list[float]]:
    """Give what is wrong with a row, or None, and its numbers."""
    if len(fields) != len(columns):
        return f"has {len(fields)} values: must have {len(columns)} ({', '.join(columns)})", []
    widest = ball_diameter_m * 1e3
    problems, numbers = [], []
    for name, field in zip(columns, fields, strict=True):
        if not field:
            problems.append(f"{name}: missing value: must be a number")
            continue
        try:
            number = np.nan if "_" in field else float(field)  # float() takes 1_000 for a number
        except ValueError:
            number = np.nan
        if not np.isfinite(number):
            problems.append(f"{name} ({_shown(field)}): must be a number")
        elif name == "polar_deg" and not 0 <= number <= 180:
            problems.append(f"{name} ({_shown(field)}): must be 0 to 180")
        elif name == "azimuth_deg" and not -180 <= number <= 360:
            problems.append(f"{name} ({_shown(field)}): must be -180 to 360")
        elif name == "chord_diameter_mm" and not 0 < number < widest:
            problems.append(
                f"{name} ({_shown(field)}): must be above 0 and below {widest:g}, the ball's diameter"
            )
        else:
            numbers.append(number)
    return "; ".join(problems) or None, numbers


def _shown(field: str) -> str:
    return field if len(field) <= 30 else field[:27] + "..."


def _directions(polar_deg: NDArray[np.float64], azimuth_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    polar, azimuth = np.radians(polar_deg), np.radians(azimuth_deg)
    return np.stack([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=1)


def _conflicts(layout: Layout, lines: NDArray[np.int64], ball_diameter_m: float) -> dict[int, str]:
    """For each dimple that repeats or overlaps an earlier one: its line and what to say of it."""
    problems: dict[int, str] = {}
    for first, land in land_widths(layout, ball_diameter_m):
        rows = first + np.arange(len(land))
        land[np.arange(len(lines)) > rows[:, None]] = np.inf
        other = np.argmin(land, axis=1)
        least = land[np.arange(len(land)), other]
        for row, against, width in zip(rows, other, least, strict=True):
            if width >= -LAND_ROUNDING_M:
                continue
            gap = np.linalg.norm(layout.directions[row] - layout.directions[against])
            problems[int(lines[row])] = (
                f"is a duplicate of line {lines[against]}: each dimple must be given once"
                if gap < SAME_PLACE_RAD
                else f"overlaps the dimple of line {lines[against]} by {-width * 1e3:.3g} mm: the edges must "
                "not cross"
            )
    return problems
