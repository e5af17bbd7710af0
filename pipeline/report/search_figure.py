"""Picture of a ranked family: carry against peak height of every candidate, and their front."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.search.ranking import Rank, front
from pipeline.report.drawing import INK, SOFT_INK, add_metres, new_figure
from pipeline.study.trade_units import flight_m, flight_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_NAMES = 6
"""Patterns of the front that are named, those that carry farthest."""

NAMES_APART = 0.06
"""Share of the range of carries by which names lie apart, so that they can be read."""

_COMPUTED = "#0072b2"


def search_figure(ranked: Sequence[Rank]) -> "Figure":
    """Draw carry against peak height, each candidate at its best depth.

    Parameters
    ----------
    ranked : sequence of Rank
        From `pipeline.decide.search.ranking.rank_candidates`.
    """
    figure = new_figure(7.2, 5.0)
    axes = figure.subplots()
    peak = np.array([one.peak_height_m for one in ranked]) / flight_m()
    carry = np.array([one.carry_m for one in ranked]) / flight_m()
    known = np.array([one.runs > 0 for one in ranked])
    axes.scatter(
        peak[~known],
        carry[~known],
        s=22,
        facecolors="none",
        edgecolors=SOFT_INK,
        label="by its features alone",
    )
    axes.scatter(peak[known], carry[known], s=30, color=_COMPUTED, label="with runs of its own")
    best = front(ranked)
    at = [ranked.index(one) for one in best]
    axes.plot(peak[at], carry[at], color=INK, linewidth=1.0, label="front")
    apart, named = NAMES_APART * float(np.ptp(carry)), list[float]()
    for one, place in sorted(zip(best, at, strict=True), key=lambda pair: -pair[0].carry_m):
        if len(named) < MOST_NAMES and all(abs(carry[place] - other) >= apart for other in named):
            named.append(float(carry[place]))
            axes.annotate(
                one.pattern, (peak[place], carry[place]), xytext=(-7, 3), textcoords="offset points",
                fontsize=8, ha="right",
            )  # fmt: skip
    axes.set_xlabel(f"peak height ({flight_unit()})")
    axes.set_ylabel(f"carry ({flight_unit()})")
    axes.margins(0.12)
    add_metres(axes, "y")
    figure.legend(loc="outside lower center", ncols=3, fontsize=8)
    return figure
