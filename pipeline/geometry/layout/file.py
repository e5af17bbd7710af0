"""Layouts as CSV files: place, chord diameter and, where wanted, depth and profile of each dimple."""

import difflib
import hashlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.files.delimited import Delimited, number, read_delimited
from pipeline.files.given import given_bytes
from pipeline.geometry.dimple.cavity import solve_cavities
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.file_columns import (
    KNOWN,
    OF_PROFILE,
    OPTIONAL,
    PROFILE,
    Column,
    profile_problem,
)
from pipeline.geometry.layout.layout import LAND_ROUNDING_M, Layout, land_widths

COLUMNS = ("polar_deg", "azimuth_deg", "chord_diameter_mm")
MEASURED = ("polar", "azimuth", "chord_diameter")
# Every pair of dimples is compared; balls have hundreds.
MOST_DIMPLES = 5000
LARGEST_BYTES = 4 * 2**20
"""A layout of `MOST_DIMPLES` with all columns, as `write_layout` writes it, takes 0.7 MB."""
_WANTED = "a CSV of dimples"
MOST_CONFLICTS, MOST_PROBLEMS = 5, 50
"""Dimples that overlap or repeat others, and rows with other faults, that are listed one by one."""
SAME_PLACE_RAD = 1e-6


def read_layout(path: Path, ball_diameter_m: float, chord_diameter_m: float | None = None) -> Layout:
    """Read a layout from a CSV file with a header line.

    Parameters
    ----------
    path : Path
        File, separated as `pipeline.files.delimited` finds out, with the columns ``polar_deg`` (0 at the
        pole +z, 180 opposite), ``azimuth_deg`` (from +x towards +y, -180 to 360) and ``chord_diameter_mm``,
        in any order; blank lines are passed over. Angles may be in ``rad`` and lengths in ``in`` (inches), as
        the header says. It may also give, for each dimple, ``depth_mm`` (surface depth) or
        ``edge_angle_deg``, ``profile`` with ``joint`` (share, 0 to 1) and ``radius_ratio`` where it needs
        them and ``edge_radius_mm``, and of polygons ``sides`` and ``turn_deg``.
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
        If the file cannot be read, or its header or any row is wrong; bad rows are listed, one line each, as
        FILE:LINE: what (value): what would be right; of many the first ones and their count.
    """
    path = Path(path)
    found = read_delimited(path, _WANTED, LARGEST_BYTES, MOST_DIMPLES)
    if not found.header:
        raise InputError(f"{path}: is empty: must begin with a header line, {','.join(COLUMNS)}")
    columns = _columns(f"{path}:{found.header_line}", found.header, chord_diameter_m)

    problems: dict[int, str] = {}
    lines: list[int] = []
    values: list[list[float]] = []
    profiles: list[Profile] = []
    for line, fields in found.rows:
        problem, numbers, profile = _values(found, fields, columns, ball_diameter_m)
        if problem:
            problems[line] = problem
        else:
            lines.append(line)
            values.append(numbers)
            profiles.append(profile)
    if not problems and not values:
        raise InputError(f"{path}: has no dimples: one row each below the header")

    table = np.array(values, dtype=float).reshape(-1, len(columns))
    given = {
        column.measure: column.si(values)
        for column, values in zip(columns, table.T, strict=True)
        if column.measure != PROFILE
    }
    named = any(column.measure == PROFILE for column in columns)
    sides = np.nan_to_num(given["sides"]).astype(np.int64) if "sides" in given else None
    turns = np.nan_to_num(given["turn"]) if "turn" in given else None
    layout = Layout(
        _directions(given["polar"], given["azimuth"]),
        given.get("chord_diameter", np.full(len(table), chord_diameter_m)),
        "none",
        1,
        given.get("depth"),
        given.get("edge_angle"),
        tuple(profiles) if named else None,
        sides,
        turns,
    )
    problems |= _impossible(layout, lines, ball_diameter_m)
    conflicts = _conflicts(layout, np.array(lines, dtype=int), ball_diameter_m)
    if problems or conflicts:
        raise InputError(_listing(path, problems, conflicts))
    return layout


