"""A ball's file: comments that say what it is, then its coefficient table, as CSV."""

import csv
import difflib
import io
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd

from pipeline.aero.table import BOUNDS, CoefficientTable
from pipeline.aero.table_file import comments, table_of
from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.files.columns import Column, Problems, TableRead, read_columns
from pipeline.files.delimited import COMMENT, LARGEST_BYTES, number, read_delimited
from pipeline.files.given import given_text
from pipeline.shelf.ball import Kind, NamedFacts, ShelfBall, level_modes
from pipeline.study.names import SAFE_NAME

FORM = 1
"""Version of the file, in its first line."""

FIRST = f"depthline ball: {FORM}"
WANTED = "a ball of the shelf (CSV)"

TEXTS = ("name", "kind", "pattern", "place", "source", "date", "conditions", "geometry", "note")
NUMBERS = {
    "depth_mm": (0.0, 1.0, 1e-3),
    "diameter_mm": (35.0, 50.0, 1e-3),
    "mass_g": (30.0, 60.0, 1e-3),
    "balls": (0.0, 1e6, 1.0),
    "shots": (0.0, 1e9, 1.0),
    "critical_reynolds": (1e4, 5e5, 1.0),
    "critical_spread_pct": (0.0, 100.0, 0.01),
}
"""Keys of the head with numbers: range as written, and the factor that makes SI of them."""

VALUES = {
    "reynolds": Column("count", 1e3, 1e7, ""),
    "spin_ratio": Column("count", 0.0, 3.0, ""),
    "cd": Column("count", *BOUNDS["cd"], ""),
    "cl": Column("count", *BOUNDS["cl"], ""),
    "cm": Column("count", *BOUNDS["cm"], ""),
    "cd_se": Column("count", 0.0, 1.0, ""),
    "cl_se": Column("count", 0.0, 1.0, ""),
    "cm_se": Column("count", 0.0, 1.0, ""),
    "inside": Column("count", 0.0, 1.0, ""),
}
NEEDED = ("reynolds", "spin_ratio", "cd", "cl")
MODE = re.compile(r"c[dl]_mode_[1-9][0-9]?")


def write_ball(ball: ShelfBall, path: Path) -> None:
    """Write a ball's file, atomically; `read_ball` gives the same numbers back."""
    numbers = {
        "depth_mm": ball.depth_m, "diameter_mm": ball.diameter_m, "mass_g": ball.mass_kg,
        "balls": float(ball.balls) or math.nan, "shots": float(ball.shots) or math.nan,
        "critical_reynolds": ball.critical_reynolds, "critical_spread_pct": ball.critical_spread,
    }  # fmt: skip
    head = [FIRST]
    head += [f"{key}: {value}" for key in TEXTS if (value := getattr(ball, key))]
    head += [
        f"{key}: {value / NUMBERS[key][2]:.6g}" for key, value in numbers.items() if not math.isnan(value)
    ]
    table = ball.table
    names = ("cd", "cl", "cm") if table.cm is not None else ("cd", "cl")
    columns = {of: getattr(table, of) for name in names for of in (name, f"{name}_se")}
    if not ball.inside.all():
        columns["inside"] = ball.inside.astype(float)
    if not _says_no_more(ball):
        for mode, values in enumerate(ball.modes, start=1):
            columns |= {f"cd_mode_{mode}": values[..., 0], f"cl_mode_{mode}": values[..., 1]}
    stream = io.StringIO()
    stream.write(comments(head))
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("reynolds", "spin_ratio", *columns))
    for i, reynolds in enumerate(table.reynolds):
        for j, spin_ratio in enumerate(table.spin_ratio):
            cells = (reynolds, spin_ratio, *(values[i, j] for values in columns.values()))
            writer.writerow([f"{float(cell):.7g}" for cell in cells])
    write_text(path, stream.getvalue())


def _says_no_more(ball: ShelfBall) -> bool:
    """Whether the modes say no more than the standard errors."""
    plain = level_modes(ball.table)
    return ball.modes.shape == plain.shape and np.allclose(ball.modes, plain, rtol=0, atol=1e-12)


def read_ball(path: Path, problems: Problems) -> ShelfBall | None:
    """Read a ball's file.

    Parameters
    ----------
    path : Path
        Written by `write_ball`, or by hand: lines `# key: value`, then columns reynolds, spin_ratio, cd, cl
        and, where known, cm, standard errors, `inside` (0 where a node only continues its neighbours) and
        joint errors (`cd_mode_1`, `cl_mode_1` ...), separated as `pipeline.files.delimited` finds out.
    problems : Problems
        Takes every fault; the ball is then not to be used.

    Returns
    -------
    ShelfBall or None
        None when there are faults.
    """
    path = Path(path)
    before = len(problems.lines)
    head = _head(path, problems)
    read = read_grid(path, WANTED, problems)
    if head is None or read is None or len(problems.lines) > before:
        return None
    values, table = read
    assert table is not None  # a full grid was asked for
    shape = table.cd.shape
    order = np.lexsort((values["spin_ratio"], values["reynolds"]))
    modes = [name for name in values if name.startswith("cd_mode_")]
    stacked = [
        np.stack([values[f"c{of}_mode_{name[8:]}"][order].reshape(shape) for of in "dl"], axis=-1)
        for name in sorted(modes, key=lambda name: int(name[8:]))
    ]
    inside = np.ones(shape, bool)
    if "inside" in values:
        inside = values["inside"][order].reshape(shape) > 0.5
    return ShelfBall(
        table=table,
        inside=inside,
        modes=np.array(stacked) if stacked else level_modes(table),
        **head,
    )


