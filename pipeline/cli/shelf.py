"""`depthline shelf`: balls added, listed, shown, and ranked for a study's golfers."""

import math
import re
from dataclasses import replace as changed
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from rich.table import Table

from pipeline.cli.output import messages, print_json, shown_progress, tables, warn
from pipeline.errors import InputError
from pipeline.files.clean_numbers import clean_csv
from pipeline.study.names import SAFE_NAME
from pipeline.study.trade_units import flight_m, millimetres, shown, shown_in, yards_cell
from pipeline.study.units import LENGTH, SHARE, Kind, QuantityError, parse_quantity

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.shelf.ball import NamedFacts, ShelfBall

MOST_SHOWN = 12
"""Balls of a ranking that the terminal shows for each golfer; the CSV has all."""

EXTRAPOLATION_WORTH_A_NOTE = 0.05


class Given(NamedTuple):
    """What the options of `shelf add` say of balls."""

    place: str | None
    name: str | None
    pattern: str | None
    depth: str | None
    critical_reynolds: float | None
    critical_spread: str
    date: str
    note: str


def add(source: Path, shelf: Path, given: Given, replace: bool, as_json: bool) -> None:
    """Put balls on a shelf.

    Raises
    ------
    InputError
        The source is none of the three, an option is wrong (all such are reported), or a name is taken.
    """
    from pipeline.aero.plausible_table import implausible_table
    from pipeline.range.results import REDUCTION
    from pipeline.range.shelf_balls import balls_of_reduction
    from pipeline.shelf.computed import balls_of_study, is_study_results
    from pipeline.shelf.folder import add_balls
    from pipeline.shelf.plain_table import ball_of_table

    facts = _facts(given)
    if source.is_dir():
        if (source / REDUCTION).is_file():
            found = balls_of_reduction(source, _needed(given.place, "--place", "the range"), given.date)
        elif is_study_results(source):
            if given.place is not None:
                raise InputError("--place: goes with measured balls; computed ones have their study's name")
            found = balls_of_study(source)
        else:
            raise InputError(f"{source}: holds neither a reduction ({REDUCTION}) nor a study's results")
    else:
        place = _needed(given.place, "--place", "the tunnel, range or laboratory")
        name = _needed(given.name, "--name", "the ball")
        found = [ball_of_table(source, name, place=place, date=given.date)]
    one = {key: value for key, value in facts.items() if key != "note"}
    if len(found) > 1 and one:
        raise InputError(
            f"{source}: has {len(found)} balls, which --name, --pattern, --depth and --critical-reynolds "
            "cannot all describe; add it without them and edit the files"
        )
    found = [changed(ball, **facts) for ball in found]
    warn([f"{ball.name}: {line}" for ball in found for line in implausible_table(ball.table)])
    files = add_balls(shelf, found, replace)
    if as_json:
        print_json({"balls": [_as_json(ball) for ball in found], "files": [str(file) for file in files]})
        return
    for ball, file in zip(found, files, strict=True):
        known = f"pattern {ball.pattern}" if ball.pattern else "pattern not known"
        messages().print(f"wrote {file}: {ball.kind}, {known}, {millimetres(ball.depth_m)}")


def _needed(value: str | None, option: str, what: str) -> str:
    if not value:
        raise InputError(f"{option}: is missing; name {what}")
    return value


def _facts(given: Given) -> "NamedFacts":
    facts: NamedFacts = {}
    problems = []
    for option, text in (("name", given.name), ("pattern", given.pattern)):
        if text is not None and not re.fullmatch(SAFE_NAME, text):
            problems.append(f"--{option}: {text}: use up to 64 letters, digits, - and _")
    if given.name is not None:
        facts["name"] = given.name
    if given.pattern is not None:
        facts["pattern"] = given.pattern
    if given.depth is not None:
        facts["depth_m"] = _quantity("--depth", given.depth, LENGTH, (0.0, 1e-3), "0 mm to 1 mm", problems)
    if given.critical_reynolds is not None:
        facts["critical_reynolds"] = given.critical_reynolds
        if not 1e4 <= given.critical_reynolds <= 5e5:
            problems.append(f"--critical-reynolds: {given.critical_reynolds:g}: is outside 1e4 to 5e5")
        facts["critical_spread"] = _quantity(
            "--critical-spread", given.critical_spread, SHARE, (0.0, 1.0), "0 % to 100 %", problems
        )
    if given.note:
        facts["note"] = given.note
    if problems:
        raise InputError("\n".join(problems))
    return facts


