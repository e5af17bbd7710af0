"""`depthline forces`: means of force histories of any OpenFOAM case or of a study's run, and their errors."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.table import Table

from pipeline.cli.output import print_json, tables, warn
from pipeline.errors import InputError
from pipeline.files.atomic import atomic_open
from pipeline.flow.campaign.run_of import RunOf, run_of
from pipeline.flow.forces.any_case import NamedHistory, find_histories
from pipeline.flow.forces.judged import (
    COUNTING,
    SHARE,
    JudgedColumn,
    JudgedHistory,
    judge_history,
    judge_run_history,
)
from pipeline.flow.forces.verdict import COEFFICIENTS
from pipeline.study.trade_units import number, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PLOTTED = 4000
"""Most points of a plotted line."""


def show_forces(folder: Path, target: float | None, plot: Path | None, as_json: bool) -> None:
    """Print mean, standard error, verdict and effective samples of every column of every force history.

    A run of a study is judged as the study judges it: against its own target standard errors, and on the part
    of its history that run.json is the mean of.

    Parameters
    ----------
    folder : Path
        A case, its postProcessing folder, the folder of a function object, or that of a run.
    target : float, optional
        Standard error wanted, as a share of the largest mean of the same kind (coefficient, force, moment);
        absent: those of the run, or `SHARE` for a case that is none.
    plot : Path, optional
        PNG to draw the histories into.
    as_json : bool
        Print one JSON object instead of tables.

    Raises
    ------
    InputError
        If there are no histories, one cannot be read, or an option is wrong.
    """
    if target is not None and not 0.0 < target < 1.0:
        raise InputError(f"--target: {target:g}: is outside the range 0 to 1; write for instance 0.005")
    if plot is not None and plot.suffix != ".png":
        raise InputError(f"--plot: {plot}: is no PNG; write for instance forces.png")
    histories = find_histories(folder)
    run = run_of(folder) if target is None else None
    found = [_judge(history, target, run) for history in histories]
    warn([warning for result in found for warning in result.warnings])
    if plot is not None:
        _plot(plot, histories, found)
    if as_json:
        head = {"folder": str(folder), "standard_error_target": None if run is None else run.targets}
        print_json(head | _first_coefficients(found) | {"histories": [asdict(of) for of in found]})
    else:
        _print_tables(found)
        if run is not None:
            targets = ", ".join(f"{name.capitalize()} {target:g}" for name, target in run.targets.items())
            tables().print(f"judged as its study does: target standard errors {targets}", markup=False)


def _judge(history: NamedHistory, target: float | None, run: RunOf | None) -> JudgedHistory:
    """Judge a history as its run does, where it is that of a run without a target of the caller's."""
    if run is None or not all(name in history.columns for name in COEFFICIENTS):
        return judge_history(history, target or SHARE)
    found = judge_run_history(history, run.targets, run.bounds, run.first(len(history.time)))
    averaged = any(column.mean is not None for column in found.columns)
    if len(history.time) == run.samples and run.judged is None and averaged:
        found.warnings.append(
            f"{run.folder}: its run.json does not say how many samples it averaged; all are here"
        )
    return found


def _first_coefficients(found: list[JudgedHistory]) -> dict[str, str | float | None]:
    """Drag, lift, side force and moment of the first history that has them, named as in a table of ours."""
    for history in found:
        known = [column for column in history.columns if column.name in COEFFICIENTS]
        if known:
            values: dict[str, str | float | None] = {"verdict": history.verdict}
            for column in known:
                values |= {column.name: column.mean, f"{column.name}_se": column.standard_error}
            return values
    return {"verdict": found[0].verdict}


def _print_tables(found: list[JudgedHistory]) -> None:
    console = tables()
    for history in found:
        span = "" if history.first is None else f", {history.first:g} to {history.last:g}"
        table = Table(
            "", "mean", "standard error", "effective samples", "averaged from", "verdict",
            title=f"{history.name}: {history.rows:,} rows{span}: {history.verdict}",
        )  # fmt: skip
        for row in history.columns:
            shown = row.verdict
            if row.period:
                shown += f" (period {row.period:.4g})"
            table.add_row(
                row.name,
                significant(row.mean, 5),
                significant(row.standard_error, 2),
                number(row.effective_samples, 0),
                significant(row.averaged_from, 6),
                shown,
            )
        console.print(table)


def _plot(path: Path, histories: list[NamedHistory], found: list[JudgedHistory]) -> None:
    """Draw every history that counts with its mean, two standard errors on each side."""
    from matplotlib.figure import Figure

    panels = []
    for history, result in zip(histories, found, strict=True):
        shown = next((names for names in COUNTING if all(n in history.columns for n in names)), None)
        rows = [row for row in result.columns if shown is None or row.name in shown]
        panels += [(history, row) for row in rows]
    figure = Figure(figsize=(8.0, 2.2 * len(panels)), layout="constrained")
    axes = figure.subplots(len(panels), 1, squeeze=False)[:, 0]
    for (history, row), axis in zip(panels, axes, strict=True):
        _panel(axis, history, row)
    with atomic_open(path) as stream:
        figure.savefig(stream, format="png", dpi=120)


def _panel(axis: "Axes", history: NamedHistory, row: JudgedColumn) -> None:
    step = max(1, len(history.time) // PLOTTED)
    values = history.columns[row.name]
    axis.plot(history.time[::step], values[::step], color="0.4", linewidth=0.8)
    if row.mean is not None and row.averaged_from is not None:
        error = row.standard_error or 0.0
        span = [row.averaged_from, float(history.time[-1])]
        axis.fill_between(span, row.mean - 2 * error, row.mean + 2 * error, color="C0", alpha=0.3)
        axis.plot(span, [row.mean] * 2, color="C0")
        # The first iterations of a cold start would flatten everything else.
        kept = values[history.time >= row.averaged_from]
        margin = 0.5 * float(np.ptp(kept)) + 5 * error + 1e-12
        axis.set_ylim(float(kept.min()) - margin, float(kept.max()) + margin)
    axis.set_ylabel(row.name)
    axis.set_title(f"{history.name}: {row.verdict}", fontsize="small", loc="right")
    axis.set_xlabel("time or iteration")
