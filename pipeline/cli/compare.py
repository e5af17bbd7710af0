"""`depthline compare`: balls of studies, tables and the shelf at the same launches, as a page and a CSV."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.cli.output import messages, print_json, shown_progress, tables, warn
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.files.clean_numbers import clean_csv
from pipeline.records.tree import COEFFICIENTS, STUDY
from pipeline.study.model import Study
from pipeline.study.trade_units import share, shown, shown_in, yards_cell

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.decide.comparison import ComparedBall

CSV, PAGE = "comparison.csv", "comparison.html"
OUTSIDE_WORTH_A_NOTE = 0.05
"""Share of the flight outside a table from which the command warns."""

MOST_BALLS = 60
"""Balls that one comparison takes: every pair is a row of the CSV."""

_TEMPLATE = Path(__file__).with_name("compare.html.j2")


def compare(
    sources: Sequence[str],
    golfers: Path | None,
    against: str | None,
    shelf: Path | None,
    results_root: Path,
    folder: Path,
    as_json: bool,
    units: str | None = None,
) -> None:
    """Compare balls: write comparison.csv and comparison.html, print them against one.

    Parameters
    ----------
    sources : sequence of str
        Study files whose results are there, results folders, tables (CSV) and names of balls of the shelf.
    golfers : Path or None
        Study file whose golfers, ball and air all are flown with; the first study among the sources when
        None.
    against : str or None
        Ball that the page and the terminal set the others against; the first when None.
    shelf : Path or None
        Folder of the shelf; that of the study, or `shelf`, when None.
    results_root : Path
        Folder that holds the results of all studies.
    folder : Path
        Where to write.
    as_json : bool
        Print the rows as one JSON object.
    units : str, optional
        "trade" or "SI"; those of the golfers' study when absent.

    Raises
    ------
    InputError
        A source is none of these, there are fewer than two balls, or too many.
    """
    like = _golfers_of(sources, golfers, results_root)
    with shown_in(units or like.units, like):
        _compare(like, sources, against, shelf, results_root, folder, as_json)


def _compare(
    like: Study,
    sources: Sequence[str],
    against: str | None,
    shelf: Path | None,
    results_root: Path,
    folder: Path,
    as_json: bool,
) -> None:
    from pipeline.decide.comparison import differences

    with shown_progress("flying the balls") as progress:
        balls = []
        for place, source in enumerate(sources):
            balls += _balls(source, like, shelf or like.shelf or Path("shelf"), results_root)
            progress((place + 1) / len(sources))
    names = [ball.name for ball in balls]
    if len(names) < 2:
        raise InputError(f"{sources[0]}: is one ball; a comparison needs two or more")
    if len(names) > MOST_BALLS:
        raise InputError(f"{len(names)} balls are too many to compare; at most {MOST_BALLS}")
    if twice := [name for name in names if names.count(name) > 1]:
        raise InputError(f"{twice[0]}: is there twice; name each study, table and ball once")
    if against is not None and against not in names:
        raise InputError(f"--against: {against}: must be one of {', '.join(names)}")
    first = against or names[0]
    frame = differences(like.golfers, balls)
    write_text(folder / CSV, clean_csv(frame))
    write_text(folder / PAGE, _page(like, balls, frame, first))
    _warn_outside(frame)
    if as_json:
        rows = json.loads(frame.to_json(orient="records", double_precision=15))
        print_json({"golfers_of": like.name, "balls": names, "rows": rows})
    else:
        _print(frame, first)
    messages().print(f"wrote {CSV}, {PAGE} in {folder}")


def _results_of(source: str, results_root: Path) -> Path | None:
    """Results folder that a source names; None when it is no study."""
    path = Path(source)
    if path.is_dir():
        return path if (path / STUDY).is_file() else None
    if path.suffix in (".yaml", ".yml"):
        from pipeline.study.file import load_study

        return results_root / load_study(path).name
    return None


def _study_in(results: Path) -> Study:
    if not (results / COEFFICIENTS).is_file():
        raise InputError(f"{results}: has no coefficients.csv yet; compute the study first (depthline run)")
    return Study.from_json(results / STUDY)


def _golfers_of(sources: Sequence[str], golfers: Path | None, results_root: Path) -> Study:
    from pipeline.cli.study_input import check_launches
    from pipeline.study.file import load_study

    if golfers is not None:
        study = load_study(golfers)
        check_launches(study)
        return study
    for source in sources:
        if (results := _results_of(source, results_root)) is not None:
            return _study_in(results)
    raise InputError(
        "--golfers: is missing; name a study file whose golfers, ball and air all are flown with"
    )


def _balls(source: str, like: Study, shelf: Path, results_root: Path) -> "list[ComparedBall]":
    from pipeline.decide.comparison import ball_of_shelf, balls_of_results
    from pipeline.shelf.folder import ball_path, read_shelf
    from pipeline.shelf.plain_table import ball_of_table

    results = _results_of(source, results_root)
    if results is not None:
        return balls_of_results(like, _study_in(results), results)
    if ball_path(shelf, source).is_file():
        return [ball_of_shelf(like, ball) for ball in read_shelf(shelf, [source])]
    if Path(source).is_file():
        return [ball_of_shelf(like, ball_of_table(Path(source), Path(source).stem))]
    raise InputError(
        f"{source}: is no study file, no results folder, no table (CSV), and no ball of the shelf {shelf}"
    )


def _warn_outside(frame: "pd.DataFrame") -> None:
    worst = max(frame.to_dict("records"), key=lambda row: row["extrapolated"])
    if worst["extrapolated"] > OUTSIDE_WORTH_A_NOTE:
        warn(
            [
                f"{worst['ball']}: {100 * worst['extrapolated']:.0f} % of the flight time of "
                f"{worst['golfer']} is outside its table; the coefficients at the edge are used there"
            ]
        )


def _print(frame: "pd.DataFrame", first: str) -> None:
    from rich.table import Table

    for golfer, rows in frame[frame["against"] == first].groupby("golfer", sort=False):
        table = Table(title=f"{golfer}: against {first}, same launches")
        table.add_column("ball")
        for head in ("carry, yd (m)", "carry less, yd (m)", "peak height less, yd (m)"):
            table.add_column(shown(head), justify="right")
        for row in rows.to_dict("records"):
            table.add_row(
                row["ball"],
                yards_cell(row["carry_m"], row["carry_se_m"]),
                yards_cell(row["carry_difference_m"], row["carry_difference_se_m"]),
                yards_cell(row["peak_height_difference_m"], row["peak_height_difference_se_m"]),
            )
        tables().print(table)


def _page(like: Study, balls: "Sequence[ComparedBall]", frame: "pd.DataFrame", first: str) -> str:
    from pipeline.cli.compare_figure import difference_figure
    from pipeline.report.drawing import inline_svg, settle, style
    from pipeline.report.pictures import render
    from pipeline.report.table import Cell, Table

    parts: list[dict[str, object]] = []
    with style():
        for place, (golfer, rows) in enumerate(
            frame[frame["against"] == first].groupby("golfer", sort=False), start=1
        ):
            figure = difference_figure(rows, first)
            settle(figure)
            caption = f"{golfer}: carry less that of {first}, with 90 % bars"
            cells = [
                [
                    Cell(row["ball"]),
                    Cell(yards_cell(row["carry_m"], row["carry_se_m"])),
                    Cell(yards_cell(row["carry_difference_m"], row["carry_difference_se_m"])),
                    Cell(yards_cell(row["peak_height_m"], row["peak_height_se_m"])),
                    Cell(yards_cell(row["peak_height_difference_m"], row["peak_height_difference_se_m"])),
                    Cell(
                        share(row["extrapolated"], 0),
                        "warn" if row["extrapolated"] > OUTSIDE_WORTH_A_NOTE else "",
                    ),
                ]
                for row in rows.to_dict("records")
            ]
            columns = (
                "Ball", "Carry ± standard error, yd (m)", "Carry less the other's, yd (m)",
                "Peak height ± standard error, yd (m)", "Peak height less the other's, yd (m)",
                "Time outside the table",
            )  # fmt: skip
            parts.append(
                {
                    "golfer": golfer,
                    "markup": inline_svg(figure, f"difference-{place}", caption),
                    "caption": caption,
                    "table": Table(f"{golfer}: against {first}", columns, cells),
                }
            )
    sources = sorted({ball.source for ball in balls})
    return render(_TEMPLATE, {"like": like, "first": first, "parts": parts, "sources": sources})
