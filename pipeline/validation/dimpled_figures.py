"""Figures of the verification page about dimpled balls."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.equipment_rules import CARRY_LIMIT_YD, TIME_LIMIT_S
from pipeline.report.drawing import INK, SOFT_INK, new_figure
from pipeline.validation.bench import Outcome
from pipeline.validation.published_dimpled import BANDS, FITS
from pipeline.validation.reference import means_in_time
from pipeline.validation.rows import Row

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_IN = 9.6
_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#8c6d1f", "#cc79a7")
_MARKERS = ("o", "s", "^", "D", "v")
_DASHES = ("-", "--", "-.", ":")
_DASHES_OF_FITS = ("--", "-.", ":", (0, (1, 3, 5, 3)))


def draw_dimpled(rows: Sequence[Row]) -> "Figure":
    """Draw Cd and Cl of the dimpled ball against Re, a colour a spin ratio, beside the published fits."""
    figure = new_figure(_WIDTH_IN, 4.4)
    for axes, quantity in zip(figure.subplots(1, 2), ("cd", "cl"), strict=True):
        ours = {
            (row.reynolds, row.spin_ratio): row
            for row in rows
            if row.quantity == quantity and row.reynolds is not None and row.spin_ratio is not None
        }
        for place, spin_ratio in enumerate(sorted({key[1] for key in ours})):
            colour, marker = _COLOURS[place % len(_COLOURS)], _MARKERS[place % len(_MARKERS)]
            points = sorted((key[0], row) for key, row in ours.items() if key[1] == spin_ratio)
            axes.errorbar(
                [re for re, _ in points],
                [row.ours for _, row in points],
                [row.ours_se or 0.0 for _, row in points],
                color=colour,
                marker=marker,
                capsize=3,
                linewidth=1.0,
                label=f"computed, S {spin_ratio:g}",
            )
            for fit, dash in zip(FITS, _DASHES_OF_FITS, strict=True):
                re = np.geomspace(*fit.reynolds, 60)
                values = [fit.value(quantity, float(x), spin_ratio) for x in re]
                if any(value is not None for value in values):
                    known = [np.nan if value is None else value for value in values]
                    name = f"{fit.source.split(',')[0]}, S {spin_ratio:g}"
                    axes.plot(re, known, color=colour, linestyle=dash, linewidth=1.2, label=name)
        if quantity == "cd":
            for band, dash in zip(BANDS, _DASHES[2:], strict=False):
                name = f"{band.source.split(',')[0]}, at rest"
                axes.plot(
                    (band.lowest, band.highest),
                    (band.value, band.value),
                    color=SOFT_INK,
                    linestyle=dash,
                    label=name,
                )
        axes.set_xlabel("Reynolds number Re")
        axes.set_ylabel("Cd" if quantity == "cd" else "Cl")
        axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
        axes.ticklabel_format(axis="x", style="sci", scilimits=(5, 5))
        axes.legend(fontsize="x-small")
    return figure


def draw_levels(rows: Sequence[Row]) -> "Figure":
    """Draw Cd and Cl of one flow against the size of the cells, and what is published for it."""
    figure = new_figure(_WIDTH_IN, 3.8)
    for axes, quantity in zip(figure.subplots(1, 2), ("cd", "cl"), strict=True):
        own = [row for row in rows if row.quantity == quantity]
        meshes = {row.level: row for row in own if row.cells is not None and row.level != "extrapolated"}
        if not meshes:
            continue
        finest = max(row.cells or 0 for row in meshes.values())
        points = sorted(((finest / (row.cells or 1)) ** (1 / 3), row) for row in meshes.values())
        sizes, found = [size for size, _ in points], [row for _, row in points]
        errors = [row.ours_se or 0.0 for row in found]
        axes.errorbar(
            sizes, [row.ours for row in found], errors,
            color=_COLOURS[0], marker="o", capsize=3, linewidth=1.0, label="computed",
        )  # fmt: skip
        limit = next((row for row in own if row.level == "extrapolated"), None)
        if limit is not None:
            axes.plot(0.0, limit.ours, color=_COLOURS[0], marker="*", markersize=10, label="extrapolated")
        published = {row.source: row.published for row in own if row.published is not None}
        for (source, value), dash in zip(published.items(), _DASHES, strict=False):
            axes.axhline(value, color=SOFT_INK, linestyle=dash, linewidth=1.1, label=source.split(",")[0])
        axes.set_xlim(left=-0.05)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("size of the cells over that of the finest mesh")
        axes.set_ylabel("Cd" if quantity == "cd" else "Cl")
        axes.legend(fontsize="x-small", loc="lower left")
    return figure


def draw_orientation(rows: Sequence[Row]) -> "Figure":
    """Draw differences of carry and flight time between two orientations beside the rule's limits."""
    figure = new_figure(_WIDTH_IN, 2.0)
    panels = (
        ("carry_yd_orientation", CARRY_LIMIT_YD, "carry, yd"),
        ("time_s_orientation", TIME_LIMIT_S, "flight time, s"),
    )
    for axes, (quantity, limit, name) in zip(figure.subplots(1, 2), panels, strict=True):
        axes.axvspan(-limit, limit, color="#e8f2ec", zorder=0)
        for row in rows:
            if row.quantity == quantity:
                axes.errorbar(
                    row.ours, 0.0, xerr=2.0 * (row.ours_se or 0.0), color=_COLOURS[0], marker="o", capsize=4
                )
        axes.axvline(0.0, color=INK, linewidth=0.8)
        axes.set_xlim(-2.0 * limit, 2.0 * limit)
        axes.set_ylim(-1.0, 1.0)
        axes.set_yticks([])
        axes.set_xlabel(f"difference of {name}; green: within {limit:g}")
    return figure


