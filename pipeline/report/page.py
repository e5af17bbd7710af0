"""Report of a study: one HTML page that opens offline, and its figures as PNG files."""

import datetime
import io
import json
import logging
import math
import tempfile
from collections.abc import Mapping
from functools import partial
from pathlib import Path

from markupsafe import Markup, escape

from pipeline import __version__
from pipeline.aero.model import CoefficientModel
from pipeline.decide.flights.golfer import as_flown, in_words
from pipeline.decide.flights.models import models_of
from pipeline.geometry.ball.classes import size_classes
from pipeline.records.tree import FIGURES, REPORT, STUDY_FILE, TABLES, variant_folder
from pipeline.report import correction_part, figures, finer_part, limits, rounds_figure, station_tables
from pipeline.report.ball_picture import draw_balls
from pipeline.report.ball_surfaces import ball_surfaces
from pipeline.report.colours import DepthColours
from pipeline.report.decision_tables import decision_table, moulding_table, scenario_table
from pipeline.report.drawing import settle, style
from pipeline.report.flight_conditions import draw_passages, passage_table, study_passages
from pipeline.report.inputs import Inputs, read_inputs
from pipeline.report.layout_pictures import made_ball, map_figure, section_figure
from pipeline.report.page_data import page_data
from pipeline.report.panels import gathered
from pipeline.report.pictures import Figures, Picture, write_page
from pipeline.report.program import as_json, library, scripts
from pipeline.report.references import References, facts_of, reference_table, references_of
from pipeline.report.series import (
    CoefficientChart,
    DepthChart,
    LevelLine,
    coefficient_charts,
    depth_charts,
    model_curves,
    path_charts,
)
from pipeline.report.trade_copies import write_trade_copies
from pipeline.study.model import AirSpec, Study
from pipeline.study.trade_units import diameter, millimetres, number, shown_in, unbroken

_TEMPLATE = Path(__file__).with_name("page.html.j2")
_OUR_FIGURES = (
    "conditions.png",
    "rounds.png",
    "carry-*.png",
    "flights-*.png",
    "coefficients-*.png",
    "corrected-*.png",
    "measured-*.png",
    "ball-*.png",
    "layout-*.png",
)

_LAYOUT_DPI = 110
"""Maps have hundreds of outlines: as pixels they are a tenth of their size as vectors."""

_BALL_PIXELS = 420
"""Width of a ball's picture in the page: five stand side by side in print."""

_log = logging.getLogger(__name__)


def write_report(study: Study, results: Path, units: str | None = None) -> Path:
    """Write report.html, figures/*.png and the copies in trade units of a study.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, with coefficients.csv, flights.csv and decision.json. Pictures of the ball that
        cannot be drawn are left out, with a note in the page and a warning in the log.
    units : str, optional
        "trade" or "SI"; those of the study when absent.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        A file of the results is missing or broken.
    """
    results = Path(results)
    inputs = read_inputs(study, results)
    colours = DepthColours(
        depth for variant in inputs.variants if (depth := inputs.depth_m(variant)) is not None
    )
    drawn = Figures(results / FIGURES, _OUR_FIGURES)
    known = references_of(study)
    with style(), shown_in(units or study.units, study):
        values = _content(inputs, results, colours, drawn, known)
        drawn.remove_stale()
        write_page(results / REPORT, _TEMPLATE, values)
    write_trade_copies(results)
    return results / REPORT


def _content(
    inputs: Inputs, results: Path, colours: DepthColours, drawn: Figures, known: References
) -> dict[str, object]:
    """Return everything that the template shows."""
    study = inputs.study
    problems: list[str] = []
    models = models_of(study, inputs.coefficients).models
    depths = depth_charts(inputs)
    coefficients = coefficient_charts(inputs, model_curves(results / TABLES), models)
    return {
        "study": study,
        "data": as_json(page_data(inputs, models, depths, coefficients, colours, known)),
        "surfaces": as_json(ball_surfaces(inputs, results)),
        "library": library(),
        "scripts": scripts(),
        "study_file": _study_file(results),
        "moved": inputs.decision.moving_dimples is not None,
        "study_json": json.dumps(study.to_json(), indent=1, ensure_ascii=False),
        "facts_of_study": _facts(inputs),
        "advice": _advice(inputs),
        "decision": decision_table(inputs),
        "scenarios": scenario_table(inputs),
        "moulding": moulding_table(inputs),
        "depth_pictures": _depth_pictures(inputs, depths, colours, drawn, known),
        "correction": correction_part.content(inputs.decision.correction, drawn),
        "references": reference_table(inputs, known),
        "facts_of_references": facts_of(known),
        "flights": _flights(inputs, models, colours, drawn),
        "flight_conditions": _flight_conditions(inputs, results, drawn),
        "coefficients": _coefficients(coefficients, colours, drawn, known),
        "balls": _balls(inputs, drawn, problems),
        "ball_problems": problems,
        "layouts": _layouts(inputs, results, drawn),
        "geometry": station_tables.geometry_table(inputs),
        "rounds": _rounds(inputs, results, drawn),
        "finer": None
        if inputs.decision.finer_mesh is None
        else finer_part.pairs_table(inputs.decision.finer_mesh),
        "runs": station_tables.run_table(inputs),
        "run_counts": _run_counts(inputs),
        "limits": limits.limits(inputs),
        "outside": limits.outside_table(inputs),
        "rules": limits.rules_table(inputs),
        "symmetry": limits.symmetry_sentence(inputs),
        "product": _product(inputs),
        "notes": limits.notes(inputs),
        "origin": _origin(inputs),
    }


