"""`depthline cutlist`: what the toolmaker gets for one ball of a study."""

import datetime
import math
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from pipeline.cli.cutlist_summary import ClassRow, CutListSummary, ToleranceRow
from pipeline.cli.one_ball import OneBall, one_ball, quantity
from pipeline.cli.order import decided_balls
from pipeline.cli.output import messages, print_json
from pipeline.cli.shop_checks import check_measures
from pipeline.cli.study_input import read_study
from pipeline.errors import InputError, MissingError
from pipeline.files.atomic import write_text
from pipeline.geometry.ball.classes import SizeClass, size_classes
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.build import SKIN_N
from pipeline.geometry.layout.seam import MOULD_PLANE
from pipeline.geometry.tooling import step
from pipeline.geometry.tooling.cutlist import (
    CAVITY_PREFIX,
    MEASURES,
    Column,
    as_csv,
    cut_list,
    cuts_by_class,
    in_inches,
)
from pipeline.geometry.tooling.drawings import draw_coordinates
from pipeline.geometry.tooling.mould import Tooling, cavity_of
from pipeline.geometry.tooling.skin import check_skin, half_skins, skin, write_skin
from pipeline.records.decision import Decision
from pipeline.records.record import read
from pipeline.records.tree import CUTLIST, DECISION, TRADE
from pipeline.study.keys import depth_key, edge_angle_key
from pipeline.study.trade_units import breakable, in_si, made_by, shown_in
from pipeline.study.units import LENGTH, SHARE

CSV, PAGE, BALL, CAVITY = "cutlist.csv", "cutlist.html", "finished_ball", "cavity"
HALVES = ("upper", "lower")
_TEMPLATE = Path(__file__).with_name("cutlist.html.j2")


@dataclass(frozen=True)
class Issue:
    """Number and revision that a cut list carries; an empty number stands for STUDY-PATTERN-KEY."""

    number: str = ""
    revision: str = "A"


def write_cut_list(
    path: Path,
    results_root: Path,
    pattern: str | None,
    depth: str | None,
    edge_angle: str | None,
    tooling: dict[str, str],
    folder: Path | None,
    as_json: bool,
    issue: Issue | None = None,
    units: str | None = None,
) -> None:
    """Write cutlist.csv, cutlist.html and the surfaces of one ball: finished, and the halves of its cavity.

    Surfaces are STL and, where the CAD kernel is installed, STEP; of the cavity they are those of the body
    that fills it.

    Parameters
    ----------
    path, results_root, pattern, depth, edge_angle
        As for `pipeline.cli.one_ball.one_ball`.
    tooling : dict
        Texts of the options --shrinkage, --land-finish and --dimple-finish.
    folder : Path or None
        Where to write; RESULTS/STUDY/cutlist/PATTERN/KEY when None.
    as_json : bool
        Print the totals and the classes as one JSON object.
    issue : Issue, optional
        Number and revision of the list; made of the study's names, revision A, when absent.
    units : str, optional
        Units of the page, "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        If the study or an option is wrong, or the ball cannot be made so.
    """
    issue = issue or Issue()
    summary = _write_one(path, results_root, pattern, depth, edge_angle, tooling, folder, issue, units)
    if as_json:
        print_json(summary)


