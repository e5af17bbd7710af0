"""Figure and table of the rounds in which a study chose its runs: where they lie, what the decision was."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.policy import CHECK, FIRST, LEAVES
from pipeline.decide.rounds import RoundRow, read_rounds
from pipeline.records.tree import ROUNDS
from pipeline.report.drawing import INK, SOFT_INK, new_figure
from pipeline.report.table import Cell, Table
from pipeline.study.model import Study
from pipeline.study.trade_units import millimetres, number, yards_only

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WHY = {FIRST: ("o", FIRST), LEAVES: ("s", LEAVES), CHECK: ("^", "checks the model")}
_GAIN = ("D", "explains regret")


def rounds_of(study: Study, results: Path) -> list[RoundRow]:
    """Rounds of a study that chose its runs itself; none of one whose matrix was computed."""
    return read_rounds(results / ROUNDS) if study.points is not None else []


def rounds_table(rows: list[RoundRow]) -> Table:
    """One row a round: the decision before it, and what was chosen."""
    found = []
    for round_ in sorted({row.round for row in rows}):
        own = [row for row in rows if row.round == round_]
        first, chosen = own[0], [row for row in own if row.pattern]
        before = "none yet"
        if first.best_pattern:
            before = f"{first.state}: {first.best_pattern} at {millimetres(first.best_depth_m)}"
        counts = {row.pattern: sum(of.pattern == row.pattern for of in chosen) for row in chosen}
        what = ", ".join(f"{count} of {pattern}" for pattern, count in counts.items())
        texts = (
            str(round_),
            before,
            "" if not first.best_pattern else number(first.p_within_yard, 2),
            "" if np.isnan(first.expected_regret_m) else yards_only(first.expected_regret_m),
            number(first.core_hours, 2),
            what or first.why,
        )
        found.append([Cell(text) for text in texts])
    columns = ("round", "decision before it", "p within a yard", "expected regret", "core hours", "chosen")
    return Table("Rounds", columns, found, labels=2)


def draw_rounds(rows: list[RoundRow]) -> "Figure":
    """Draw the runs over depth, Re and S, coloured by round, and the regret expected before each round.

    Parameters
    ----------
    rows : list of RoundRow
        At least the first round.
    """
    figure = new_figure(11.2, 3.8)
    over_spin, over_depth, over_rounds = figure.subplots(1, 3)
    last = max(row.round for row in rows)
    for why, (marker, _) in [*_WHY.items(), ("", _GAIN)]:
        own = [row for row in rows if row.pattern and (row.why == why if why else row.why not in _WHY)]
        if not own:
            continue
        colour = [row.round for row in own]
        style = {"c": colour, "cmap": "viridis", "vmin": 0, "vmax": max(last, 1), "marker": marker, "s": 26}
        reynolds = [row.reynolds / 1e3 for row in own]
        over_spin.scatter(reynolds, [row.spin_ratio for row in own], **style)
        over_depth.scatter(reynolds, [1e3 * row.depth_m for row in own], **style)
    for axes, label in ((over_spin, "spin ratio S"), (over_depth, "surface depth (mm)")):
        axes.set_xlabel("Reynolds number (thousands)")
        axes.set_ylabel(label)
    _draw_regret(over_rounds, rows)
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], marker=marker, color=SOFT_INK, linestyle="", label=label)
        for marker, label in [*_WHY.values(), _GAIN]
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), fontsize=8)
    return figure


def _draw_regret(axes: "Axes", rows: list[RoundRow]) -> None:
    """Expected regret and the probability of being within a yard against the core hours spent."""
    known = {row.round: row for row in rows if not np.isnan(row.expected_regret_m)}
    hours = [row.core_hours for row in known.values()]
    regret = [max(row.expected_regret_m, 1e-4) for row in known.values()]
    axes.plot(hours, regret, "o-", color=INK)
    named = ""
    for row, x, y in zip(known.values(), hours, regret, strict=True):
        if named == (named := row.best_pattern + millimetres(row.best_depth_m, 2)):
            continue
        axes.annotate(
            f"{row.best_pattern}\n{millimetres(row.best_depth_m)}", (x, y), fontsize=7, color=SOFT_INK,
            xytext=(3, 4), textcoords="offset points",
        )  # fmt: skip
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter("{x:g}")  # powers would need the font of formulas
    axes.set_xlabel("core hours spent")
    axes.set_ylabel("expected regret (m)")
    axes.margins(0.15)