def _study_file(results: Path) -> Markup | None:
    """Text of the study file, in the units in which it was written; None where no copy of it was kept."""
    path = results / STUDY_FILE
    return escape(path.read_text(encoding="utf-8", errors="replace")) if path.is_file() else None


def _advice(inputs: Inputs) -> list[dict[str, object]]:
    """Every golfer's advice, with the launches flown."""
    return [
        {
            "golfer": of.golfer,
            "shot": in_words(as_flown(golfer)),
            "headline": unbroken(of.headline),
            "text": unbroken(of.sentences[0]) if of.sentences else "",
            "more": unbroken(" ".join(of.sentences[1:])),
            "state": of.state,
        }
        for golfer, of in zip(inputs.study.golfers, inputs.decision.advice, strict=True)
    ]


def _product(inputs: Inputs) -> dict[str, object] | None:
    """Sentences on one product for all golfers, the headline by itself; None where there are none."""
    sentences = [unbroken(text) for text in inputs.decision.product.sentences]
    return {"headline": sentences[0], "more": sentences[1:]} if sentences else None


def _facts(inputs: Inputs) -> list[tuple[str, str]]:
    study = inputs.study
    return [
        ("Ball", f"{diameter(study.ball.diameter_m)}, {number(1e3 * study.ball.mass_kg, 2, 'g')}"),
        ("Patterns", ", ".join(pattern.name for pattern in study.patterns)),
        ("Flow", f"{study.flow.fidelity}, {study.flow.level} mesh, {len(inputs.plan)} runs"),
        *([(f"Air, {of.name}", _air(of.air)) for of in study.scenarios] or [("Air", _air(study.air))]),
    ]


def _air(air: AirSpec) -> str:
    parts = []
    if air.altitude_m is not None:
        parts.append(f"altitude {air.altitude_m:.0f} m")
    if air.temperature_k is not None:
        parts.append(f"{air.temperature_k - 273.15:.1f} degC")
    if air.pressure_pa is not None:
        parts.append(f"{air.pressure_pa / 100:.2f} hPa")
    parts.append(f"humidity {100 * air.humidity:.0f} %")
    from_deg = round(math.degrees(air.wind.from_rad))
    wind = f"wind {air.wind.speed_m_s:.1f} m/s from {from_deg} deg (0 deg is a headwind)"
    if air.wind.profile != "uniform":
        wind += f" at {air.wind.height_m:g} m, {air.wind.profile} profile"
    parts.append(wind if air.wind.speed_m_s else "no wind")
    return ", ".join(parts)


def _depth_pictures(
    inputs: Inputs, charts: list[DepthChart], colours: DepthColours, drawn: Figures, known: References
) -> list[Picture]:
    patterns = [pattern.name for pattern in inputs.study.patterns]
    pictures = []
    for place, chart in enumerate(charts, start=1):
        caption = f"{chart.golfer}: carry and peak height against surface depth."
        levels = [
            LevelLine(ball.name, of.carry_m, of.peak_height_m)
            for ball in known.balls
            for of in (known.flights[chart.golfer, ball.name],)
        ]
        draw = partial(figures.draw_depth_chart, chart, patterns, colours, levels)
        pictures.append(drawn.keep(draw, f"carry-{place}", caption))
    return pictures


def _flights(
    inputs: Inputs, models: Mapping[str, CoefficientModel], colours: DepthColours, drawn: Figures
) -> list[dict[str, object]]:
    found = []
    for place, chart in enumerate(path_charts(inputs, models), start=1):
        caption = (
            f"{chart.golfer}: flight paths of the mean shot from the side, heights at twice their scale."
        )
        picture = drawn.keep(partial(figures.draw_path_chart, chart, colours), f"flights-{place}", caption)
        found.append({"picture": picture, "table": station_tables.flight_table(inputs, chart.golfer)})
    return found


def _flight_conditions(inputs: Inputs, results: Path, drawn: Figures) -> dict[str, object] | None:
    """Return where in Re and S the flights lie; None for results without tables."""
    found = study_passages(inputs, results)
    if not found:
        return None
    caption = (
        "Where the flights with the study's own tables spend their time; points are the runs, the frame is "
        "the matrix that they span."
    )
    draw = partial(draw_passages, inputs.study, found)
    return {
        "picture": drawn.keep(draw, "conditions", caption),
        "table": passage_table(inputs.study, found),
    }