def write_decided(
    path: Path,
    results_root: Path,
    tooling: dict[str, str],
    folder: Path | None,
    as_json: bool,
    issue: Issue,
    units: str | None = None,
) -> None:
    """Write the cut lists of every ball that was decided or short-listed, each in PATTERN/KEY of the folder.

    Parameters
    ----------
    path, results_root, tooling, folder, as_json, issue, units
        As of `write_cut_list`; a number gets "-1", "-2" and so on.

    Raises
    ------
    InputError
        As of `write_cut_list`, or the decision asks for no prototype.
    """
    study = read_study(path)
    results = results_root / study.name
    balls = decided_balls(study, results, path)
    by_angle = {pattern.name for pattern in study.patterns if pattern.edge_angles_rad}
    summaries = []
    for place, ball in enumerate(balls, start=1):
        own = Issue(f"{issue.number}-{place}" if issue.number else "", issue.revision)
        depth: str | None = f"{1e3 * ball.depth_m:.4f} mm"
        angle, key = None, depth_key(ball.depth_m)
        if ball.pattern in by_angle and ball.edge_angle_deg is not None:
            depth, angle = None, f"{ball.edge_angle_deg:.4f} deg"
            key = edge_angle_key(math.radians(ball.edge_angle_deg))
        to = (folder or results / CUTLIST) / ball.pattern / key
        summaries.append(
            _write_one(path, results_root, ball.pattern, depth, angle, tooling, to, own, units or study.units)
        )
    if as_json:
        print_json({"study": study.name, "cut_lists": summaries})


def _write_one(
    path: Path,
    results_root: Path,
    pattern: str | None,
    depth: str | None,
    edge_angle: str | None,
    tooling: dict[str, str],
    folder: Path | None,
    issue: Issue,
    units: str | None,
) -> CutListSummary:
    """Write the files of one ball; what its list says, in short."""
    kinds = {"--shrinkage": SHARE, "--land-finish": LENGTH, "--dimple-finish": LENGTH}
    tool = Tooling(*(quantity(option, tooling[option], kind) for option, kind in kinds.items()))
    found = one_ball(path, results_root, pattern, depth, edge_angle)
    folder = folder or found.results / CUTLIST / found.pattern / found.key
    cavity = cavity_of(found.ball, tool)
    classes = size_classes(found.ball)
    table = cut_list(found.ball, cavity, classes)
    surface = skin(found.ball, SKIN_N)
    check_skin(surface, found.ball)
    parts = half_skins(cavity, SKIN_N)
    class_rows, cuts, tolerances = (
        _class_rows(table, classes),
        cuts_by_class(table, classes),
        _tolerances(found),
    )
    summary: CutListSummary = {
        "study": found.study.name,
        "number": issue.number or f"{found.study.name}-{found.pattern}-{found.key}",
        "revision": issue.revision,
        "date": f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d}",
        "pattern": found.pattern,
        "variant": found.key,
        "ball_diameter_mm": 1e3 * found.ball.ball_diameter_m,
        "cavity_diameter_mm": 1e3 * cavity.ball_diameter_m,
        "shrinkage": tool.shrinkage,
        "land_finish_mm": 1e3 * tool.land_finish_m,
        "dimple_finish_mm": 1e3 * tool.dimple_finish_m,
        "totals": totals(found.ball).content(),
        "classes": class_rows,
        "cuts": cuts,
        "tolerances": tolerances,
        "checks": check_measures(found, class_rows, cuts, tolerances),
    }
    write_text(folder / CSV, as_csv(table))
    write_text(folder / TRADE / CSV, as_csv(in_inches(table)))
    with shown_in(units or found.study.units, found.study):
        write_text(folder / PAGE, _page(found, classes, table, summary))
    write_skin(folder / f"{BALL}.stl", surface)
    for half, part in zip(HALVES, parts, strict=True):
        write_skin(folder / f"{CAVITY}_{half}.stl", part)
    written = [CSV, f"{TRADE}/{CSV}", PAGE, f"{BALL}.stl", *(f"{CAVITY}_{half}.stl" for half in HALVES)]
    written += _step_files(found.ball, cavity, folder)
    messages().print(f"wrote {', '.join(written)} in {folder}")
    return summary


def _step_files(ball: DimpledBall, cavity: DimpledBall, folder: Path) -> list[str]:
    """Write the STEP files that can be made, and report those that cannot; their names."""
    names: list[str] = []
    try:
        with messages().status("STEP of the finished ball, some seconds"):
            step.write_step(folder / f"{BALL}.step", step.ball_solid(ball))
        names.append(f"{BALL}.step")
        names += _half_step_files(ball, cavity, folder)
    except (InputError, MissingError) as error:
        messages().print(f"no {'more ' if names else ''}STEP files: {error}")
    return names


