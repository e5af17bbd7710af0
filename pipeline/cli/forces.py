"""`depthline forces`: means of force histories of any OpenFOAM case or of a study's run, and their errors."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.table import Table

from pipeline.cli.output import print_json, tables, warn
from pipeline.errors import InputError
from pipeline.files.atomic import atomic_open
from pipeline.flow.campaign.run_of import RunOf, run_of
from pipeline.flow.forces.any_case import NamedHistory, find_histories
from pipeline.flow.forces.averaging import mean_of
from pipeline.flow.forces.verdict import COEFFICIENTS, MIN_SAMPLES, judge, verdict_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WORST_FIRST = ("diverged", "short", "drifting", "oscillating", "noisy", "settled")

SHARE = 0.005
"""Target standard error of other cases than runs of a study, as a share of the largest mean of its kind."""

NO_TARGET = "no target"
"""Verdict of a column for which a run has no target standard error."""

JUDGED = (("cd", "cl"), ("fx", "fy", "fz"))
"""Columns whose worst verdict is that of the history; all of them where it has none of these."""

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
    found = [statistics(history, target or SHARE, run) for history in histories]
    warn([warning for result in found for warning in result["warnings"]])
    if plot is not None:
        _plot(plot, histories, found)
    if as_json:
        head = {"folder": str(folder), "standard_error_target": None if run is None else run.targets}
        print_json(head | _first_coefficients(found) | {"histories": found})
    else:
        _print_tables(found)
        if run is not None:
            targets = ", ".join(f"{name.capitalize()} {target:g}" for name, target in run.targets.items())
            tables().print(f"judged as its study does: target standard errors {targets}", markup=False)


def statistics(history: NamedHistory, target: float, run: RunOf | None = None) -> dict[str, Any]:
    """Return what is printed of one history.

    Parameters
    ----------
    history : NamedHistory
        As read.
    target : float
        Standard error wanted, as a share of the largest mean of the same kind.
    run : RunOf, optional
        Run of a study whose history it is; it is judged by the run's targets then.

    Returns
    -------
    dict
        Keys name, rows, first, last (times), verdict (the worst of the columns that count), warnings,
        reference, and columns: for each its name, mean, standard_error (None when unknown), verdict
        ("diverged", "short", "drifting", "oscillating", "noisy", "settled"; in a run "no target" too),
        samples, effective_samples, averaged_from and period (times). In a run the verdict is that of the run,
        which may be "implausible", and rows_judged is how many of its rows it is made of.
    """
    if run is not None and all(name in history.columns for name in COEFFICIENTS):
        return _as_its_run(history, run)
    finite = {
        name: values
        for name, values in history.columns.items()
        if len(values) >= MIN_SAMPLES and np.isfinite(values).all()
    }
    means = {name: mean_of(values) for name, values in finite.items()}
    rows = []
    for name, values in history.columns.items():
        row: dict[str, Any] = {"name": name, "mean": None, "standard_error": None}
        mean = means.get(name)
        if mean is None:
            row["verdict"] = "short" if np.isfinite(values).all() else "diverged"
        else:
            scale = max(abs(other.value) for key, other in means.items() if _kind(key) == _kind(name))
            step = (history.time[-1] - history.time[0]) / (len(history.time) - 1)
            row |= {
                "mean": mean.value,
                "standard_error": mean.standard_error if math.isfinite(mean.standard_error) else None,
                "verdict": verdict_of(mean, target * scale),
                "samples": mean.samples,
                "effective_samples": mean.effective_samples,
                "averaged_from": float(history.time[mean.cut]),
                "period": None if mean.period is None else mean.period * float(step),
            }
        rows.append(row)
    counting = next((names for names in JUDGED if all(n in history.columns for n in names)), None)
    verdicts = {row["verdict"] for row in rows if counting is None or row["name"] in counting}
    return {
        "name": history.name,
        "rows": len(history.time),
        "first": float(history.time[0]) if len(history.time) else None,
        "last": float(history.time[-1]) if len(history.time) else None,
        "verdict": next(verdict for verdict in WORST_FIRST if verdict in verdicts),
        "columns": rows,
        "reference": {name: list(value) for name, value in history.reference.items()},
        "warnings": history.warnings,
    }


def _as_its_run(history: NamedHistory, run: RunOf) -> dict[str, Any]:
    """Return what is printed of the history of a study's run, as the study judges it."""
    judged = run.first(len(history.time))
    values = {name: history.columns[name][:judged] for name in COEFFICIENTS}
    judgement = judge(values, run.targets, run.bounds)
    warnings = list(history.warnings)
    if judgement.reason:
        warnings.append(f"{history.name}: {judgement.reason}")
    if len(history.time) == run.samples and run.judged is None and judgement.means:
        warnings.append(f"{run.folder}: its run.json does not say how many samples it averaged; all are here")
    rows = []
    for name in COEFFICIENTS:
        row: dict[str, Any] = {
            "name": name,
            "mean": None,
            "standard_error": None,
            "verdict": judgement.verdict,
        }
        if name in judgement.means:
            mean = judgement.means[name]
            step = (history.time[-1] - history.time[0]) / (len(history.time) - 1)
            row |= {
                "mean": mean.value,
                "standard_error": mean.standard_error,
                "verdict": verdict_of(mean, run.targets[name]) if name in run.targets else NO_TARGET,
                "samples": mean.samples,
                "effective_samples": mean.effective_samples,
                "averaged_from": float(history.time[mean.cut]),
                "period": None if mean.period is None else mean.period * float(step),
            }
        rows.append(row)
    return {
        "name": history.name,
        "rows": len(history.time),
        "rows_judged": judged,
        "first": float(history.time[0]) if len(history.time) else None,
        "last": float(history.time[-1]) if len(history.time) else None,
        "verdict": judgement.verdict,
        "columns": rows,
        "reference": {name: list(value) for name, value in history.reference.items()},
        "warnings": warnings,
    }


