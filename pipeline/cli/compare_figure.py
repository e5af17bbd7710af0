"""Figure of a comparison: each ball's carry less that of the ball it is set against, with 90 % bars."""

from typing import TYPE_CHECKING

from pipeline.report.drawing import INK, add_metres, new_figure
from pipeline.report.figures import BAR
from pipeline.study.trade_units import flight_m, flight_unit

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

_COLOURS = {True: "#0072b2", False: "#8c8c8c"}
"""Of differences that their bars tell from zero, and of those that they do not."""


def difference_figure(rows: "pd.DataFrame", first: str) -> "Figure":
    """Draw the differences to one ball, a line a ball.

    Parameters
    ----------
    rows : DataFrame
        Rows of `pipeline.decide.comparison.differences` of one golfer against one ball.
    first : str
        That ball.
    """
    figure = new_figure(9.6, 1.1 + 0.3 * len(rows))
    axes = figure.subplots()
    for place, row in enumerate(rows.to_dict("records")):
        value, error = row["carry_difference_m"] / flight_m(), BAR * row["carry_difference_se_m"] / flight_m()
        axes.errorbar(value, place, xerr=error, color=_COLOURS[abs(value) > error], marker="o", capsize=3)
    axes.axvline(0.0, color=INK, linewidth=1.0)
    axes.set_yticks(range(len(rows)), rows["ball"])
    axes.invert_yaxis()
    axes.set_xlabel(f"carry less that of {first} ({flight_unit()})")
    axes.grid(axis="y", visible=False)
    add_metres(axes, "x")
    return figure
