"""The figures of the report, drawn from the arrays of `pipeline.report.series`."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.report.colours import SURFACE_MAP, DepthColours, pattern_style
from pipeline.report.drawing import INK, SOFT_INK, WINDOW_COLOUR, add_metres, end_labels, lay_out, new_figure
from pipeline.report.series import CoefficientChart, DepthChart, LevelLine, PathChart
from pipeline.shelf.ball import ShelfBall
from pipeline.study.model import FlightWindow
from pipeline.study.trade_units import flight_m, flight_unit, millimetres, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAR = 1.645
"""Standard errors on each side of a point: a normal 90 % interval."""

REFERENCE_COLOUR = "#7a1f5c"
"""Of reference balls of the shelf."""

_NAMES = {"cd": "Cd", "cl": "Cl"}
_PANELS_A_ROW = 4
_MOST_TICKS = 6
_WIDTH_IN = 9.6
_PATH_WIDTH_IN = 8.4
_HEIGHT_SCALE = 2.0


def draw_depth_chart(
    chart: DepthChart, patterns: Sequence[str], colours: DepthColours, references: Sequence[LevelLine] = ()
) -> "Figure":
    """Draw carry (with its band) and peak height (with the flight window) against depth for one golfer.

    Crosses are the flights by the runs' own grid; the dotted line is the depth named, with its interval.
    Dashed lines across are reference balls.
    """
    figure = new_figure(_WIDTH_IN, 3.7)
    figure.suptitle(chart.golfer, x=0.01, ha="left", fontsize=11, fontweight="bold")
    carry, peak = figure.subplots(1, 2)
    _shade_window(peak, chart.window)
    for line in chart.lines:
        colour, marker = pattern_style(line.pattern, patterns)
        x = 1e3 * line.depth_m
        if x.size > 1:
            low, high = line.carry_lo_m / flight_m(), line.carry_hi_m / flight_m()
            several = len(chart.lines) > 1  # bands that lie over each other must not hide what lies in them
            carry.fill_between(x, low, high, color=colour, alpha=0.06 if several else 0.15, linewidth=0)
            if several:
                for edge in (low, high):
                    carry.plot(x, edge, color=colour, linewidth=0.7, linestyle=(0, (1, 2)), alpha=0.7)
        else:
            error = (
                np.abs(np.array([[line.carry_lo_m[0]], [line.carry_hi_m[0]]]) - line.carry_m[0]) / flight_m()
            )
            carry.errorbar(x, line.carry_m / flight_m(), yerr=error, color=colour, capsize=3)
        carry.plot(x, line.carry_m / flight_m(), color=colour)
        peak.plot(x, line.peak_m / flight_m(), color=colour)
        for axes, values in ((carry, line.studied_carry_m), (peak, line.studied_peak_m)):
            for depth, value in zip(line.studied_m, values, strict=True):
                axes.plot(
                    1e3 * depth, value / flight_m(), marker=marker, color=colours.of(depth), markersize=7,
                    markeredgecolor=colour, markeredgewidth=1.0,
                )  # fmt: skip
        for axes, values in ((carry, line.runs_carry_m), (peak, line.runs_peak_m)):
            axes.plot(
                1e3 * line.studied_m, values / flight_m(), linestyle="", marker="x", color=INK, markersize=6,
                markeredgewidth=1.4, zorder=4,
            )  # fmt: skip
        if np.isfinite(line.named_lo_m):
            carry.axvspan(1e3 * line.named_lo_m, 1e3 * line.named_hi_m, color=colour, alpha=0.07, linewidth=0)
            carry.axvline(1e3 * line.named_m, color=colour, linewidth=1.0, linestyle=(0, (1, 2)))
    for level in references:
        for axes, value in ((carry, level.carry_m), (peak, level.peak_m)):
            axes.axhline(value / flight_m(), color=REFERENCE_COLOUR, linewidth=1.1, linestyle=(0, (6, 3)))
            axes.annotate(
                level.name, (0.01, value / flight_m()), xycoords=("axes fraction", "data"), xytext=(0, 2),
                textcoords="offset points", fontsize=7.5, color=REFERENCE_COLOUR,
            )  # fmt: skip
    for axes, label in ((carry, "carry"), (peak, "peak height")):
        axes.set_xlabel("surface depth (mm)")
        axes.locator_params(axis="x", nbins=6)
        axes.margins(y=0.12)
        axes.set_ylabel(f"{label} ({flight_unit()})")
        add_metres(axes, "y")
    if not chart.lines:
        for axes in (carry, peak):
            _say_empty(axes, "no usable depth")
    elif len(patterns) > 1:
        _pattern_legend(figure, [line.pattern for line in chart.lines], patterns)
    return figure


def _pattern_legend(figure: "Figure", shown: Sequence[str], patterns: Sequence[str]) -> None:
    from matplotlib.lines import Line2D

    handles = []
    for pattern in shown:
        colour, marker = pattern_style(pattern, patterns)
        handles.append(Line2D([], [], color=colour, marker=marker, markersize=6, label=pattern))
    figure.legend(handles=handles, loc="outside upper right", ncols=min(len(handles), 6), fontsize=8.5)


def _shade_window(axes: "Axes", wanted: FlightWindow | None) -> None:
    if wanted is None:
        return
    low, high = wanted.lowest_m / flight_m(), wanted.highest_m / flight_m()
    axes.axhspan(low, high, color=WINDOW_COLOUR, linewidth=0, zorder=0)
    axes.annotate(
        "flight window", (0.985, high), xycoords=("axes fraction", "data"), xytext=(0, -3),
        textcoords="offset points", ha="right", va="top", fontsize=8, color="#47733f",
    )  # fmt: skip


def _say_empty(axes: "Axes", text: str) -> None:
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color=SOFT_INK)


def draw_path_chart(chart: PathChart, colours: DepthColours) -> "Figure":
    """Draw the flight paths of one golfer from the side, a panel a pattern, heights at twice their scale."""
    paths = [path for of_pattern in chart.paths.values() for path in of_pattern]
    longest = max((float(path.x_m.max()) for path in paths), default=1.0) / flight_m()
    highest = max((float(path.height_m.max()) for path in paths), default=0.15) / flight_m()
    if chart.window is not None and paths:
        highest = max(highest, chart.window.highest_m / flight_m())
    right, top = 1.03 * longest, 1.1 * highest
    count = max(len(chart.paths), 1)
    panel_in = min(max(_PATH_WIDTH_IN * _HEIGHT_SCALE * top / right, 1.2), 6.0)
    figure = new_figure(_WIDTH_IN, 1.0 + (panel_in + 0.45) * count)
    figure.suptitle(chart.golfer, x=0.01, ha="left", fontsize=11, fontweight="bold")
    panels = figure.subplots(count, 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    if not paths:
        _say_empty(panels[0], "no usable depth")
        return figure
    for axes, (pattern, of_pattern) in zip(panels, chart.paths.items(), strict=True):
        _shade_window(axes, chart.window)
        for path in of_pattern:
            axes.plot(
                path.x_m / flight_m(),
                path.height_m / flight_m(),
                color=colours.of(path.depth_m),
                linewidth=1.4,
            )
        axes.set_title(pattern)
        axes.set_xlim(0.0, right)
        axes.set_ylim(0.0, top)
        axes.set_aspect(_HEIGHT_SCALE, adjustable="box")
        axes.locator_params(axis="y", nbins=6)
        axes.locator_params(axis="x", nbins=12)
        axes.set_ylabel(f"height ({flight_unit()})")
        add_metres(axes, "y")
        texts = [
            f"{millimetres(path.depth_m)}: {number(path.x_m[-1] / flight_m(), 1, flight_unit())}, "
            f"peak {number(path.height_m.max() / flight_m(), 1, flight_unit())}"
            for path in of_pattern
        ]
        _list_in_axes(axes, texts, [colours.of(path.depth_m) for path in of_pattern])
    add_metres(panels[0], "x")
    panels[-1].set_xlabel(f"down range ({flight_unit()})")
    return figure


def _list_in_axes(axes: "Axes", texts: Sequence[str], colours: Sequence[str]) -> None:
    """Write a list of lines at the upper left, where balls do not fly."""
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=colour, linewidth=2.2, label=text)
        for text, colour in zip(texts, colours, strict=True)
    ]
    axes.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.005, 1.0), fontsize=8, handlelength=1.2,
        ncols=1 if len(handles) <= 6 else 2,
    )  # fmt: skip


def draw_coefficients(
    chart: CoefficientChart, against: str, colours: DepthColours, references: Sequence[ShelfBall] = ()
) -> "Figure":
    """Draw Cd and Cl of one pattern: runs as points with 90 % bars, the model as a curve with its 90 % band.

    The curve is dashed where the boundary layer is not tripped all round. Panels of one coefficient share
    their scale, so that a misfit is seen.

    Parameters
    ----------
    chart : CoefficientChart
        The coefficients.
    against : str
        "spin_ratio" (one panel a Reynolds number) or "reynolds" (one panel a spin ratio).
    colours : DepthColours
        Colours of the depths.
    references : sequence of ShelfBall
        Drawn as dashed lines where they were measured or computed.
    """
    over_spin = against == "spin_ratio"
    panels = chart.reynolds if over_spin else chart.spin_ratio
    x = chart.spin_ratio if over_spin else chart.reynolds / 1e3
    columns = min(panels.size, _PANELS_A_ROW)
    blocks = math.ceil(panels.size / columns)
    figure = new_figure(min(_WIDTH_IN, 1.6 + 4.0 * columns), 0.4 + 2.5 * 2 * blocks)
    figure.suptitle(chart.pattern, x=0.01, ha="left", fontsize=11, fontweight="bold")
    grid = figure.subplots(2 * blocks, columns, squeeze=False)
    for block, name in enumerate(_NAMES):
        flat = grid[block * blocks : (block + 1) * blocks].ravel()
        for place, axes in enumerate(flat):
            if place >= panels.size:
                axes.set_visible(False)
                continue
            at = (slice(None), place) if over_spin else (slice(None), slice(None), place)
            _draw_model(axes, chart, name, against, float(panels[place]), colours)
            _draw_points(axes, x, chart, name, at, colours)
            _draw_references(axes, references, name, against, float(panels[place]), x)
            axes.set_title(
                f"{_NAMES[name]} at Re {panels[place]:,.0f}".replace(",", "\u202f")
                if over_spin
                else f"{_NAMES[name]} at S {panels[place]:g}"
            )
            if x.size <= _MOST_TICKS:
                axes.set_xticks(x)
            axes.set_xlabel("spin ratio S" if over_spin else "Reynolds number Re (thousands)")
            if place % columns == 0:
                axes.set_ylabel(_NAMES[name])
    for block in range(len(_NAMES)):
        flat = grid[block * blocks : (block + 1) * blocks].ravel()[: panels.size]
        limits = np.array([axes.get_ylim() for axes in flat])
        for axes in flat:
            axes.set_ylim(limits[:, 0].min(), limits[:, 1].max())
    lay_out(figure)
    for block, name in enumerate(_NAMES):
        flat = grid[block * blocks : (block + 1) * blocks].ravel()[: panels.size]
        for place in {min(columns, panels.size) - 1, panels.size - 1}:
            at = (slice(None), place) if over_spin else (slice(None), slice(None), place)
            _label_depths(flat[place], x, chart, chart.flown(name)[at], colours)
    return figure


def _draw_model(
    axes: "Axes", chart: CoefficientChart, name: str, against: str, panel: float, colours: DepthColours
) -> None:
    """Draw the model's curve of every depth through one panel, dashed inside and below the drag crisis."""
    for curve in chart.curves:
        over_spin = against == "spin_ratio"
        fixed = curve.reynolds if over_spin else curve.spin_ratio
        at = int(np.abs(fixed - panel).argmin())
        if abs(fixed[at] - panel) > 1e-6 * max(abs(panel), 1.0):
            continue
        cut = (at, slice(None)) if over_spin else (slice(None), at)
        x = curve.spin_ratio if over_spin else curve.reynolds / 1e3
        value, error, colour = curve.values[name][cut], curve.errors[name][cut], colours.of(curve.depth_m)
        axes.fill_between(x, value - BAR * error, value + BAR * error, color=colour, alpha=0.15, linewidth=0)
        tripped = ~(curve.tripped[cut] < 1.0)
        # A step belongs to the crisis when either of its ends does.
        solid = np.where(tripped, value, np.nan)
        axes.plot(x, solid, color=colour, linewidth=1.3)
        if not tripped.all():
            near = ~tripped
            near[:-1] |= ~tripped[1:]
            near[1:] |= ~tripped[:-1]
            axes.plot(x, np.where(near, value, np.nan), color=colour, linewidth=1.3, linestyle=(0, (3, 2)))


