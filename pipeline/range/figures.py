"""Pictures of a reduction: coefficients of shots beside the fit, residuals by gate, balls as moulded."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.range.measures import GateSummary, ShotEstimates
from pipeline.range.reduce import Reduction
from pipeline.range.tables import region_of
from pipeline.report.colours import pattern_style
from pipeline.report.drawing import SOFT_INK, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def draw_coefficients(reduction: Reduction, estimates: ShotEstimates) -> "Figure":
    """Cd and Cl of every shot against spin ratio and Reynolds number, and the fit with its 90 % band."""
    figure = new_figure(10.0, 7.0)
    axes = figure.subplots(2, 2)
    data = reduction.data
    for pattern, name in enumerate(data.patterns):
        colour, marker = pattern_style(name, data.patterns)
        own = (data.pattern == pattern) & reduction.shot_kept
        out = (data.pattern == pattern) & ~reduction.shot_kept
        region = region_of(reduction, pattern)
        re0, s0 = (float(np.median(of[own])) for of in (estimates.reynolds, estimates.spin_ratio))
        for row, (value, error) in enumerate(
            ((estimates.cd, estimates.cd_se), (estimates.cl, estimates.cl_se))
        ):
            for column, x in enumerate((estimates.spin_ratio, estimates.reynolds / 1e5)):
                ax = axes[row, column]
                # Each shot is moved along the fit to the condition that the curve is drawn for.
                mine = data.pattern == pattern
                there = (
                    (re0 + 0 * value, estimates.spin_ratio)
                    if column == 0
                    else (estimates.reynolds, s0 + 0 * value)
                )
                moved = value.copy()
                moved[mine] += reduction.coefficients(pattern, *there)[row][mine]
                moved[mine] -= reduction.coefficients(pattern, estimates.reynolds, estimates.spin_ratio)[row][
                    mine
                ]
                ax.errorbar(
                    x[own],
                    moved[own],
                    error[own],
                    fmt=marker,
                    ms=3.5,
                    color=colour,
                    alpha=0.55,
                    lw=0.8,
                    label=name if (row, column) == (0, 0) else None,
                )
                if out.any():
                    ax.plot(x[out], moved[out], "x", color="#a61b1b", ms=6)
                span = np.linspace(x[own].min(), x[own].max(), 60)
                re = np.full(60, re0) if column == 0 else span * 1e5
                s = span if column == 0 else np.full(60, s0)
                _, _, inside = region.nearest(re, s)
                fit = reduction.coefficients(pattern, re, s)[row]
                half = 1.645 * np.sqrt(reduction.covariance_at(pattern, re, s)[:, row, row])
                fit = np.where(inside, fit, np.nan)
                ax.plot(span, fit, color=colour)
                ax.fill_between(span, fit - half, fit + half, color=colour, alpha=0.18, lw=0)
    for row, label in enumerate(("Cd", "Cl")):
        axes[row, 0].set_ylabel(label)
        # A shot that was left out may lie anywhere; the others set the scale.
        value = (estimates.cd, estimates.cl)[row][reduction.shot_kept]
        low, high = value.min(), value.max()
        for ax in axes[row]:
            ax.set_ylim(low - 0.25 * (high - low) - 0.005, high + 0.25 * (high - low) + 0.005)
    axes[1, 0].set_xlabel("spin ratio")
    axes[1, 1].set_xlabel("Reynolds number / 1e5")
    axes[0, 0].set_title("At the median Reynolds number, shots moved there by the fit")
    axes[0, 1].set_title("At the median spin ratio, shots moved there by the fit")
    if len(data.patterns) > 1:
        axes[0, 0].legend(fontsize=8)
    return figure


def draw_residuals(reduction: Reduction) -> "Figure":
    """Residuals of times and heights by gate: every shot, the mean, and what was left out."""
    data, linear = reduction.data, reduction.linear
    heights = bool((reduction.kept[:, 2] > 0).any())
    figure = new_figure(10.0, 5.6 if heights else 3.2)
    axes = figure.subplots(2 if heights else 1, 1, sharex=True, squeeze=False)[:, 0]
    places = np.unique(data.position)
    number = np.searchsorted(places, data.position)
    jitter = np.random.default_rng(0).uniform(-0.25, 0.25, number.size)
    for ax, column, scale, label in zip(axes, (0, 2), (1e6, 1e3), ("time, us", "height, mm"), strict=False):
        good = (reduction.kept[:, column] > 0) & np.isfinite(linear.residual[:, column])
        bad = ~good & np.isfinite(linear.residual[:, column])
        shown = scale * linear.residual[:, column]
        size = 5.0 * float(np.median(np.abs(shown[good]))) / 0.6745 if good.any() else 1.0
        ax.plot(number[good] + jitter[good], shown[good], ".", ms=3, color="#0072b2", alpha=0.5)
        ax.plot(number[bad], np.clip(shown[bad], -1.9 * size, 1.9 * size), "x", color="#a61b1b", ms=5)
        for k in range(len(places)):
            own = good & (number == k)
            if own.any():
                ax.plot([k - 0.35, k + 0.35], [shown[own].mean()] * 2, color="#222222", lw=2)
        ax.set_ylim(-2 * size, 2 * size)
        ax.set_ylabel(f"measured less fitted\n{label}")
        ax.axhline(0, color=SOFT_INK, lw=0.8)
    axes[0].set_title(
        "Residuals by gate; bars are means, crosses are left out (beyond the scale at its edge)"
    )
    axes[-1].set_xticks(range(len(places)), [f"{at:.4g} m" for at in places])
    return figure


def draw_needs(gates: Sequence[GateSummary]) -> "Figure":
    """What Cd and Cl of all shots change by when one gate stands 1 mm further than its file says."""
    figure = new_figure(10.0, 3.0)
    ax = figure.subplots()
    at = np.arange(len(gates))
    ax.bar(at - 0.2, [gate.cd_per_mm for gate in gates], 0.38, color="#404040", label="Cd")
    ax.bar(at + 0.2, [gate.cl_per_mm for gate in gates], 0.38, color="#0072b2", label="Cl")
    ax.set_xticks(at, [gate.gate for gate in gates])
    ax.set_ylabel("change per mm")
    ax.set_title("A gate 1 mm further than stated changes all shots alike, however many there are")
    ax.legend(fontsize=8)
    return figure


def draw_balls(rows: Sequence[Sequence[object]]) -> "Figure | None":
    """Cd and Cl of each ball beyond what its depth explains; None where that is not known."""
    if any(row[8] == "" for row in rows):
        return None
    figure = new_figure(10.0, 3.4)
    axes = figure.subplots(1, 2)
    patterns = list(dict.fromkeys(str(row[0]) for row in rows))
    for ax, label, first in zip(axes, ("Cd", "Cl"), (8, 10), strict=True):
        for k, row in enumerate(rows):
            colour, marker = pattern_style(str(row[0]), patterns)
            depth = row[6 if label == "Cd" else 7]
            ax.errorbar(k, row[first], 1.645 * row[first + 1], fmt=marker, color=colour, ms=5)  # type: ignore[operator]
            if isinstance(depth, float):
                ax.plot(k, depth, "_", color=colour, ms=11, mew=2)
        ax.axhline(0, color=SOFT_INK, lw=0.8)
        ax.set_xticks(range(len(rows)), [str(row[1]) for row in rows], rotation=60, fontsize=7)
        ax.set_ylabel(f"{label} less its pattern's")
    axes[0].set_title(
        "Balls: points are scatter beyond depth (90 %), dashes the part of the depth as moulded"
    )
    return figure
