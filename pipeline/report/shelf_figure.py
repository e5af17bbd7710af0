"""Picture of a ranked shelf: carry against peak height of every ball, a panel a golfer."""

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.report.colours import DepthColours
from pipeline.report.drawing import INK, SOFT_INK, WINDOW_COLOUR, new_figure
from pipeline.study.model import Study
from pipeline.study.trade_units import flight_m, flight_unit, millimetres

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAR = 1.645
"""Standard errors on each side of a point: a normal 90 % interval."""

MOST_NAMES = 12
"""Patterns that are named in a panel, those of the best balls."""

_MARKERS = {"measured": "D", "computed": "o"}


def draw_shelf(study: Study, ranked: pd.DataFrame) -> "Figure":
    """Draw carry against peak height.

    Parameters
    ----------
    study : Study
        Golfers and their flight windows.
    ranked : DataFrame
        From `pipeline.decide.shelf_rank.rank_balls`.
    """
    from matplotlib.lines import Line2D

    names = [golfer.name for golfer in study.golfers]
    columns = min(len(names), 2)
    rows = math.ceil(len(names) / columns)
    figure = new_figure(5.6 * columns, 0.6 + 4.2 * rows)
    flat = figure.subplots(rows, columns, squeeze=False).ravel()
    depths = ranked["depth_m"].dropna()
    colours = DepthColours(depths)
    for axes, golfer in zip(flat, study.golfers, strict=False):
        own = ranked[(ranked["golfer"] == golfer.name) & ranked["carry_m"].notna()]
        if golfer.flight_window is not None:
            axes.axvspan(
                golfer.flight_window.lowest_m, golfer.flight_window.highest_m, color=WINDOW_COLOUR,
                linewidth=0, zorder=0,
            )  # fmt: skip
        _draw_balls(axes, own, colours)
        axes.set_title(golfer.name, fontweight="bold")
        axes.set_xlabel("peak height (m)")
        axes.set_ylabel(f"carry ({flight_unit()})")
        axes.margins(0.12)
    for axes in flat[len(names) :]:
        axes.set_visible(False)
    handles = [
        Line2D([], [], marker=_MARKERS[kind], color=SOFT_INK, linestyle="", label=kind)
        for kind in dict.fromkeys(ranked["kind"])
    ]
    for depth in sorted({depths.min(), depths.median(), depths.max()}) if len(depths) else ():
        handles.append(
            Line2D([], [], marker="s", color=colours.of(depth), linestyle="", label=millimetres(depth))
        )
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), fontsize=8)
    return figure


def _draw_balls(axes: "Axes", own: pd.DataFrame, colours: DepthColours) -> None:
    """Points of balls with bars of 90 %; depths of a pattern are joined, the best of each is named."""
    from matplotlib.collections import LineCollection

    x, y = own["peak_height_m"].to_numpy(float), own["carry_m"].to_numpy(float) / flight_m()
    across = BAR * own["peak_height_se_m"].to_numpy(float)
    axes.errorbar(
        x, y, xerr=across, yerr=BAR * own["carry_se_m"].to_numpy(float) / flight_m(), linestyle="",
        ecolor=SOFT_INK, elinewidth=0.7, alpha=0.6, zorder=2,
    )  # fmt: skip
    for kind, marker in _MARKERS.items():
        of = (own["kind"] == kind).to_numpy(bool)
        shades = [SOFT_INK if np.isnan(depth) else colours.of(depth) for depth in own["depth_m"][of]]
        axes.scatter(x[of], y[of], c=shades, marker=marker, s=38, edgecolors=INK, linewidths=0.6, zorder=3)
    named = own.assign(of=own["pattern"].where(own["pattern"] != "", own["ball"]), x=x, y=y)
    lines = [
        group.sort_values("depth_m")[["x", "y"]].to_numpy(float)
        for _, group in named.groupby(["of", "kind", "place"])
    ]
    axes.add_collection(LineCollection(lines, colors="#bbbbbb", linewidths=1.0, zorder=1))
    for best in named.drop_duplicates("of").head(MOST_NAMES).itertuples():
        axes.annotate(
            str(best.of), (best.x, best.y), xytext=(6, 5), textcoords="offset points", fontsize=8, color=INK
        )