def _listing(path: Path, problems: dict[int, str], conflicts: dict[int, str]) -> str:
    """Write the first problems and conflicts, by line, and how many more there are of each."""
    conflicts = {line: text for line, text in conflicts.items() if line not in problems}
    shown = dict(sorted(problems.items())[:MOST_PROBLEMS]) | dict(sorted(conflicts.items())[:MOST_CONFLICTS])
    lines = [f"{path}:{line}: {text}" for line, text in sorted(shown.items())]
    if len(problems) > MOST_PROBLEMS:
        lines.append(f"{path}: and {len(problems) - MOST_PROBLEMS} more rows with faults")
    if len(conflicts) > MOST_CONFLICTS:
        lines.append(
            f"{path}: {len(conflicts)} dimples overlap or repeat others (the first {MOST_CONFLICTS} are "
            "listed): are chord diameters too wide, or in another unit than the header says?"
        )
    return "\n".join(lines)


def layout_digest(path: Path) -> str:
    """Fingerprint of a layout file's content.

    Raises
    ------
    InputError
        It cannot be read, is no regular file, or is too large.
    """
    return hashlib.sha256(given_bytes(path, LARGEST_BYTES, _WANTED)).hexdigest()


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
    columns = {
        "polar_deg": [f"{value:.12f}" for value in polar],
        "azimuth_deg": [f"{value:.12f}" for value in azimuth],
        "chord_diameter_mm": [f"{value:.9f}" for value in layout.chord_diameters_m * 1e3],
    }
    if layout.depths_m is not None:
        columns["depth_mm"] = [f"{value:.9f}" for value in layout.depths_m * 1e3]
    if layout.edge_angles_rad is not None:
        columns["edge_angle_deg"] = [f"{value:.12f}" for value in np.degrees(layout.edge_angles_rad)]
    if layout.profiles is not None:
        columns[PROFILE] = [profile.name for profile in layout.profiles]
        columns["joint"] = ["" if p.joint is None else repr(p.joint) for p in layout.profiles]
        columns["radius_ratio"] = [
            "" if p.radius_ratio is None else repr(p.radius_ratio) for p in layout.profiles
        ]
    if any(profile.edge_radius_m for profile in layout.profiles or ()):
        columns["edge_radius_mm"] = [f"{1e3 * p.edge_radius_m:.9f}" for p in layout.profiles or ()]
    if layout.sides is not None:
        columns["sides"] = [str(sides) for sides in layout.sides]
        columns["turn_deg"] = [f"{turn:.12f}" for turn in np.degrees(layout.perimeters.turns_rad)]
    lines = [",".join(cells) + "\n" for cells in zip(*columns.values(), strict=True)]
    write_text(path, ",".join(columns) + "\n" + "".join(lines))


def _columns(where: str, header: list[str], chord_diameter_m: float | None) -> list[Column]:
    """Check the header and give its columns."""
    wanted = COLUMNS if chord_diameter_m is None else COLUMNS[:2]
    for i, name in enumerate(header):
        if name not in KNOWN:
            short = name.lower()[:100]
            near = [
                *difflib.get_close_matches(short, COLUMNS, n=1, cutoff=0.4),
                *difflib.get_close_matches(short, KNOWN, n=1, cutoff=0.4),
            ]
            meant = f"did you mean {near[0]}?" if near else "there is no such column."
            others = (known for known in KNOWN if KNOWN[known].measure not in MEASURED)
            raise InputError(
                f"{where}: column {_shown(name)!r}: {meant} Needed are {_named(wanted)}; there may also be "
                f"{_named(others)}"
            )
        if name in header[:i]:
            raise InputError(f"{where}: column {name}: must occur once only")
    columns = [KNOWN[name] for name in header]
    measures = [column.measure for column in columns]
    for column in columns:
        if measures.count(column.measure) > 1:
            raise InputError(
                f"{where}: column {column.name}: {column.measure} must be given in one unit only"
            )
    missing = [name for name in wanted if KNOWN[name].measure not in measures]
    if missing:
        hint = (
            " (or cavity.chord_diameter in the study)" if missing == ["chord_diameter_mm"] and header else ""
        )
        raise InputError(f"{where}: lacks {', '.join(missing)}{hint}; needed are {_named(wanted)}")
    by_measure = {column.measure: column.name for column in columns}
    if chord_diameter_m is not None and "chord_diameter" in measures:
        raise InputError(
            f"{where}: column {by_measure['chord_diameter']}: the study gives cavity.chord_diameter too; "
            "leave one out"
        )
    if "depth" in measures and "edge_angle" in measures:
        raise InputError(
            f"{where}: column {by_measure['edge_angle']}: the file gives depths too; one of the two makes a "
            "dimple, leave the other out"
        )
    for needed, dependent in ((PROFILE, OF_PROFILE), ("sides", ("turn",))):
        lone = [
            by_measure[measure] for measure in dependent if measure in measures and needed not in measures
        ]
        if lone:
            raise InputError(f"{where}: column {lone[0]}: goes with a column {needed}")
    return columns


