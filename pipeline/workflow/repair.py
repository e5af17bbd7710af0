"""Results that the workflow must not trust: broken files, files dated in the future or of another state.

The workflow compares times alone and reads no file. So before it starts, every file that a station has left
is looked at: what is broken is set aside as NAME.broken, and what was made of something else is made out of
date, so that it is made again.
"""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.aero.collect import read_coefficients
from pipeline.errors import InputError
from pipeline.files import records
from pipeline.files.atomic import set_aside
from pipeline.files.records import Broken, Record
from pipeline.flow.campaign.provenance import NAMES
from pipeline.flow.campaign.run import RETRIED
from pipeline.flow.solver.start import CASE
from pipeline.flow.solver.state import STATE_FILE
from pipeline.geometry import build
from pipeline.geometry.layout.file import read_layout
from pipeline.geometry.shell.files import QUALITY, SHELL
from pipeline.report.inputs import read_flights
from pipeline.study import matrix
from pipeline.study.model import Pattern, Study

NUMBERS = ("depth_m", "edge_angle_deg", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se", "yplus_max")
_AGAIN = "set aside, made again"


def set_broken_aside(study: Study, results: Path) -> list[str]:
    """Set aside every file of a study's results that is broken.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder; nobody else may work in it.

    Returns
    -------
    list of str
        A line for each of them: its path, what is wrong, and what happens now. A run whose result is broken
        has one that says so, with the verdict "crashed", so that it is taken up again, and nothing that
        started from it.
    """
    told: list[str] = []
    _check(results / records.STUDY.name, Study.from_json, told)
    for pattern in study.patterns:
        folder = results / "geometry" / pattern.name
        _check(folder / build.LAYOUT_SPEC, _reader(records.LAYOUT_SPEC), told)
        _check(folder / build.LAYOUT, _with_end(_layout_reader(study, pattern)), told)
    for variant in matrix.variants(study):
        _check_variant(results / "geometry" / variant.pattern / variant.key, told)
    for run in matrix.runs(study):
        _check_run(results / run.run_id, told)
    _check(results / records.COEFFICIENTS, _with_end(read_coefficients), told)
    _check(results / records.FLIGHTS, _with_end(read_flights), told)
    _check(results / records.DECISION.name, _reader(records.DECISION), told)
    return told


def _reader(record: Record) -> Callable[[Path], Any]:
    return lambda path: records.read(path, record)


def _layout_reader(study: Study, pattern: Pattern) -> Callable[[Path], Any]:
    """Reader of a pattern's layout by the study itself: the spec beside it may be broken too."""

    def read(path: Path) -> None:
        found, wanted = len(read_layout(path, study.ball.diameter_m).directions), pattern.layout.count
        if pattern.layout.file is None and wanted is not None and found != wanted:
            raise Broken(path, f"{found} dimples instead of {wanted}", records.MADE_AGAIN)

    return read


def _with_end(reader: Callable[[Path], Any]) -> Callable[[Path], Any]:
    """Reader of a table that was cut off when its last line does not end."""

    def read(path: Path) -> None:
        reader(path)
        if not path.read_bytes().endswith(b"\n"):
            raise Broken(path, "cut off in its last line", records.MADE_AGAIN)

    return read


def _check(path: Path, reader: Callable[[Path], Any], told: list[str]) -> bool:
    """Read a file and set it aside when it is broken; whether it is there and whole."""
    if not os.path.lexists(path):
        return False
    try:
        reader(path)
    except (InputError, OSError) as error:
        what = error.what if isinstance(error, Broken) else str(error).removeprefix(str(path)).lstrip(": ")
        aside = set_aside(path)
        told.append(f"{path}: was broken ({what[:160]}): {_AGAIN}; the old one is {aside.name}")
        return False
    return True


def _check_variant(folder: Path, told: list[str]) -> None:
    _check(folder / build.SPEC, _reader(records.VARIANT_SPEC), told)
    _check(folder / build.TOTALS, _reader(records.TOTALS), told)
    _check(folder / SHELL, records.check_archive, told)
    _check(folder / QUALITY, _reader(records.QUALITY), told)


def _check_run(folder: Path, told: list[str]) -> None:
    spec_path, result = folder / records.RUN_SPEC.name, folder / records.RUN.name
    known = _check(spec_path, _reader(records.RUN_SPEC), told)
    _check(folder / STATE_FILE, records.check_archive, told)
    if not os.path.lexists(result) or _check(result, _reader(records.RUN), told) or not known:
        return
    spec = records.read(spec_path, records.RUN_SPEC)
    placeholder = {name: spec[name] for name in ("run", "pattern", "reynolds", "spin_ratio", "fidelity")}
    placeholder |= dict.fromkeys(NUMBERS) | {
        "cells": 0,
        "iterations": 0,
        "core_seconds": 0.0,
        "solver": "none",
    }
    placeholder |= {"verdict": "crashed", "reason": f"{result.name} was broken and is set aside"}
    records.write(result, records.RUN, placeholder)


def bring_back_from_the_future(results: Path) -> list[str]:
    """Give files that are dated later than now a time just before now, in their order.

    Such a file (copied from a machine whose clock was ahead) would look newer than every later change, and
    nothing would be made again. "Now" is what the file system of the results says.

    Parameters
    ----------
    results : Path
        Results folder of a study.

    Returns
    -------
    list of str
        One line, when there were any.
    """
    with tempfile.NamedTemporaryFile(dir=results, prefix=".clock.") as clock:
        now = os.stat(clock.name).st_mtime_ns
    times = {
        path: path.lstat().st_mtime_ns
        for path in results.rglob("*")
        if path.suffix in (".json", ".csv", ".html", ".npz") and CASE not in path.relative_to(results).parts
    }
    late = sorted((time, path) for path, time in times.items() if time > now)
    if not late:
        return []
    # One microsecond apart, after all others: what is newer than what stays as it was.
    latest = max((time for time in times.values() if time <= now), default=0)
    first = max(latest, now - 1_000 * len(late))
    for place, (_, path) in enumerate(late):
        time = min(first + 1_000 * place, now)
        os.utime(path, ns=(time, time), follow_symlinks=False)
    return [
        f"{results}: {len(late)} files are dated in the future ({late[-1][1].relative_to(results)} most); "
        "they are taken as of now"
    ]


def outdate_what_differs(study: Study, results: Path) -> None:
    """Make out of date, after `prepare`, what was made of other inputs than those there are now, or in part.

    Times alone do not tell when clocks differ: a run knows the spec that it was computed from, and the
    decision the study that it was made of. The workflow takes an input for changed when it is newer and its
    content is another than it has noted. A geometry that lacks a mesh which a run needs loses its totals, the
    output that the workflow knows of.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, prepared.
    """
    due = set()
    for run in matrix.runs(study):
        spec, path = (results / run.run_id / of.name for of in (records.RUN_SPEC, records.RUN))
        result = records.read(path, records.RUN) if path.is_file() else None
        if result is not None:
            inputs = (result.get("provenance") or {}).get("inputs") or {}
            now = {
                key: each for key, each in records.read(spec, records.RUN_SPEC).items() if key not in NAMES
            }
            if "spec" in inputs and inputs["spec"] != now:
                spec.touch()
        if result is None or result["verdict"] in RETRIED or spec.stat().st_mtime > path.stat().st_mtime:
            due.add((run.pattern, run.variant_key))
    for pattern, key in due:
        folder = results / "geometry" / pattern / key
        if not all((folder / name).is_file() for name in (SHELL, QUALITY)):
            (folder / build.TOTALS).unlink(missing_ok=True)
    decision = results / records.DECISION.name
    if decision.is_file():
        made_of = records.read(decision, records.DECISION).get("made_of")
        if made_of is not None and made_of["study"] != matrix.fingerprint(study):
            (results / records.STUDY.name).touch()
