"""Figures of the published balls: computed Cd and Cl at each reading of the depth beside published ones."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.report.drawing import INK, new_figure
from pipeline.study.trade_units import millimetres
from pipeline.validation.rows import Row

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#8c6d1f", "#cc79a7")
_MARKERS = ("o", "^", "D", "v", "P")
_WIDTH_IN = 9.6


def balls_of(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Rows that compare a coefficient, by ball."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        if row.ball:
            found.setdefault(row.ball, []).append(row)
    return found


def draw_ball(rows: Sequence[Row]) -> "Figure":
    """Draw Cd and Cl of one ball against the spin ratio, a panel a coefficient and Reynolds number.

    Parameters
    ----------
    rows : sequence of Row
        Of one ball.
    """
    panels = sorted({(row.quantity, row.reynolds or 0.0) for row in rows})
    figure = new_figure(_WIDTH_IN, 3.4)
    for axes, (quantity, reynolds) in zip(
        figure.subplots(1, len(panels), squeeze=False)[0], panels, strict=True
    ):
        own = [row for row in rows if (row.quantity, row.reynolds) == (quantity, reynolds)]
        known = {row.spin_ratio: row for row in own}.values()
        axes.errorbar(
            [row.spin_ratio or 0.0 for row in known],
            [row.published or 0.0 for row in known],
            [2.0 * (row.published_se or 0.0) for row in known],
            color=INK, marker="s", linestyle="none", capsize=3, label="published, two standard errors",
        )  # fmt: skip
        depths = list(dict.fromkeys(row.depth_m or 0.0 for row in own))
        for place, depth in enumerate(depths):
            of_depth = [row for row in own if row.depth_m == depth]
            axes.errorbar(
                [row.spin_ratio or 0.0 for row in of_depth],
                [row.ours for row in of_depth],
                [2.0 * (row.ours_se or 0.0) for row in of_depth],
                color=_COLOURS[place % len(_COLOURS)], marker=_MARKERS[place % len(_MARKERS)], capsize=3,
                linewidth=1.0, label=f"computed, {millimetres(depth)} deep",
            )  # fmt: skip
        axes.set_title(f"Re {reynolds:g}")
        axes.set_xlabel("spin ratio S")
        axes.set_ylabel("Cd" if quantity == "cd" else "Cl")
        highest = max(row.spin_ratio or 0.0 for row in own)
        axes.set_xlim(-0.01, max(highest, 0.1) + 0.02)
        axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=len(labels), fontsize="small")
    return figure