def _quantity(
    option: str, text: str, kind: Kind, limits: tuple[float, float], words: str, problems: list[str]
) -> float:
    try:
        value = parse_quantity(text, kind)
    except QuantityError as error:
        problems.append(f"{option}: {text}: {error}")
        return math.nan
    if not limits[0] <= value <= limits[1]:
        problems.append(f"{option}: {text}: is outside {words}")
    return value


def show_list(shelf: Path, as_json: bool) -> None:
    """List the balls of a shelf."""
    from pipeline.shelf.folder import read_shelf

    found = read_shelf(shelf)
    if as_json:
        print_json({"shelf": str(shelf), "balls": [_as_json(ball) for ball in found]})
        return
    table = Table(title=f"{shelf}: {len(found)} balls")
    for head in ("ball", "kind", "pattern", "depth", "where", "when", "balls", "Re, thousands", "S"):
        table.add_column(head, justify="right" if head in ("depth", "balls") else "left")
    for ball in found:
        re_, s = ball.table.reynolds / 1e3, ball.table.spin_ratio
        table.add_row(
            ball.name, ball.kind, ball.pattern or "-", millimetres(ball.depth_m), ball.place,
            ball.date or "-",
            str(ball.balls or "-"), f"{re_[0]:.0f} to {re_[-1]:.0f}", f"{s[0]:.2f} to {s[-1]:.2f}",
        )  # fmt: skip
    tables().print(table)