def read_grid(
    path: Path, wanted: str, problems: Problems, grid: bool = True
) -> tuple[dict[str, FloatArray], CoefficientTable | None] | None:
    """Read the columns of a table of Cd and Cl.

    Parameters
    ----------
    path : Path
        The file.
    wanted : str
        What it should be, for messages.
    problems : Problems
        Takes every fault.
    grid : bool
        Whether anything but a full grid is a fault.

    Returns
    -------
    values : dict
        Columns by name, those that the file has.
    table : CoefficientTable or None
        None when the rows are no full grid and need not be.
    """
    before = len(problems.lines)
    try:
        header = read_delimited(path, wanted).header
    except InputError as error:
        problems.lines.append(str(error))
        return None
    modes = [name for name in header if MODE.fullmatch(name)]
    quantities = VALUES | dict.fromkeys(modes, Column("count", -1.0, 1.0, ""))
    read = read_columns(path, wanted, quantities, (), NEEDED, problems)
    if read is None:
        return None
    for mode in modes:
        other = f"c{'l' if mode[1] == 'd' else 'd'}{mode[2:]}"
        if other not in modes:
            problems.add(path, 1, f"{mode}: has no {other} beside it")
    for name in read.given - set(NEEDED):
        holes = np.flatnonzero(np.isnan(read.values[name]))
        if holes.size:
            problems.add(
                path, int(read.lines[holes[0]]), f"{name}: is empty; fill it in every row or in none"
            )
    twice = pd.DataFrame({name: read.values[name] for name in NEEDED[:2]}).duplicated().to_numpy()
    for place in np.flatnonzero(twice):
        problems.add(path, int(read.lines[place]), "this Reynolds number and spin ratio have a row already")
    if len(problems.lines) > before:
        return None
    values = {name: read.values[name] for name in read.given}
    table = table_of(pd.DataFrame({n: v for n, v in values.items() if not MODE.fullmatch(n)}))
    if table is None and grid:
        problems.add(path, int(read.lines[-1]), _gap(read))
        return None
    return values, table


def _gap(read: TableRead) -> str:
    re, s = np.unique(read.values["reynolds"]), np.unique(read.values["spin_ratio"])
    there = set(zip(read.values["reynolds"], read.values["spin_ratio"], strict=True))
    missing = [(a, b) for a in re for b in s if (a, b) not in there]
    first = missing[0] if missing else (re[0], s[0])
    return (
        f"the grid of {re.size} Reynolds numbers and {s.size} spin ratios has no row for {first[0]:g}, "
        f"{first[1]:g} ({len(missing)} missing); depthline shelf add fits a table that is no grid"
    )


def _head(path: Path, problems: Problems) -> NamedFacts | None:
    """Read the comments above the table."""
    try:
        text = given_text(path, LARGEST_BYTES, WANTED)
    except InputError as error:
        problems.lines.append(str(error))
        return None
    texts: dict[str, str] = {}
    numbers: dict[str, float] = {}
    lines = text.splitlines()
    if not lines or lines[0].strip().strip(COMMENT).strip() != FIRST:
        problems.add(path, 1, f'is no ball of the shelf; its first line is "# {FIRST}"')
        return None
    for place, line in enumerate(lines[1:], start=2):
        if not line.startswith(COMMENT):
            break
        key, colon, value = line[1:].partition(":")
        key, value = key.strip(), value.strip()
        if not colon:
            continue
        if key in texts or key in numbers:
            problems.add(path, place, f"{key}: stands twice; keep one line")
        elif key in TEXTS:
            texts[key] = value
        elif key in NUMBERS:
            low, high, _ = NUMBERS[key]
            amount = number(value.replace(",", "."))
            if not low <= amount <= high:
                problems.add(path, place, f'{key}: "{value[:40]}" is not a number from {low:g} to {high:g}')
            numbers[key] = amount
        elif close := difflib.get_close_matches(key, [*TEXTS, *NUMBERS], n=1, cutoff=0.75):
            problems.add(path, place, f'{key}: is no key; did you mean "{close[0]}"?')
    return _checked_head(path, texts, numbers, problems)


def _checked_head(
    path: Path, texts: Mapping[str, str], numbers: Mapping[str, float], problems: Problems
) -> NamedFacts:
    name, kind, pattern = texts.get("name", ""), texts.get("kind", ""), texts.get("pattern", "")
    if name != path.stem:
        problems.add(path, 1, f'name: "{name}" is not that of the file, {path.stem}')
    for key, value in (("name", name), ("pattern", pattern)):
        if value and not re.fullmatch(SAFE_NAME, value):
            problems.add(path, 1, f'{key}: "{value[:60]}": use up to 64 letters, digits, - and _')
    if kind not in ("measured", "computed"):
        problems.add(path, 1, f'kind: "{kind}" is neither measured nor computed')
    if kind == "measured" and not texts.get("place"):
        problems.add(path, 1, "place: is missing; name the range, tunnel or laboratory")

    def si(key: str) -> float:
        return numbers.get(key, math.nan) * NUMBERS[key][2]

    return NamedFacts(
        name=name, kind=cast(Kind, kind), pattern=pattern, place=texts.get("place", ""),
        source=texts.get("source", ""), date=texts.get("date", ""), note=texts.get("note", ""),
        conditions=texts.get("conditions", ""), geometry=texts.get("geometry", ""),
        depth_m=si("depth_mm"), diameter_m=si("diameter_mm"), mass_kg=si("mass_g"),
        balls=int(numbers.get("balls", 0)), shots=int(numbers.get("shots", 0)),
        critical_reynolds=si("critical_reynolds"), critical_spread=si("critical_spread_pct"),
    )  # fmt: skip
