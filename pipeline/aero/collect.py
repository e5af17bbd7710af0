"""Gather the results of all runs into one table, coefficients.csv."""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.errors import InputError
from pipeline.files import write_text

COLUMNS = (
    "pattern",
    "depth_m",
    "edge_angle_deg",
    "reynolds",
    "spin_ratio",
    "cd",
    "cd_se",
    "cl",
    "cl_se",
    "cm",
    "cm_se",
    "verdict",
    "fidelity",
    "cells",
    "yplus_max",
    "iterations",
    "core_seconds",
    "solver",
    "run",
    "attempts",
)
"""Columns of coefficients.csv, in their order; columns are only ever added."""

ADDED: dict[str, float] = {"attempts": 1}
"""Columns that older results lack, with what is true of those: nothing was tried twice."""

USABLE = ("settled", "noisy", "oscillating", "drifting")
"""Verdicts whose means a table may use (the standard errors of the last include the drift)."""

MISSING = "missing"
"""Verdict of a run that has left no run.json."""

_TEXT = ("pattern", "verdict", "fidelity", "solver", "run")


def collect(results: Path, run_ids: Iterable[str]) -> pd.DataFrame:
    """Read the run.json of every run.

    Parameters
    ----------
    results : Path
        Folder of the study's results.
    run_ids : iterable of str
        Folders of the runs below it, "runs/PATTERN/DEPTH/reN/sN".

    Returns
    -------
    DataFrame
        One row a run in the order given, with the columns `COLUMNS`. A run without a run.json has the verdict
        "missing" and, besides its pattern, no other value.

    Raises
    ------
    InputError
        A run.json cannot be read or lacks a key.
    """
    return _frame([_row(Path(results), run_id) for run_id in run_ids])


def _row(results: Path, run_id: str) -> dict[str, Any]:
    path = results / run_id / "run.json"
    try:
        run = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        pattern = run_id.split("/")[1] if run_id.count("/") > 1 else ""
        return {"pattern": pattern, "verdict": MISSING, "run": run_id}
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({error}); remove it and run the study again") from None
    run = ADDED | run
    absent = [name for name in COLUMNS if name not in run]
    if absent:
        raise InputError(f'{path}: the key "{absent[0]}" is missing; remove the file and run the study again')
    return {name: run[name] for name in COLUMNS}


def _frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in COLUMNS:
        frame[name] = frame[name].astype("string" if name in _TEXT else float)
    return frame


def write_coefficients(frame: pd.DataFrame, path: Path) -> None:
    """Write the frame of `collect` as CSV, atomically; `read_coefficients` gives it back exactly."""
    write_text(path, frame.to_csv(index=False, lineterminator="\n"))


def read_coefficients(path: Path) -> pd.DataFrame:
    """Read coefficients.csv.

    Returns
    -------
    DataFrame
        As from `collect`; further columns that the file may have are kept.

    Raises
    ------
    InputError
        The file is missing or empty, lacks a column, or has text where a number belongs.
    """
    try:
        # Only an empty cell is a missing name: a pattern may be called NA.
        empty = {name: [""] if name in _TEXT else ["", "nan", "NaN"] for name in COLUMNS}
        frame = pd.read_csv(
            path, dtype=dict.fromkeys(_TEXT, "string"), keep_default_na=False, na_values=empty
        )
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file; run the study first") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error}); run the study again") from None
    for name, value in ADDED.items():
        if name not in frame:
            frame[name] = value
    for name in COLUMNS:
        if name not in frame:
            raise InputError(
                f'{path}: column "{name}" is missing; the columns {", ".join(COLUMNS)} are needed'
            )
        if name in _TEXT:
            continue
        numbers = pd.to_numeric(frame[name], errors="coerce")
        wrong = numbers.isna() & frame[name].notna()
        if wrong.any():
            line = int(np.flatnonzero(wrong)[0]) + 2
            raise InputError(f'{path}:{line}: {name}: "{frame[name][line - 2]}" is not a number')
        frame[name] = numbers.astype(float)
    return frame