def show_ball(shelf: Path, name: str, as_json: bool) -> None:
    """Show all that is known of a ball."""
    import numpy as np

    from pipeline.shelf.folder import ball_path, read_shelf

    (ball,) = read_shelf(shelf, [name])
    written = _as_json(ball)
    if as_json:
        print_json(written)
        return
    facts = Table(title=str(ball_path(shelf, name)), show_header=False)
    for key, value in written.items():
        if value not in (None, "", 0):
            facts.add_row(key, f"{value:.6g}" if isinstance(value, float) else str(value))
    tables().print(facts)
    table = Table(title="Cd and Cl, with standard errors")
    table.add_column("Re")
    spins = ball.table.spin_ratio[:: max(1, len(ball.table.spin_ratio) // 4)]
    for s in spins:
        table.add_column(f"S {s:.3f}")
    for i in np.unique(np.linspace(0, ball.table.reynolds.size - 1, 6).astype(int)):
        cells = []
        for j in (int(np.argmin(np.abs(ball.table.spin_ratio - s))) for s in spins):
            of = ball.table
            mark = "" if ball.inside[i, j] else " (continued)"
            cells.append(
                f"{of.cd[i, j]:.3f} ± {of.cd_se[i, j]:.3f}, {of.cl[i, j]:.3f} ± {of.cl_se[i, j]:.3f}{mark}"
            )
        table.add_row(f"{ball.table.reynolds[i]:.0f}", *cells)
    tables().print(table)


def _as_json(ball: "ShelfBall") -> dict[str, object]:
    numbers = {
        key: None if math.isnan(value) else value
        for key in ("depth_m", "diameter_m", "mass_kg", "critical_reynolds", "critical_spread")
        if (value := getattr(ball, key)) is not None
    }
    texts = ("name", "kind", "pattern", "place", "source", "date", "conditions", "geometry", "note")
    return {key: getattr(ball, key) for key in texts} | numbers | {
        "balls": ball.balls,
        "shots": ball.shots,
        "reynolds": [float(ball.table.reynolds[0]), float(ball.table.reynolds[-1])],
        "spin_ratio": [float(ball.table.spin_ratio[0]), float(ball.table.spin_ratio[-1])],
    }  # fmt: skip


def rank(path: Path, shelf: Path | None, results_root: Path, as_json: bool, units: str | None = None) -> None:
    """Rank the balls of a shelf for a study's golfers; write table and picture, in the units named.

    Raises
    ------
    InputError
        The study, its launches or a ball is wrong, or the shelf is empty.
    """
    from pipeline.cli.study_input import check_launches
    from pipeline.decide.shelf_rank import best_of_patterns, rank_balls
    from pipeline.files.atomic import write_text
    from pipeline.records.tree import SHELF_FIGURE, SHELF_RANK
    from pipeline.report.drawing import save_png, settle, style
    from pipeline.report.shelf_figure import draw_shelf
    from pipeline.shelf.folder import read_shelf
    from pipeline.study.file import load_study

    study = load_study(path)
    check_launches(study)
    folder = shelf or study.shelf or Path("shelf")
    found = read_shelf(folder)
    if not found:
        raise InputError(f"{folder}: has no balls; depthline shelf add puts some there")
    with shown_progress(f"flying {len(found)} balls for {len(study.golfers)} golfers") as progress:
        ranked = rank_balls(study, found, progress)
    target = results_root / study.name
    target.mkdir(parents=True, exist_ok=True)
    write_text(target / SHELF_RANK, clean_csv(ranked))
    with style(), shown_in(units or study.units, study):
        draw = partial(draw_shelf, study, ranked)
        figure = draw()
        settle(figure)
        save_png(figure, target / SHELF_FIGURE)
    if as_json:
        listed = ranked.astype(object).where(ranked.notna(), None).to_dict("records")
        print_json(
            {"study": study.name, "shelf": str(folder), "rows": listed, "picture": str(target / SHELF_FIGURE)}
        )
        return
    with shown_in(units or study.units, study):
        for golfer, rows in ranked.groupby("golfer", sort=False):
            _print_ranking(str(golfer), rows, len(study.golfers) > 1)
        _print_heights(best_of_patterns(ranked[ranked["peak_height_m"].notna()]))
    outside = ranked[ranked["extrapolated"] > EXTRAPOLATION_WORTH_A_NOTE]
    if len(outside):
        worst = outside.sort_values("extrapolated").iloc[-1]
        warn(
            [
                f"{outside['ball'].nunique()} balls leave their tables in flight, {worst['ball']} for "
                f"{100 * worst['extrapolated']:.0f} % of the time of {worst['golfer']}; the coefficients at "
                "the edge are used there"
            ]
        )
    messages().print(f"wrote {target / SHELF_RANK} and {target / SHELF_FIGURE}")


def _print_ranking(golfer: str, rows: "pd.DataFrame", several: bool) -> None:
    table = Table(title=f"{golfer}: {len(rows)} balls, the best first")
    heads = (
        "rank", "ball", "kind", "depth", "carry, yd (m)", "to the first, yd", "peak height, yd (m)", "window",
    )  # fmt: skip
    for head in heads:
        table.add_column(shown(head), justify="left" if head in ("ball", "kind", "window") else "right")
    for row in rows.head(MOST_SHOWN).to_dict("records"):
        window = {True: "in", False: "outside"}.get(row["in_window"], "-")
        table.add_row(
            str(row["rank"]), row["ball"], row["kind"], millimetres(row["depth_m"]),
            yards_cell(row["carry_m"], row["carry_se_m"]), f"{row['difference_m'] / flight_m():+.1f}",
            yards_cell(row["peak_height_m"]), window,
        )  # fmt: skip
    tables().print(table)
    if len(rows) > MOST_SHOWN:
        messages().print(f"and {len(rows) - MOST_SHOWN} more in the CSV")


def _print_heights(best: "pd.DataFrame") -> None:
    table = Table(title="Each pattern at its best: depth, and the peak height that goes with it")
    for head in ("golfer", "pattern", "ball", "depth", "carry, yd (m)", "peak height, yd (m)"):
        table.add_column(shown(head), justify="left" if head in ("golfer", "pattern", "ball") else "right")
    for _, rows in best.groupby("golfer", sort=False):
        for row in rows.head(MOST_SHOWN).to_dict("records"):
            table.add_row(
                row["golfer"], row["pattern"] or "-", row["ball"], millimetres(row["depth_m"]),
                yards_cell(row["carry_m"], row["carry_se_m"]), yards_cell(row["peak_height_m"]),
            )  # fmt: skip
    tables().print(table)
