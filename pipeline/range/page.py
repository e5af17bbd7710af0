"""Writes the page of a reduction: coefficients, faults of the firings, errors it must stay within."""

import datetime
import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from pipeline import __version__
from pipeline.files.atomic import write_text
from pipeline.range.diagnosis import Finding
from pipeline.range.figures import draw_balls, draw_coefficients, draw_needs, draw_residuals
from pipeline.range.firings import Firings
from pipeline.range.measures import WANTED_CD, WANTED_CL, GateSummary, Needs, ShotEstimates
from pipeline.range.record import Carry
from pipeline.range.reduce import Reduction
from pipeline.range.results import CAUTION, ball_rows, coefficient_rows
from pipeline.report.drawing import style
from pipeline.report.pictures import Figures, Picture, render
from pipeline.report.table import Cell, Table
from pipeline.study.trade_units import number, yards

_BAD = ("mis-timed gate", "swapped unit", "wrong mass", "launch speed", "terms")


def write_page(
    folder: Path,
    reduction: Reduction,
    firings: Firings,
    estimates: ShotEstimates,
    gates: Sequence[GateSummary],
    needed: Needs,
    found: Sequence[Finding],
    carried: Sequence[Carry],
    launch: str,
) -> Path:
    """Write report.html and its figures as PNG; the page's path."""
    figures = Figures(folder / "figures", ("*.png",))
    balls = ball_rows(reduction, firings)
    with style():
        pictures = [
            figures.keep(
                partial(draw_coefficients, reduction, estimates),
                "coefficients",
                "Cd and Cl of every shot with the error of its gates, and the fit with its 90 % "
                "band where shots were fired.",
            ),
            figures.keep(partial(draw_residuals, reduction), "residuals", "Residuals by gate."),
            figures.keep(partial(draw_needs, gates), "placing", "What a misplaced gate does."),
        ]
        if draw_balls(balls) is not None:
            pictures.append(_balls(figures, balls))
    figures.remove_stale()
    values = {
        "caution": CAUTION,
        "pictures": pictures,
        "launch": launch,
        "carry": _carry(carried),
        "coefficients": _coefficients(reduction),
        "gates": _gates(gates),
        "needs": _needs(needed),
        "findings": [(one.kind, one.text, one.kind in _BAD) for one in found],
        "bad": sum(one.kind in _BAD for one in found),
        "origin": [
            ("Depthline", __version__),
            ("Shots", f"{len(reduction.data.pattern)}, {int((~reduction.shot_kept).sum())} left out"),
            ("Balls", str(len(reduction.data.balls))),
            ("Page written", f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d %H:%M} UTC"),
        ],
    }
    path = folder / "report.html"
    write_text(path, render(Path(__file__).with_name("page.html.j2"), values))
    return path


def _balls(figures: Figures, balls: Sequence[Sequence[object]]) -> Picture:
    def draw():  # type: ignore[no-untyped-def]
        figure = draw_balls(balls)
        assert figure is not None
        return figure

    return figures.keep(draw, "balls", "Balls as moulded.")


def _carry(rows: Sequence[Carry]) -> Table:
    cells = []
    for row in rows:
        outside = row.extrapolated
        cells.append(
            [
                Cell(row.pattern),
                Cell(yards(row.carry_m)),
                Cell(f"{yards(row.carry_lo_m)} to {yards(row.carry_hi_m)}"),
                Cell(yards(row.peak_height_m)),
                Cell(f"{100 * outside:.0f} %", "warn" if outside > 0.05 else ""),
            ]
        )
    return Table(
        "", ("pattern", "carry", "90 % interval", "peak height", "flight time outside the shots"), cells
    )


def _coefficients(reduction: Reduction) -> Table:
    rows = []
    for row in coefficient_rows(reduction):
        if row.value is not None and row.se is not None:
            value = [Cell(f"{row.value:.4f}"), Cell(f"{row.se:.4f}")]
        else:
            value = [Cell("not determined by these shots"), Cell("")]
        rows.append([Cell(row.pattern), Cell(row.of.capitalize()), Cell(row.term), *value])
    return Table(
        "Re in 1e5, depth in 0.1 mm from the mean of the pattern's balls",
        ("pattern", "of", "term", "coefficient", "standard error"),
        rows,
        labels=3,
    )


def _gates(gates: Sequence[GateSummary]) -> Table:
    rows = [
        [
            Cell(gate.gate),
            Cell(str(gate.times)),
            Cell(number(1e6 * gate.late_s, 2)),
            Cell(number(1e6 * gate.scatter_s, 2)),
            Cell(number(1e3 * gate.high_m, 2)),
            Cell(str(gate.left_out), "warn" if gate.left_out > 0.1 * gate.times else ""),
            Cell(number(gate.cd_per_mm, 4)),
            Cell(number(gate.cl_per_mm, 4)),
        ]
        for gate in gates
    ]
    columns = ("gate", "times", "late, us", "scatter, us", "high, mm", "left out", "Cd per mm", "Cl per mm")
    return Table("", columns, rows)


def _needs(needed: Needs) -> list[str]:
    lines = [
        f"A shot's gates determine Cd to {needed.cd_se:.4f} and Cl to {needed.cl_se:.4f} (standard error).",
        f"To determine Cd of one shot to {WANTED_CD:g} the times need errors of "
        f"{1e6 * needed.time_s:.1f} us, at most.",
    ]
    if math.isfinite(needed.height_m):
        lines.append(
            f"To determine Cl of one shot to {WANTED_CL:g} the heights need errors of "
            f"{1e3 * needed.height_m:.1f} mm, at most."
        )
    if math.isfinite(needed.place_m):
        lines.append(
            f"Errors of where the gates stand do not average out: for {WANTED_CD:g} in Cd each "
            f"must be placed to "
            f"{1e3 * needed.place_m:.2f} mm."
        )
    return lines
