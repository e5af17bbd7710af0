"""Writes the validation page: computed beside published values, and errors against goals."""

import datetime
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.records.tree import FIGURES, REPORT
from pipeline.report.drawing import style
from pipeline.report.pictures import Figures, Picture, write_page
from pipeline.report.table import Cell, Table
from pipeline.validation import figures
from pipeline.validation.dimpled_figures import (
    draw_dimpled,
    draw_levels,
    draw_orientation,
    draw_resolved,
    draw_steps,
)
from pipeline.validation.parts import PARTS
from pipeline.validation.published_figures import balls_of, draw_ball
from pipeline.validation.reference import computed_reference
from pipeline.validation.rows import Row
from pipeline.validation.shedding import computed_lifts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TEMPLATE = Path(__file__).with_name("page.html.j2")

_FIGURES: dict[str, tuple[tuple[str, Callable[[Sequence[Row]], "Figure"], str], ...]] = {
    "sphere": (
        ("drag", figures.draw_drag, "Cd of a smooth sphere at rest against the Reynolds number."),
        ("wake", figures.draw_wake, "Separation angle from the front, and length of the recirculating wake."),
    ),
    "spin": (
        ("spin", figures.draw_spin, "Cl and Cd of a spinning sphere at Re 100; published fits differ."),
    ),
    "tripped": (("dimpled", draw_dimpled, "A dimpled ball beside published fits and values, coarse mesh."),),
    "levels": (("levels", draw_levels, "The same flow on three meshes, beside published values."),),
    "orientation": (
        (
            "orientation",
            draw_orientation,
            "Seam up less pole up, two standard errors, the rule's limits.",
        ),
    ),
    "depth": (
        ("steps", draw_steps, "What steps of depth change, with three standard errors, on each mesh."),
    ),
    "order": (
        ("order", figures.draw_convergence, "Three meshes at Re 100: a straight line is second order."),
    ),
}
"""Figures of a part by name: what draws them from the part's rows, and a caption."""


def write_verification_page(results: Path, rows: Sequence[Row]) -> Path:
    """Write report.html of the verification suite, and its figures as PNG.

    Parameters
    ----------
    results : Path
        Folder of the suite, with the histories of its runs.
    rows : sequence of Row
        Everything in its summary.

    Returns
    -------
    Path
        The page.
    """
    drawn = Figures(results / FIGURES, ("verification-*.png",))
    with style():
        parts = [_part(results, name, rows, drawn) for name in _in_order(rows)]
    drawn.remove_stale()
    judged = [row for row in rows if row.within_goal is not None]
    values = {
        "parts": parts,
        "judged": len(judged),
        "within": sum(bool(row.within_goal) for row in judged),
        "off": _off(judged),
        "origin": [
            ("Depthline", __version__),
            ("Page written", f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d %H:%M} UTC"),
        ],
    }
    write_page(results / REPORT, _TEMPLATE, values)
    return results / REPORT


def _in_order(rows: Sequence[Row]) -> list[str]:
    """Parts that have rows, in the suite's order, others after them."""
    there = dict.fromkeys(row.part for row in rows)
    return [name for name in PARTS if name in there] + [name for name in there if name not in PARTS]


def _part(results: Path, name: str, rows: Sequence[Row], drawn: Figures) -> dict[str, object]:
    own = [row for row in rows if row.part == name]
    pictures: list[Picture] = []
    for figure, draw, caption in _FIGURES.get(name, ()):
        # One curve, whichever parts computed its points.
        others = {"drag": "shedding", "steps": "depth-fine"}.get(figure)
        of_curve = [row for row in rows if row.part in (name, others)]
        pictures.append(drawn.keep(partial(draw, of_curve), f"verification-{figure}", caption))
    if name == "shedding" and (lifts := computed_lifts(results)):
        caption = "Lift of spheres at Re 300: history and spectrum."
        pictures.append(drawn.keep(partial(figures.draw_lifts, lifts), "verification-lifts", caption))
    if name == "transient" and (both := computed_reference(results)):
        caption = "Drag and lift of one ball in time, beside the steady model on the same mesh."
        pictures.append(drawn.keep(partial(draw_resolved, both), "verification-resolved", caption))
    if name == "published":
        for ball, of_ball in balls_of(own).items():
            caption = f"{ball}: computed at each reading of the depth beside the published values."
            pictures.append(drawn.keep(partial(draw_ball, of_ball), f"verification-{ball}", caption))
    about = PARTS[name].about if name in PARTS else ""
    notes = [_note(row) for row in own if row.cause]
    return {
        "name": name, "about": about, "pictures": pictures, "table": _table(own),
        "notes": list(dict.fromkeys(notes)),
    }  # fmt: skip


def _table(rows: Sequence[Row]) -> Table:
    columns = ("quantity", "flow", "mesh", "ours", "SE", "published", "error, %", "goal, %", "", "source")
    return Table("", columns, [_line(row) for row in rows], labels=2)


def _line(row: Row) -> list[Cell]:
    verdict = {None: Cell("shown only"), True: Cell("✓ within", "good"), False: Cell("✗ off", "bad")}
    source = f"{row.source} [{row.mark}]" if row.mark else row.source
    return [
        Cell(figures.label(row.quantity)),
        Cell(row.condition),
        Cell(row.level),
        Cell(f"{row.ours:.5g}"),
        Cell("" if row.ours_se is None else f"{row.ours_se:.1g}"),
        Cell("" if row.published is None else f"{row.published:.5g}"),
        Cell("" if row.error_pct is None else f"{row.error_pct:+.2f}"),
        Cell("" if row.goal_pct is None else f"{row.goal_pct:.3g}"),
        verdict[row.within_goal],
        Cell(source),
    ]


def _off(rows: Sequence[Row]) -> list[str]:
    """A sentence for every quantity of a part and source that misses its goal."""
    missed: dict[tuple[str, str, str, str], list[Row]] = {}
    for row in rows:
        if row.within_goal is False:
            level = row.level if row.level == "extrapolated" else ""
            missed.setdefault((row.part, row.quantity, row.source, level), []).append(row)
    return [_sentence(group) for group in missed.values()]


def _sentence(rows: Sequence[Row]) -> str:
    first = rows[0]
    name = f"{first.part}: {figures.label(first.quantity)}"
    errors = sorted(row.error_pct for row in rows if row.error_pct is not None)
    by = f"{errors[0]:+.1f}" + (f" to {errors[-1]:+.1f}" if len(errors) > 1 else "") if errors else ""
    error = f", {by} % where {first.goal_pct:.3g} % is the goal" if errors else ""
    if len(rows) > 1:
        return f"{name} in {len(rows)} flows, against {first.source}{error}"
    return f"{name} at {first.condition}: {first.ours:.4g} computed, {first.published:.4g} published{error}"


def _note(row: Row) -> str:
    return f"{figures.label(row.quantity)}: {row.cause}."
