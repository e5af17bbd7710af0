"""Sets broken result files aside, and marks as out of date those of other inputs or dated in the future.

The workflow compares times and reads no file. So before it starts, every file that a station has left
is looked at: what is broken is set aside as NAME.broken, and what was made of something else is made out of
date, so that it is made again.
"""

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.aero.collect import read_coefficients
from pipeline.errors import MADE_AGAIN, Broken, InputError
from pipeline.files.atomic import set_aside
from pipeline.geometry.layout.file import read_layout
from pipeline.records import tree
from pipeline.records.decision import Decision
from pipeline.records.flow import RETRIED, RunInputs, RunResult
from pipeline.records.geometry import BallTotals, LayoutInputs, MeshQuality, VariantInputs
from pipeline.records.record import Record, check_archive, read, write
from pipeline.records.tree import CASE, QUALITY, SHELL, STATE
from pipeline.report.inputs import read_flights
from pipeline.study import matrix
from pipeline.study.model import Pattern, Study

_AGAIN = "set aside, made again"


def set_broken_aside(study: Study, results: Path) -> list[str]:
    """Set aside every file of a study's results that is broken.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder; no other process may work in it.

    Returns
    -------
    list of str
        A line for each of them: its path, what is wrong, and what happens now. A run whose result is broken
        has one that says so, with the verdict "crashed", so that it is taken up again, and nothing that
        started from it.
    """
    lines: list[str] = []
    _check(results / tree.STUDY, Study.from_json, lines)
    for pattern in study.patterns:
        folder = tree.pattern_folder(results, pattern.name)
        _check(folder / tree.LAYOUT_SPEC, _reader(LayoutInputs), lines)
        _check(folder / tree.LAYOUT, _with_end(_layout_reader(study, pattern)), lines)
    for variant in matrix.variants(study):
        _check_variant(tree.variant_folder(results, variant.pattern, variant.key), lines)
    for run in matrix.runs(study):
        _check_run(results / run.run_id, lines)
    _check(results / tree.COEFFICIENTS, _with_end(read_coefficients), lines)
    _check(results / tree.FLIGHTS, _with_end(read_flights), lines)
    _check(results / tree.DECISION, _reader(Decision), lines)
    return lines


def _reader(kind: type[Record]) -> Callable[[Path], Any]:
    return lambda path: read(path, kind)


def _layout_reader(study: Study, pattern: Pattern) -> Callable[[Path], Any]:
    """Reader of a pattern's layout by the study itself: the spec beside it may be broken too."""

    def read(path: Path) -> None:
        found, wanted = len(read_layout(path, study.ball.diameter_m).directions), pattern.layout.count
        if pattern.layout.file is None and wanted is not None and found != wanted:
            raise Broken(path, f"{found} dimples instead of {wanted}", MADE_AGAIN)

    return read


def _with_end(reader: Callable[[Path], Any]) -> Callable[[Path], Any]:
    """Reader of a table that was cut off when its last line does not end."""

    def read(path: Path) -> None:
        reader(path)
        if not path.read_bytes().endswith(b"\n"):
            raise Broken(path, "cut off in its last line", MADE_AGAIN)

    return read


def _check(path: Path, reader: Callable[[Path], Any], lines: list[str]) -> bool:
    """Read a file and set it aside when it is broken; whether it is there and whole."""
    if not os.path.lexists(path):
        return False
    try:
        reader(path)
    except (InputError, OSError) as error:
        what = error.what if isinstance(error, Broken) else str(error).removeprefix(str(path)).lstrip(": ")
        aside = set_aside(path)
        lines.append(f"{path}: was broken ({what[:160]}): {_AGAIN}; the old one is {aside.name}")
        return False
    return True


def _check_variant(folder: Path, lines: list[str]) -> None:
    _check(folder / tree.SPEC, _reader(VariantInputs), lines)
    _check(folder / tree.TOTALS, _reader(BallTotals), lines)
    _check(folder / SHELL, check_archive, lines)
    _check(folder / QUALITY, _reader(MeshQuality), lines)


def _check_run(folder: Path, lines: list[str]) -> None:
    spec_path, result = folder / tree.SPEC, folder / tree.RESULT
    known = _check(spec_path, _reader(RunInputs), lines)
    _check(folder / STATE, check_archive, lines)
    if not os.path.lexists(result) or _check(result, _reader(RunResult), lines) or not known:
        return
    spec = read(spec_path, RunInputs)
    placeholder = RunResult(
        run=spec.run,
        pattern=spec.pattern,
        reynolds=spec.reynolds,
        spin_ratio=spec.spin_ratio,
        fidelity=spec.fidelity,
        verdict="crashed",
        reason=f"{result.name} was broken and is set aside",
        depth_m=None,
        edge_angle_deg=None,
        cd=None,
        cd_se=None,
        cl=None,
        cl_se=None,
        cm=None,
        cm_se=None,
        yplus_max=None,
        cells=0,
        iterations=0,
        core_seconds=0.0,
        solver="none",
    )
    write(result, placeholder)


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
    times: dict[Path, int] = {}
    # Not into the solver's folders, which it may be changing: those of a killed run go on for a while.
    for root, folders, names in os.walk(results):
        folders[:] = [folder for folder in folders if folder != CASE]
        for path in (Path(root, name) for name in names):
            if path.suffix in (".json", ".csv", ".html", ".npz"):
                with suppress(FileNotFoundError):
                    times[path] = path.lstat().st_mtime_ns
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

    Times are not enough where clocks differ: a run knows the spec that it was computed from, and the
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
        spec, path = results / run.run_id / tree.SPEC, results / run.run_id / tree.RESULT
        result = read(path, RunResult) if path.is_file() else None
        if result is not None and result.provenance is not None:
            made_of = result.provenance.inputs.spec
            if made_of is not None and made_of != read(spec, RunInputs).numbers():
                spec.touch()
        if result is None or result.verdict in RETRIED or spec.stat().st_mtime > path.stat().st_mtime:
            due.add((run.pattern, run.variant_key))
    for pattern, key in due:
        folder = tree.variant_folder(results, pattern, key)
        if not all((folder / name).is_file() for name in (SHELL, QUALITY)):
            (folder / tree.TOTALS).unlink(missing_ok=True)
    decision = results / tree.DECISION
    if decision.is_file():
        made = read(decision, Decision).made_of
        if made is not None and made.study != matrix.fingerprint(study):
            (results / tree.STUDY).touch()
