"""Figures of the verification page: computed values beside published ones."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.report.drawing import INK, SOFT_INK, new_figure
from pipeline.report.figures import BAR
from pipeline.validation.published import (
    DRAG_CORRELATIONS,
    bagchi_balachandar_lift,
    clift_grace_weber,
    loth_lift,
    niazmand_renksizbulut_drag,
    niazmand_renksizbulut_lift,
    oesterle_bui_dinh_lift,
)
from pipeline.validation.rows import Row
from pipeline.validation.shedding import Lift

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

OURS = "#0072b2"
_PUBLISHED = ("#d55e00", "#009e73", "#cc79a7", "#8c6d1f", "#404040")
_MARKERS = ("s", "^", "D", "v", "P")
_DASHES = ("-", "--", "-.", ":")
_WIDTH_IN = 9.6

LABELS = {
    "cd": "Cd",
    "cl": "Cl",
    "separation_deg": "separation angle (deg)",
    "wake_length": "wake length (diameters)",
    "strouhal": "Strouhal number",
    "sheds": "wake unsteady (1 yes, 0 no)",
    "carry_yd": "carry (yd)",
    "time_s": "flight time (s)",
    "core_hours": "core hours",
    "depth_of_least_drag_mm": "depth of least Cd (mm)",
    "core_seconds_per_step_and_million_cells": "core seconds for a step of a million cells",
}
"""Names of quantities for people."""


def label(quantity: str) -> str:
    """Name of a quantity for people."""
    for ending, words in (
        ("_order", "observed order of {}"),
        ("_error_rms_pct", "{}, root mean square error (%)"),
        ("_gci_pct", "grid convergence index of {} (%)"),
        ("_spread_of_meshes", "{}, spread of three meshes"),
        ("_mesh_scatter", "{}, scatter between turned grids"),
        ("_step_unpaired", "{}, step of depth, grids not paired"),
        ("_step", "{}, step of depth"),
        ("_orientation", "{}, seam up less pole up"),
        ("_ranking", "{}, order of two balls (1 as published, -1 not)"),
    ):
        if quantity.endswith(ending):
            return words.format(LABELS.get(quantity.removesuffix(ending), quantity).split(" (")[0])
    return LABELS.get(quantity, quantity)


def draw_drag(rows: Sequence[Row]) -> "Figure":
    """Draw Cd of the sphere at rest against Re, and its difference from one correlation."""
    figure = new_figure(_WIDTH_IN, 4.2)
    plain, relative = figure.subplots(1, 2)
    shown = [row for row in rows if row.quantity == "cd" and row.spin_ratio == 0 and row.reynolds is not None]
    re = np.geomspace(15.0, 350.0, 300)
    for (name, drag), dash in zip(DRAG_CORRELATIONS.items(), _DASHES, strict=True):
        plain.plot(re, drag(re), color=SOFT_INK, linestyle=dash, linewidth=1.1, label=name)
        away = 100.0 * (drag(re) / clift_grace_weber(re) - 1.0)
        relative.plot(re, away, color=SOFT_INK, linestyle=dash, linewidth=1.1)
    points = [row for row in shown if row.source not in DRAG_CORRELATIONS]
    for axes, scaled in ((plain, False), (relative, True)):
        _points(axes, points, _from_clift if scaled else _as_is)
        axes.set_xscale("log")
        _plain_ticks(axes, [20, 50, 100, 150, 200, 300])
        axes.set_xlabel("Reynolds number Re")
    plain.set_yscale("log")
    plain.yaxis.set_minor_formatter("")
    plain.set_yticks([0.6, 0.8, 1.0, 1.5, 2.0, 3.0], ["0.6", "0.8", "1.0", "1.5", "2.0", "3.0"])
    plain.set_ylabel("Cd")
    plain.set_title("Drag at rest")
    relative.set_title("Difference from Clift, Grace & Weber 1978")
    relative.set_ylabel("%")
    _legend_below(figure, plain)
    return figure


def _as_is(row: Row, value: float) -> float:
    return value


def _from_clift(row: Row, value: float) -> float:
    return 100.0 * (value / float(clift_grace_weber(row.reynolds or 1.0)) - 1.0)


def draw_wake(rows: Sequence[Row]) -> "Figure":
    """Draw separation angle and wake length of the sphere at rest against Re."""
    figure = new_figure(_WIDTH_IN, 3.6)
    for axes, quantity in zip(figure.subplots(1, 2), ("separation_deg", "wake_length"), strict=True):
        _points(axes, [row for row in rows if row.quantity == quantity], _as_is)
        axes.set_xlabel("Reynolds number Re")
        axes.set_ylabel(label(quantity))
        axes.margins(0.08)
    _legend_below(figure, figure.axes[0])
    return figure


def draw_spin(rows: Sequence[Row]) -> "Figure":
    """Draw Cl and Cd of the sphere spinning at Re 100 against the spin ratio."""
    s = np.linspace(0.0, 1.1, 100)
    curves: dict[str, list[tuple[str, Callable[[np.ndarray], np.ndarray]]]] = {
        "cl": [
            ("Bagchi & Balachandar 2002", bagchi_balachandar_lift),
            (
                "Oesterlé & Bui Dinh 1998 (stated for S of 1 and above)",
                lambda s: oesterle_bui_dinh_lift(100.0, s),
            ),
            ("Loth 2008", lambda s: loth_lift(100.0, s)),
            ("Niazmand & Renksizbulut 2003", niazmand_renksizbulut_lift),
        ],
        "cd": [("Niazmand & Renksizbulut 2003", lambda s: niazmand_renksizbulut_drag(100.0, s))],
    }
    figure = new_figure(_WIDTH_IN, 4.0)
    for axes, (quantity, fits) in zip(figure.subplots(1, 2), curves.items(), strict=True):
        for place, (name, fit) in enumerate(fits):
            dash = _DASHES[place if quantity == "cl" else 3]
            axes.plot(s, fit(s), color=SOFT_INK, linestyle=dash, linewidth=1.2, label=name)
        _ours(axes, [row for row in rows if row.quantity == quantity], lambda row: row.spin_ratio)
        axes.set_xlabel("spin ratio S")
        axes.set_ylabel(label(quantity))
        axes.set_title("Lift at Re 100" if quantity == "cl" else "Drag at Re 100")
    _legend_below(figure, figure.axes[0])
    return figure


def draw_convergence(rows: Sequence[Row]) -> "Figure":
    """Draw quantities against the square of the cell size, with their extrapolated values."""
    wanted = [("cd", 0.0), ("separation_deg", 0.0), ("wake_length", 0.0), ("cd", 0.5), ("cl", 0.5)]
    figure = new_figure(_WIDTH_IN, 5.2)
    panels = figure.subplots(2, 3).ravel()
    for axes, (quantity, spin_ratio) in zip(panels, wanted, strict=False):
        of_it = [row for row in rows if row.quantity == quantity and row.spin_ratio == spin_ratio]
        meshes = [row for row in of_it if row.cells]
        if not meshes:
            axes.set_visible(False)
            continue
        finest = max(row.cells or 1 for row in meshes)
        at = [(finest / (row.cells or 1)) ** (2.0 / 3.0) for row in meshes]
        axes.plot(at, [row.ours for row in meshes], "o-", color=OURS, markersize=5)
        for row in [row for row in of_it if not row.cells][:1]:
            axes.errorbar(
                [0.0], [row.ours], yerr=[row.ours_se or 0.0], fmt="D", color=INK, capsize=3, markersize=5,
                label="extrapolated; bar: distance from the fine mesh",
            )  # fmt: skip
            if row.published is not None:
                axes.axhline(
                    row.published, color=_PUBLISHED[0], linestyle="--", linewidth=1.2, label=row.source
                )
        axes.set_title(f"{label(quantity)}, S {spin_ratio:g}")
        axes.set_xlabel("(cell size / that of the fine mesh)²")
        axes.set_xlim(left=-0.2)
        axes.margins(y=0.15)
    for axes in panels[len(wanted) :]:
        axes.set_visible(False)
    _legend_below(figure, panels[0])
    return figure


def draw_lifts(lifts: Sequence[Lift]) -> "Figure":
    """Draw lift against time and its spectrum, a row a spin ratio."""
    figure = new_figure(_WIDTH_IN, 0.6 + 1.9 * len(lifts))
    for (history, lines), lift in zip(figure.subplots(len(lifts), 2, squeeze=False), lifts, strict=True):
        history.plot(lift.times, lift.values, color=OURS, linewidth=1.0)
        history.axvspan(lift.start, float(lift.times[-1]), color="#eef3f8", zorder=0, linewidth=0)
        kept = lift.values[lift.times >= lift.start]
        margin = 0.3 * float(np.ptp(kept)) + 0.005
        history.set_ylim(float(kept.min()) - margin, float(kept.max()) + margin)
        history.set_title(f"Cl at S {lift.spin_ratio:g}: {lift.regime}")
        frequencies, amplitudes = lift.spectrum()
        shown = frequencies <= 0.6
        lines.plot(frequencies[shown], amplitudes[shown], color=OURS, linewidth=1.2)
        lines.set_ylim(0.0, max(1.1 * float(amplitudes[shown].max()), 2e-3))
        lines.set_title("amplitude of Cl against frequency")
        if lift.spin_ratio == 0:
            lines.axvline(0.137, color=_PUBLISHED[0], linestyle="--", linewidth=1.0)
            lines.annotate(
                "0.137, Johnson & Patel 1999", (0.137, 0.95), xycoords=("data", "axes fraction"),
                xytext=(5, 0), textcoords="offset points", va="top", fontsize=8, color=_PUBLISHED[0],
            )  # fmt: skip
    figure.axes[-2].set_xlabel("time (D / U); shaded: averaged")
    figure.axes[-1].set_xlabel("frequency (U / D), the Strouhal number")
    return figure


def _points(axes: "Axes", rows: Sequence[Row], scale: Callable[[Row, float], float]) -> None:
    """Published points, a marker a source, and ours."""
    sources = list(dict.fromkeys(row.source for row in rows if row.published is not None))
    for place, source in enumerate(sources):
        of_it = [row for row in rows if row.source == source]
        axes.plot(
            [row.reynolds or 0.0 for row in of_it], [scale(row, row.published or 0.0) for row in of_it],
            linestyle="none", marker=_MARKERS[place % 5], color=_PUBLISHED[place % 5], markersize=8,
            fillstyle="none", markeredgewidth=1.6, label=source.split(",")[0],
        )  # fmt: skip
    _ours(axes, rows, lambda row: row.reynolds, scale)


def _ours(
    axes: "Axes",
    rows: Sequence[Row],
    x: Callable[[Row], float | None],
    scale: Callable[[Row, float], float] = _as_is,
) -> None:
    ours = list({(x(row), row.level): row for row in rows}.values())
    if not ours:
        return
    values = np.array([scale(row, row.ours) for row in ours])
    above = np.array([scale(row, row.ours + BAR * (row.ours_se or 0.0)) for row in ours])
    axes.errorbar(
        [x(row) or 0.0 for row in ours], values, yerr=np.abs(above - values), fmt="o", color=OURS,
        markersize=5, capsize=3, label="ours (bars: 90 % interval of the averaging)", zorder=5,
    )  # fmt: skip


def _legend_below(figure: "Figure", axes: "Axes") -> None:
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure.legend(handles, labels, loc="outside lower center", ncols=3, fontsize=8)


def _plain_ticks(axes: "Axes", at: Sequence[int]) -> None:
    axes.set_xticks(at, [str(value) for value in at])
    axes.xaxis.set_minor_formatter("")
