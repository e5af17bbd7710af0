"""Gather the results of all runs into one table, coefficients.csv."""

import hashlib
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.errors import InputError
from pipeline.files.atomic import set_aside, write_text
from pipeline.records.flow import CD_BOUNDS, CL_BOUNDS, FAILED, USABLE, RunResult
from pipeline.records.record import read
from pipeline.records.tree import COEFFICIENTS, RESULT
from pipeline.study.keys import level_of, without_level

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

MISSING = "missing"
"""Verdict of a run that has left no run.json."""

_VERDICTS = (*USABLE, *FAILED, MISSING)

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
    Broken
        A run.json is broken.
    """
    return _frame([_row(Path(results), run_id) for run_id in run_ids])


def _row(results: Path, run_id: str) -> dict[str, object]:
    path = results / run_id / RESULT
    if not path.exists():
        pattern = run_id.split("/")[1] if run_id.count("/") > 1 else ""
        return {"pattern": pattern, "verdict": MISSING, "run": run_id}
    run = read(path, RunResult)
    return {name: getattr(run, name) for name in COLUMNS}


def _frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in COLUMNS:
        frame[name] = frame[name].astype("string" if name in _TEXT else float)
    return frame


def write_coefficients(frame: pd.DataFrame, path: Path) -> None:
    """Write the frame of `collect` as CSV, atomically; `read_coefficients` gives it back exactly."""
    write_text(path, _as_csv(frame))


def _as_csv(frame: pd.DataFrame) -> str:
    return str(frame.to_csv(index=False, lineterminator="\n"))


def fingerprint(frame: pd.DataFrame) -> str:
    """Fingerprint of the numbers of a table, by which a decision knows what it was made of."""
    return hashlib.blake2b(_as_csv(frame[list(COLUMNS)]).encode(), digest_size=16).hexdigest()


def checked_coefficients(results: Path, run_ids: Sequence[str]) -> tuple[pd.DataFrame, str | None]:
    """Read coefficients.csv and check it against the runs; it is made again from them where it differs.

    Parameters
    ----------
    results : Path
        Folder of the study's results.
    run_ids : sequence of str
        Every run of the study, in the order of its matrix.

    Returns
    -------
    frame : DataFrame
        As from `collect`. A run without a run.json keeps the row that the table has of it.
    note : str or None
        What was wrong with the table, which is set aside then, and made again; None when it was right.

    Raises
    ------
    InputError
        There is no table, or it is broken or lacks rows, and no run.json is left to make it of.
    """
    path = Path(results) / COEFFICIENTS
    there = [run_id for run_id in run_ids if (Path(results) / run_id / RESULT).exists()]
    try:
        table = read_coefficients(path)
    except InputError as error:
        if not there or not path.exists():
            raise
        table, problem = _frame([]), str(error).removeprefix(str(path)).lstrip(": ")
    else:
        problem = _differing_rows(table, run_ids) or ""
    from_runs = collect(results, there).set_index("run", drop=False)
    kept = table[~table["run"].isin(there) & ~table["run"].duplicated()].set_index("run", drop=False)
    lost = [run_id for run_id in run_ids if run_id not in from_runs.index and run_id not in kept.index]
    if lost and not there:
        raise InputError(
            f"{path}: {len(lost)} of {len(run_ids)} runs have no row ({lost[0]}), and their run.json are not "
            "there either; put the rows back, or run the study again"
        )
    rows = [
        dict(source.loc[run_id, list(COLUMNS)])
        for run_id in run_ids
        for source in (from_runs if run_id in from_runs.index else kept,)
        if run_id not in lost
    ]
    missing = {row["run"]: row for row in (_row(Path(results), run_id) for run_id in lost)}
    by_run = {row["run"]: row for row in rows} | missing
    frame = _frame([by_run[run_id] for run_id in run_ids])
    if not problem and not _same(table, frame):
        problem = "its numbers are not those of the runs"
    if not problem:
        return table, None
    aside = set_aside(path)
    write_coefficients(frame, path)
    return frame, f"{path}: {problem}: set aside as {aside.name}, made again from the runs"


def _differing_rows(table: pd.DataFrame, run_ids: Sequence[str]) -> str | None:
    """Say which runs have no row, or several, or are none of the study's."""
    counts = table["run"].value_counts()
    for words, found in (
        ("no row", [run_id for run_id in run_ids if run_id not in counts.index]),
        ("several rows", [str(run) for run in counts.index[counts > 1]]),
    ):
        if found:
            return f"{len(found)} of {len(run_ids)} runs have {words} ({found[0]})"
    strange = sorted(set(map(str, counts.index)) - set(run_ids))
    return f"{len(strange)} rows are of no run of the study ({strange[0]})" if strange else None


def finer_rows(frame: pd.DataFrame) -> "pd.Series[bool]":
    """Which rows of coefficients.csv are of a finer mesh than the study's own, by the names of their runs."""
    variant = frame["run"].astype("string").str.split("/").str[2]
    return variant.map(lambda key: isinstance(key, str) and level_of(key) is not None).astype(bool)


def own_run(finer_run: str) -> str:
    """Name of the run on the study's own mesh that a run on a finer mesh repeats."""
    parts = finer_run.split("/")
    return "/".join([*parts[:2], without_level(parts[2]), *parts[3:]])


def _same(table: pd.DataFrame, frame: pd.DataFrame) -> bool:
    columns = list(COLUMNS)
    return len(table) == len(frame) and table[columns].reset_index(drop=True).equals(frame[columns])


def read_coefficients(path: Path) -> pd.DataFrame:
    """Read coefficients.csv.

    Returns
    -------
    DataFrame
        As from `collect`; further columns that the file may have are kept.

    Raises
    ------
    InputError
        The file is missing or empty, lacks a column, has text or an infinity where a number belongs, an
        unknown verdict, or a usable run whose coefficients or standard errors cannot be.
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
        wrong = (numbers.isna() & frame[name].notna()) | np.isinf(numbers.astype(float))
        if wrong.any():
            line = int(np.flatnonzero(wrong)[0]) + 2
            raise InputError(f'{path}:{line}: {name}: "{frame[name][line - 2]}" is not a number')
        frame[name] = numbers.astype(float)
    _check_values(frame, path)
    return frame


def _check_values(frame: pd.DataFrame, path: Path) -> None:
    """Refuse verdicts that are none and coefficients of usable runs that cannot be."""
    usable = frame["verdict"].isin(USABLE)
    rules = [("verdict", ~frame["verdict"].isin(_VERDICTS), f"one of {', '.join(_VERDICTS)}")]
    for name, (low, high) in (("cd", CD_BOUNDS), ("cl", CL_BOUNDS)):
        inside = (frame[name] >= low) & (frame[name] <= high)
        rules.append((name, usable & ~inside, f"a number from {low:g} to {high:g}, as a usable run has"))
        rules.append(
            (f"{name}_se", usable & ~(frame[f"{name}_se"] >= 0.0), "a number from 0 up, as a usable run has")
        )
    rules.append(("cm_se", usable & frame["cm"].notna() & ~(frame["cm_se"] >= 0.0), "a number from 0 up"))
    computed = frame["verdict"] != MISSING
    rules.append(("attempts", computed & frame["attempts"].isna(), "a number; the row may have been cut off"))
    for name, wrong, right in rules:
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            raise InputError(f'{path}:{at + 2}: {name}: "{frame[name].iloc[at]}" is not {right}')
