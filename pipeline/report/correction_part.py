"""The report's part on measured balls: what they say of computed ones, and what the correction changes."""

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.records.decision import CorrectionRecord
from pipeline.report.drawing import INK, SOFT_INK, new_figure
from pipeline.report.table import Cell, Table
from pipeline.study.trade_units import flight_m, flight_unit, millimetres, number, yards_cell

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTION = (
    "Balls are fired at up to 90 m/s: only on a guarded range, by its operator's rules, with eye protection. "
    "Whether a ball conforms is for the governing body to decide."
)

_STAGES = (
    ("carry_computed_m", "computed", "o", "#8a5300"),
    ("carry_others_m", "corrected by the other balls", "D", "#0072b2"),
    ("carry_patterns_m", "corrected by other patterns alone", "^", "#009e73"),
    ("carry_corrected_m", "corrected by all", "s", INK),
)


def balls_table(of: CorrectionRecord) -> Table:
    """A row a measured ball: differences to the computed one, and its carry with each correction."""
    rows = []
    for ball in of.balls:
        rows.append(
            [
                Cell(ball.name),
                Cell(f"{ball.pattern}, {millimetres(ball.depth_m)}"),
                Cell(ball.place),
                Cell(str(ball.conditions)),
                Cell(f"{ball.difference[0]:+.3f}"),
                Cell(_percent(ball.difference[1])),
                Cell(f"{ball.level[0]:+.3f}, {_percent(ball.level[1])}"),
                Cell(yards_cell(ball.carry_measured_m)),
                *(
                    Cell(f"{(getattr(ball, key) - ball.carry_measured_m) / flight_m():+.1f}")
                    for key, *_ in _STAGES
                ),
            ]
        )
    columns = (
        "Measured ball", "Pattern and depth", "Where", "Conditions", "Cd measured less computed",
        "Lift measured over computed", "Contributes to the shared level of Cd, lift",
        "Carry measured, yd (m)", "Carry computed less measured, yd", "left out, by the other balls, yd",
        "by other patterns alone, yd", "corrected by all, yd",
    )  # fmt: skip
    return Table("Measured balls beside computed ones", columns, rows, labels=3)


def effect_table(of: CorrectionRecord) -> Table | None:
    """Best depth and its carry of every golfer and pattern before and after; None where nothing changes."""
    rows = []
    for effect in of.effect:
        before, after = (
            float(np.interp(depth, effect.depth_m, carry))
            for depth, carry in (
                (effect.best_depth_before_m, effect.carry_before_m),
                (effect.best_depth_m, effect.carry_m),
            )
        )
        rows.append(
            [
                Cell(effect.golfer),
                Cell(effect.pattern),
                Cell(number(1e3 * effect.best_depth_before_m, 3)),
                Cell(number(1e3 * effect.best_depth_m, 3)),
                Cell(yards_cell(before)),
                Cell(yards_cell(after)),
            ]
        )
    columns = (
        "Golfer", "Pattern", "Best depth as computed, mm", "Best depth corrected, mm",
        "Carry as computed, yd (m)", "Carry corrected, yd (m)",
    )  # fmt: skip
    return Table("Before and after the correction", columns, rows, labels=2) if rows else None


def shared_words(of: CorrectionRecord) -> str:
    """Discrepancy that all patterns share, in a sentence."""
    level = {term.of: term for term in of.shared if term.term == "level"}
    drag, lift = level["Cd"], level["ln Cl"]
    return (
        "All patterns share, at a spin ratio of 0.15, a Reynolds number of 130 thousand and 0.2 mm of depth: "
        f"Cd {drag.value:+.3f} ± {drag.sd:.3f} and lift {_percent(lift.value)} ± {100 * lift.sd:.0f} %, "
        "measured against computed."
    )


def _percent(log: float) -> str:
    return f"{100 * math.expm1(log):+.0f} %"


def draw_scores(of: CorrectionRecord) -> "Figure":
    """Draw how far each ball's carry lies from its measurement, by computed and corrected coefficients."""
    figure = new_figure(9.6, 1.3 + 0.42 * len(of.balls))
    axes = figure.subplots()
    rows = np.arange(len(of.balls))[::-1]
    for key, label, marker, colour in _STAGES:
        off = [(getattr(ball, key) - ball.carry_measured_m) / flight_m() for ball in of.balls]
        axes.plot(off, rows, marker, color=colour, label=label, markersize=6, markeredgecolor="white")
    axes.axvline(0.0, color=SOFT_INK, linewidth=1.0)
    axes.set_yticks(rows, [ball.name for ball in of.balls])
    axes.set_ylim(-0.6, len(of.balls) - 0.4)
    axes.set_xlabel(f"carry less measured carry ({flight_unit()})")
    figure.legend(loc="outside upper center", ncols=4, fontsize=8)
    return figure


def draw_effect(of: CorrectionRecord, golfer: str) -> "Figure":
    """Draw carry and peak height against depth before (dashed) and after the correction, for one golfer."""
    from pipeline.report.colours import pattern_style

    effects = [effect for effect in of.effect if effect.golfer == golfer]
    names = [effect.pattern for effect in effects]
    figure = new_figure(9.6, 3.5)
    figure.suptitle(golfer, x=0.01, ha="left", fontsize=11, fontweight="bold")
    for axes, key, label in zip(
        figure.subplots(1, 2),
        ("carry", "peak_height"),
        (f"carry ({flight_unit()})", f"peak height ({flight_unit()})"),
        strict=True,
    ):
        for effect in effects:
            colour, _ = pattern_style(effect.pattern, names)
            x = 1e3 * np.array(effect.depth_m)
            for suffix, dash, when in (("_before", (0, (4, 2)), "computed"), ("", "-", "corrected")):
                y = np.array(getattr(effect, f"{key}{suffix}_m")) / flight_m()
                axes.plot(x, y, color=colour, linestyle=dash, label=f"{effect.pattern}, {when}")
            for depth, values, marker in (
                (effect.best_depth_before_m, getattr(effect, f"{key}_before_m"), "o"),
                (effect.best_depth_m, getattr(effect, f"{key}_m"), "s"),
            ):
                at = float(np.interp(depth, effect.depth_m, values)) / flight_m()
                axes.plot(1e3 * depth, at, marker, color=colour, markersize=7, markeredgecolor=INK)
        axes.set_xlabel("surface depth (mm)")
        axes.set_ylabel(label)
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside right upper", fontsize=7.5)
    return figure


def content(of: CorrectionRecord | None, drawn: Any) -> dict[str, object] | None:
    """Return what the template shows; None for a study without measured balls."""
    from functools import partial

    if of is None:
        return None
    pictures = []
    if of.balls:
        caption = "Measured balls: carry by computed and corrected coefficients, less the measured carry."
        pictures.append(drawn.keep(partial(draw_scores, of), "measured-balls", caption))
    for place, golfer in enumerate(dict.fromkeys(effect.golfer for effect in of.effect), start=1):
        caption = (
            f"{golfer}: as computed (dashed, circle at the best depth) and corrected (solid, square), most "
            "probable coefficients."
        )
        pictures.append(drawn.keep(partial(draw_effect, of, golfer), f"corrected-{place}", caption))
    return {
        "why": of.why,
        "applied": of.applied,
        "shared": shared_words(of) if of.balls else "",
        "table": balls_table(of) if of.balls else None,
        "effect": effect_table(of),
        "pictures": pictures,
        "left_out": of.left_out,
        "caution": CAUTION,
    }