def _rounds(inputs: Inputs, results: Path, drawn: Figures) -> dict[str, object] | None:
    """Return the rounds in which a study chose its runs; None for one whose matrix was computed."""
    rows = rounds_figure.rounds_of(inputs.study, results)
    if not rows:
        return None
    caption = (
        "Runs by the round that chose them, dark to bright, and the regret that was expected before each "
        "round: what cutting the depth that was best then gives away, on average."
    )
    draw = partial(rounds_figure.draw_rounds, rows)
    return {"picture": drawn.keep(draw, "rounds", caption), "table": rounds_figure.rounds_table(rows)}


def _coefficients(
    charts: list[CoefficientChart], colours: DepthColours, drawn: Figures, known: References
) -> list[dict[str, object]]:
    found = []
    for chart in charts:
        pictures = []
        for against, words in (("spin_ratio", "spin ratio"), ("reynolds", "Reynolds number")):
            caption = f"{chart.pattern}: Cd and Cl against {words}, runs and model at each surface depth."
            if any(values.any() for values in chart.added.values()):
                caption += " Runs stand where they are flown, corrections added; as computed in the tables."
            if gathered(chart, against) is not chart:
                caption += " Runs that lie between the panels stand in the nearest."
            name = f"coefficients-{chart.pattern}-{words.split()[0].lower()}"
            draw = partial(figures.draw_coefficients, gathered(chart, against), against, colours, known.balls)
            pictures.append(drawn.keep(draw, name, caption))
        found.append({"pictures": pictures, "tables": station_tables.coefficient_tables(chart)})
    return found


def _balls(inputs: Inputs, drawn: Figures, problems: list[str]) -> dict[str, object]:
    """Draw the ball at each depth; what cannot be drawn is left out and reported."""
    keys = [(variant.pattern, variant.key) for variant in inputs.variants]
    deepest = [found.depth_max_m for found in inputs.totals.values() if found.depth_max_m is not None]
    pictures: list[Picture] = []
    with tempfile.TemporaryDirectory(prefix="depthline-") as folder:
        wanted = {
            Path(folder) / f"{pattern}-{key}.png": inputs.skins[pattern, key]
            for pattern, key in keys
            if (pattern, key) in inputs.skins
        }
        if len(wanted) < len(keys):
            problems.append(f"pictures of the ball: {len(keys) - len(wanted)} of {len(keys)} have no surface")
        if deepest:
            problems += draw_balls(wanted, inputs.study.ball.diameter_m, max(deepest))
        for variant in inputs.variants:
            path = Path(folder) / f"{variant.pattern}-{variant.key}.png"
            if path.is_file():
                caption = f"{variant.pattern}, surface depth {millimetres(inputs.depth_m(variant))}"
                name = f"ball-{variant.pattern}-{variant.key}"
                pictures.append(drawn.keep_png(path.read_bytes(), name, caption, _BALL_PIXELS))
    for problem in problems:
        _log.warning("%s", problem)
    scale = None
    if pictures:
        scale = drawn.keep(
            partial(figures.draw_surface_scale, 1e6 * max(deepest)),
            "ball-scale",
            "Colour scale in micrometres.",
        )
    return {"pictures": pictures, "scale": scale}


def _layouts(inputs: Inputs, results: Path, drawn: Figures) -> list[Picture]:
    """Draw map and sections of each pattern, the sections at the middle one of its depths."""
    pictures = []
    for pattern in inputs.study.patterns:
        own = [variant for variant in inputs.variants if variant.pattern == pattern.name]
        middle = own[len(own) // 2]
        ball = made_ball(variant_folder(results, pattern.name, middle.key))
        if ball is None or not len(ball.layout.directions):
            continue
        classes = size_classes(ball)
        for kind, figure, caption in (
            ("map", map_figure(ball, classes), "both halves, areas true to scale, coloured by size class"),
            (
                "sections",
                section_figure(ball, classes),
                f"sections of the size classes at a surface depth of {millimetres(inputs.depth_m(middle))}, "
                "lengths in mm",
            ),
        ):
            settle(figure)
            image = io.BytesIO()
            figure.savefig(image, format="png", dpi=_LAYOUT_DPI)
            name = f"layout-{pattern.name}-{kind}"
            pictures.append(drawn.keep_png(image.getvalue(), name, f"{pattern.name}: {caption}."))
    return pictures


def _run_counts(inputs: Inputs) -> str:
    counts = inputs.coefficients["verdict"].value_counts()
    return ", ".join(f"{count} {verdict}" for verdict, count in counts.items())


def _origin(inputs: Inputs) -> list[tuple[str, str]]:
    """Return versions, dates and the cost of the numbers."""
    coefficients = inputs.coefficients
    solvers = sorted(set(coefficients["solver"].dropna())) or ["none"]
    days = sorted({run.started_at[:10] for run in inputs.runs.values() if run.started_at})
    seconds = float(coefficients["core_seconds"].sum())
    now = datetime.datetime.now(datetime.UTC)
    return [
        ("Depthline", __version__),
        ("Flow solver", ", ".join(solvers)),
        ("Runs computed", " to ".join(dict.fromkeys([days[0], days[-1]])) if days else "none"),
        ("Report written", f"{now:%Y-%m-%d %H:%M} UTC"),
        ("Core hours of all runs", number(seconds / 3600, 2)),
    ]