def _draw_references(
    axes: "Axes", references: Sequence[ShelfBall], name: str, against: str, panel: float, x: np.ndarray
) -> None:
    """Draw reference balls through one panel, where their own conditions reach."""
    for ball in references:
        table = ball.table
        fixed, along = table.spin_ratio, table.reynolds / 1e3
        if against == "spin_ratio":
            fixed, along = table.reynolds, table.spin_ratio
        span = np.linspace(max(float(x.min()), along[0]), min(float(x.max()), along[-1]), 40)
        if not fixed[0] <= panel <= fixed[-1] or span[0] > span[-1]:
            continue
        at = table.at(panel, span) if against == "spin_ratio" else table.at(1e3 * span, panel)
        values = at.cd if name == "cd" else at.cl
        axes.plot(span, values, color=REFERENCE_COLOUR, linewidth=1.1, linestyle=(0, (6, 3)), zorder=2)
        axes.annotate(
            ball.name, (span[0], values[0]), xytext=(2, 3), textcoords="offset points", fontsize=6.5,
            color=REFERENCE_COLOUR,
        )  # fmt: skip


def _draw_points(
    axes: "Axes",
    x: np.ndarray,
    chart: CoefficientChart,
    name: str,
    at: tuple[slice | int, ...],
    colours: DepthColours,
) -> None:
    values, errors = chart.flown(name)[at], chart.errors[name][at]
    for depth, value, error in zip(chart.depth_m, values, errors, strict=True):
        there = np.isfinite(value)
        axes.errorbar(
            x[there], value[there], yerr=BAR * error[there], color=colours.of(depth), marker="o",
            markersize=4.5, capsize=2.5, elinewidth=1.0, markeredgecolor=INK, markeredgewidth=0.6,
            linestyle="" if chart.curves else "-", zorder=3,
        )  # fmt: skip
    if not np.isfinite(values).any():
        _say_empty(axes, "no usable run")
    axes.margins(x=0.06, y=0.1)


def _label_depths(
    axes: "Axes", x: np.ndarray, chart: CoefficientChart, values: np.ndarray, colours: DepthColours
) -> None:
    """Name the depths beside the last point of their lines."""
    ends, texts, dashes = [], [], []
    for depth, value in zip(chart.depth_m, values, strict=True):
        there = np.flatnonzero(np.isfinite(value))
        if there.size:
            ends.append(float(value[there[-1]]))
            texts.append(millimetres(depth))
            dashes.append(colours.of(depth))
    end_labels(axes, float(x[-1]), ends, texts, dashes)


def draw_surface_scale(deepest_um: float) -> "Figure":
    """Draw the colour scale of the ball pictures, micrometres below the phantom sphere."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    figure = new_figure(6.0, 0.75)
    axes = figure.subplots()
    figure.colorbar(
        ScalarMappable(Normalize(0.0, deepest_um), SURFACE_MAP), cax=axes, orientation="horizontal"
    )
    axes.set_xlabel("depth of the surface below the phantom sphere (µm)")
    axes.grid(False)
    return figure