def _named(names: Iterable[str]) -> str:
    """List columns, each with its names in other units."""
    measures = dict.fromkeys(KNOWN[name].measure for name in names)
    return ", ".join(
        " or ".join(name for name, column in KNOWN.items() if column.measure == measure)
        for measure in measures
    )


def _values(
    found: Delimited, fields: list[str], columns: list[Column], ball_diameter_m: float
) -> tuple[str | None, list[float], Profile]:
    """Give what is wrong with a row, or None, its numbers (NaN for none) and its profile."""
    if trouble := found.width_problem(fields):
        return trouble, [], ARC
    problems, numbers = [], []
    parts: dict[str, float | None] = {}
    name = "arc"
    for column, field in zip(columns, fields, strict=True):
        value = np.nan
        if not field:
            if column.measure not in OPTIONAL:
                kind = "the name of a profile" if column.measure == PROFILE else "a number"
                problems.append(f"{column.name}: missing value: must be {kind}")
        elif column.measure == PROFILE:
            name = field
            if trouble := profile_problem(field):
                problems.append(f"{column.name} ({_shown(field)}): {trouble}")
        elif not np.isfinite(value := number(field)):
            problems.append(f"{column.name} ({_shown(field)}): must be a number")
        elif trouble := column.problem(value, ball_diameter_m):
            problems.append(f"{column.name} ({_shown(field)}): {trouble}")
        numbers.append(value)
        if column.measure in OPTIONAL:
            parts[column.measure] = float(column.si(np.array(value))) if field else None
    profile = ARC
    if not problems:
        try:
            rounded = parts.get("edge_radius") or 0.0
            profile = Profile(name, parts.get("joint"), parts.get("radius_ratio"), rounded)
        except InputError as error:
            problems.append(str(error))
    return "; ".join(problems) or None, numbers, profile


def _shown(field: str) -> str:
    return field if len(field) <= 30 else field[:27] + "..."


def _directions(polar: FloatArray, azimuth: FloatArray) -> FloatArray:
    return np.stack([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=1)


def _impossible(layout: Layout, lines: list[int], ball_diameter_m: float) -> dict[int, str]:
    """For each dimple that cannot be made with its depth or edge angle: its line and the range that can."""
    if layout.depths_m is None and layout.edge_angles_rad is None:
        return {}
    measure = "edge_angle_rad" if layout.depths_m is None else "depth_m"
    values = layout.edge_angles_rad if layout.depths_m is None else layout.depths_m
    assert values is not None
    problems = {}
    for place, line in enumerate(lines):
        section = Sections.of(ARC if layout.profiles is None else layout.profiles[place])
        try:
            solve_cavities(
                section,
                ball_diameter_m,
                chord_diameter_m=layout.chord_diameters_m[place],
                **{measure: values[place]},
            )
        except InputError as error:
            problems[line] = str(error)
    return problems


def _conflicts(layout: Layout, lines: IntArray, ball_diameter_m: float) -> dict[int, str]:
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