def _kind(name: str) -> str:
    return name[0] if name in ("fx", "fy", "fz", "mx", "my", "mz") else "coefficient"


def _first_coefficients(found: list[dict[str, Any]]) -> dict[str, Any]:
    """Drag, lift, side force and moment of the first history that has them, named as in a table of ours."""
    for history in found:
        row = {column["name"]: column for column in history["columns"]}
        known = [name for name in ("cd", "cl", "cs", "cm") if name in row]
        if known:
            values: dict[str, Any] = {"verdict": history["verdict"]}
            for name in known:
                values[name], values[f"{name}_se"] = row[name]["mean"], row[name]["standard_error"]
            return values
    return {"verdict": found[0]["verdict"]}


def _print_tables(found: list[dict[str, Any]]) -> None:
    console = tables()
    for history in found:
        span = "" if history["first"] is None else f", {history['first']:g} to {history['last']:g}"
        table = Table(
            "", "mean", "standard error", "effective samples", "averaged from", "verdict",
            title=f"{history['name']}: {history['rows']:,} rows{span}: {history['verdict']}",
        )  # fmt: skip
        for row in history["columns"]:
            shown = row["verdict"]
            if row.get("period"):
                shown += f" (period {row['period']:.4g})"
            table.add_row(
                row["name"],
                _number(row["mean"], "{:.5g}"),
                _number(row["standard_error"], "{:.2g}"),
                _number(row.get("effective_samples"), "{:.0f}"),
                _number(row.get("averaged_from"), "{:g}"),
                shown,
            )
        console.print(table)


def _number(value: float | None, form: str) -> str:
    return "unknown" if value is None else form.format(value)


def _plot(path: Path, histories: list[NamedHistory], found: list[dict[str, Any]]) -> None:
    """Draw every history that counts with its mean, two standard errors on each side."""
    from matplotlib.figure import Figure

    panels = []
    for history, result in zip(histories, found, strict=True):
        shown = next((names for names in JUDGED if all(n in history.columns for n in names)), None)
        rows = [row for row in result["columns"] if shown is None or row["name"] in shown]
        panels += [(history, row) for row in rows]
    figure = Figure(figsize=(8.0, 2.2 * len(panels)), layout="constrained")
    axes = figure.subplots(len(panels), 1, squeeze=False)[:, 0]
    for (history, row), axis in zip(panels, axes, strict=True):
        _panel(axis, history, row)
    with atomic_open(path) as stream:
        figure.savefig(stream, format="png", dpi=120)


def _panel(axis: "Axes", history: NamedHistory, row: dict[str, Any]) -> None:
    step = max(1, len(history.time) // PLOTTED)
    values = history.columns[row["name"]]
    axis.plot(history.time[::step], values[::step], color="0.4", linewidth=0.8)
    if row["mean"] is not None:
        error = row["standard_error"] or 0.0
        span = [row["averaged_from"], float(history.time[-1])]
        axis.fill_between(span, row["mean"] - 2 * error, row["mean"] + 2 * error, color="C0", alpha=0.3)
        axis.plot(span, [row["mean"]] * 2, color="C0")
        # The first iterations of a cold start would flatten everything else.
        kept = values[history.time >= row["averaged_from"]]
        margin = 0.5 * float(np.ptp(kept)) + 5 * error + 1e-12
        axis.set_ylim(float(kept.min()) - margin, float(kept.max()) + margin)
    axis.set_ylabel(row["name"])
    axis.set_title(f"{history.name}: {row['verdict']}", fontsize="small", loc="right")
    axis.set_xlabel("time or iteration")
