"""Reynolds numbers and spin ratios of flights against the matrix of runs: a figure and a table."""

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.aero.export import read_tidy
from pipeline.aero.table import CoefficientTable
from pipeline.aero.table_file import table_of
from pipeline.decide.flights.passage import OUTSIDE_WORTH_A_WARNING, Outside, Passage, passages, pooled
from pipeline.records.tree import TABLES
from pipeline.report.drawing import INK, new_figure
from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.study.model import Study
from pipeline.study.trade_units import share

if TYPE_CHECKING:
    from matplotlib.figure import Figure


_PANELS_A_ROW = 3
_BINS = 36
_TIME_COLOURS = "Greens"
_SHOWN = 0.002
"""Quantiles between which the panels show the flights; the matrix of runs is shown whole."""


def study_passages(inputs: Inputs, results: Path) -> dict[str, list[Passage]]:
    """Fly every golfer with the study's own tables.

    Parameters
    ----------
    inputs : Inputs
        The study.
    results : Path
        Its results folder.

    Returns
    -------
    dict
        By pattern, in the study's order; empty when the results have no tables (those of an older version).
    """
    path = results / TABLES
    if not path.is_file():
        return {}
    frame = read_tidy(path)
    tables: dict[str, CoefficientTable] = {}
    owner: dict[str, str] = {}
    for pattern in inputs.study.patterns:
        rows = frame[frame["pattern"] == pattern.name]
        for depth in np.unique(rows["depth_m"].to_numpy(float)):
            table = table_of(rows[rows["depth_m"] == depth])
            if table is not None:
                name = f"{pattern.name} {1e3 * depth:.4g} mm"
                tables[name], owner[name] = table, pattern.name
    found: dict[str, list[Passage]] = {}
    for of in passages(inputs.study, tables) if tables else ():
        found.setdefault(owner[of.table], []).append(of)
    return {pattern.name: found[pattern.name] for pattern in inputs.study.patterns if pattern.name in found}


def passage_table(study: Study, found: dict[str, list[Passage]]) -> Table:
    """Return where every golfer's flights spend their time, and how much of it outside the matrix of runs."""
    flow, rows = study.flow, []
    for golfer in study.golfers:
        for pattern, every in found.items():
            own = [of for of in every if of.golfer == golfer.name]
            sides = [of.beyond(flow.reynolds, flow.spin_ratios) for of in own]
            most = Outside(*map(max, zip(*sides, strict=True)))
            both = pooled(own)
            mark = "warn" if most.outside > OUTSIDE_WORTH_A_WARNING else ""
            rows.append(
                [
                    Cell(golfer.name),
                    Cell(pattern),
                    Cell(
                        f"{both.quantile('reynolds', 0.05) / 1e3:.0f} to "
                        f"{both.quantile('reynolds', 0.95) / 1e3:.0f}"
                    ),
                    Cell(
                        f"{both.quantile('spin_ratio', 0.05):.3f} to {both.quantile('spin_ratio', 0.95):.3f}"
                    ),
                    Cell(share(most.outside, 0), mark),
                    *(Cell(share(side, 0)) for side in most[:4]),
                ]
            )  # fmt: skip
    columns = (
        "Golfer", "Pattern", "Re, thousands, 5 to 95 % of the time", "S, 5 to 95 % of the time",
        "Time outside the matrix of runs, at most", f"Below Re {min(flow.reynolds):g}",
        f"Above Re {max(flow.reynolds):g}", f"Below S {min(flow.spin_ratios):g}",
        f"Above S {max(flow.spin_ratios):g}",
    )  # fmt: skip
    return Table(
        "Where flights spend their time, over depths, shots and scenarios; outside the matrix of runs the "
        "coefficients of its edge are used",
        columns,
        rows,
        labels=2,
    )


def draw_passages(study: Study, found: dict[str, list[Passage]]) -> "Figure":
    """Draw every golfer's flight time over Re and S, a panel a golfer, with the runs and their matrix.

    Parameters
    ----------
    study : Study
        Golfers, Reynolds numbers and spin ratios.
    found : dict
        From `study_passages`, with at least one pattern.
    """
    from matplotlib.colors import PowerNorm
    from matplotlib.patches import Rectangle
    from matplotlib.ticker import FuncFormatter, NullFormatter, NullLocator

    every = [of for of_pattern in found.values() for of in of_pattern]
    flow = study.flow
    ranges = [
        (
            min([*nodes, *(of.quantile(name, _SHOWN) for of in every)]),
            max([*nodes, *(of.quantile(name, 1.0 - _SHOWN) for of in every)]),
        )
        for name, nodes in (("reynolds", flow.reynolds), ("spin_ratio", flow.spin_ratios))
    ]
    (re_low, re_high), (s_low, s_high) = ranges
    reynolds = np.geomspace(0.95 * re_low, 1.05 * re_high, _BINS + 1)
    room = 0.06 * (s_high - s_low) + 0.005
    spin_ratio = np.linspace(max(s_low - room, 0.0), s_high + room, _BINS + 1)
    columns = min(len(study.golfers), _PANELS_A_ROW)
    blocks = math.ceil(len(study.golfers) / columns)
    figure = new_figure(3.2 * columns + 1.0, 2.9 * blocks + 0.3)
    panels = figure.subplots(blocks, columns, squeeze=False, sharex=True, sharey=True).ravel()
    shares = [
        np.histogram2d(both.reynolds, both.spin_ratio, [reynolds, spin_ratio], weights=both.time_share)[0]
        for golfer in study.golfers
        for both in [pooled([of for of in every if of.golfer == golfer.name])]
    ]
    most = max(float(of.max()) for of in shares)
    for axes, golfer, time in zip(panels, study.golfers, shares, strict=False):
        drawn = axes.pcolormesh(
            reynolds / 1e3, spin_ratio, np.ma.masked_less(100.0 * time.T, 0.01), cmap=_TIME_COLOURS,
            norm=PowerNorm(0.5, 0.0, 100.0 * most), rasterized=True,
        )  # fmt: skip
        nodes = np.meshgrid(flow.reynolds, flow.spin_ratios)
        axes.plot(nodes[0].ravel() / 1e3, nodes[1].ravel(), "o", color=INK, markersize=3.5)
        low, width = min(flow.reynolds) / 1e3, (max(flow.reynolds) - min(flow.reynolds)) / 1e3
        height = max(flow.spin_ratios) - min(flow.spin_ratios)
        axes.add_patch(
            Rectangle((low, min(flow.spin_ratios)), width, height, fill=False, edgecolor=INK, linewidth=1.0)
        )
        axes.set_xscale("log")
        ticks = [
            tick for tick in (20, 30, 50, 70, 100, 150, 200, 300) if reynolds[0] <= 1e3 * tick <= reynolds[-1]
        ]
        axes.set_xticks(ticks)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_title(golfer.name)
        axes.set_xlabel("Reynolds number Re (thousands)")
        axes.set_ylabel("spin ratio S")
        axes.label_outer()
    for axes in panels[len(study.golfers) :]:
        axes.set_visible(False)
    bar = figure.colorbar(drawn, ax=panels.tolist(), shrink=0.8)
    bar.set_label("share of the flight time (%)")
    return figure