def _half_step_files(ball: DimpledBall, cavity: DimpledBall, folder: Path) -> list[str]:
    if ball.layout.seam is not None and ball.layout.seam.waves:
        messages().print(
            "no STEP files of the cavity's halves: the seam undulates; their STL files follow it"
        )
        return []
    names = [f"{CAVITY}_{half}.step" for half in HALVES]
    with messages().status("STEP of the cavity's halves, some seconds"):
        for name, solid in zip(names, step.half_solids(cavity), strict=True):
            step.write_step(folder / name, solid)
    return names


def _class_rows(table: dict[str, Column], classes: list[SizeClass]) -> list[ClassRow]:
    """Count, share of area, and mean measures of each class; None for what its section has not."""
    rows = []
    area = table["chord_diameter_mm"] ** 2
    for size_class in classes:
        own = table["class"] == size_class.name
        row: dict[str, str | int | float | None] = {
            "class": size_class.name,
            "count": len(size_class.members),
            "area_share": float(area[own].sum() / area.sum()),
        }
        for name in (*MEASURES, *(CAVITY_PREFIX + measure for measure in MEASURES)):
            mean = float(np.mean(table[name][own]))
            row[name] = None if np.isnan(mean) else mean
        rows.append(cast(ClassRow, row))
    return rows


def _tolerances(found: OneBall) -> list[ToleranceRow]:
    """Best depth and tolerance of the pattern for each golfer; nothing before the study is decided."""
    path = found.results / DECISION
    if not path.is_file():
        return []
    return [
        ToleranceRow(
            golfer=row.golfer,
            best_depth_m=row.best_depth_m,
            best_depth_lo_m=row.best_depth_lo_m,
            best_depth_hi_m=row.best_depth_hi_m,
            tolerance_m=row.tolerance_m,
            tolerance_edge_angle_deg=row.tolerance_edge_angle_deg,
            tolerance_diameter_m=row.tolerance_diameter_m,
        )
        for row in read(path, Decision).rows
        if row.pattern == found.pattern
    ]


def _headline(found: OneBall) -> str:
    of = totals(found.ball)
    return breakable(made_by(of.depth_m, of.edge_angle_deg, found.by_angle)) or found.key


def _page(found: OneBall, classes: list[SizeClass], table: dict[str, Column], summary: CutListSummary) -> str:
    from pipeline.report.drawing import inline_svg, new_figure, settle, style
    from pipeline.report.layout_pictures import map_figure, section_figure
    from pipeline.report.pictures import render

    with style():
        coordinates = new_figure(3.4, 3.1)
        draw_coordinates(coordinates.subplots())
        pictures = {}
        for name, figure, caption in (
            ("map", map_figure(found.ball, classes), "Both halves, areas true to scale, coloured by class"),
            ("sections", section_figure(found.ball, classes), "Section of each class, to scale"),
            ("coordinates", coordinates, "Coordinate system of the list"),
        ):
            settle(figure)
            pictures[name] = inline_svg(figure, name, caption)
    seam = found.ball.layout.seam or MOULD_PLANE
    polygons = bool(found.ball.perimeters.sides.any())
    perimeter = ("sides", "turn_deg") if polygons else ()
    columns = ("dimple", "class", "half", "polar_deg", "azimuth_deg", *perimeter, *MEASURES[:5])
    cells = [line.split(",") for line in as_csv({name: table[name] for name in columns}).splitlines()[1:]]
    values = {
        "summary": summary,
        "made_by": _headline(found),
        "pictures": pictures,
        "columns": columns,
        "rows": cells,
        "about": found.study.about,
        "polygons": polygons,
        "amplitude_deg": np.degrees(seam.amplitude_rad),
        "waves": seam.waves,
        "inches": not in_si(),
    }
    return render(_TEMPLATE, values)