def draw_steps(rows: Sequence[Row]) -> "Figure":
    """Draw differences between depths over their steps, level by level, with three standard errors."""
    figure = new_figure(_WIDTH_IN, 3.8)
    for axes, quantity in zip(figure.subplots(1, 2), ("cd_step", "cl_step"), strict=True):
        own = [row for row in rows if row.quantity == quantity]
        levels = list(dict.fromkeys(row.level for row in own))
        conditions = list(dict.fromkeys(row.condition.split(", ")[-1] for row in own))
        for place, level in enumerate(levels):
            shown = [row for row in own if row.level == level]
            at = [conditions.index(row.condition.split(", ")[-1]) + 0.12 * place for row in shown]
            axes.errorbar(
                at,
                [row.ours for row in shown],
                [3.0 * (row.ours_se or 0.0) for row in shown],
                color=_COLOURS[place % len(_COLOURS)],
                marker=_MARKERS[place % len(_MARKERS)],
                linestyle="none",
                capsize=3,
                label=f"mesh {level}",
            )
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.set_xticks(range(len(conditions)), conditions, fontsize="x-small", rotation=20)
        axes.set_ylabel(f"difference of {'Cd' if quantity == 'cd_step' else 'Cl'}")
        axes.legend(fontsize="x-small")
    return figure


def draw_resolved(outcomes: Sequence[Outcome]) -> "Figure":
    """Draw drag and lift in time, their means, and the values of the steady model (the first outcome)."""
    steady, resolved = outcomes
    history, means = resolved.history(), means_in_time(resolved)
    figure = new_figure(_WIDTH_IN, 3.4)
    for axes, quantity in zip(figure.subplots(1, 2), ("cd", "cl"), strict=True):
        time = history["iteration"]
        axes.plot(time, history[quantity], color=_COLOURS[0], linewidth=1.0, label=resolved.flow.fidelity)
        mean = means[quantity]
        axes.plot(
            (time[mean.cut], time[-1]), (mean.value, mean.value), color=_COLOURS[1], linewidth=2.0,
            label="mean after the start",
        )  # fmt: skip
        axes.axhline(
            steady.result.coefficient(quantity)[0],
            color=INK,
            linestyle="--",
            linewidth=1.1,
            label=steady.flow.fidelity,
        )
        axes.set_xlabel("time (D / U)")
        axes.set_ylabel("Cd" if quantity == "cd" else "Cl")
        axes.set_ylim(bottom=min(0.0, 1.1 * float(history[quantity].min())))
        axes.legend(fontsize="x-small", loc="upper right")
    return figure
