"""Stations as the workflow calls them: `python -m pipeline.workflow.stations NAME ...` in a results folder.

They are started once a run, so their arguments are read by the standard library's parser, which is there at
once (with that of `depthline` a start took 0.13 CPU s more).
"""

import argparse
import contextlib
import math
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.ending import complain, ended_well
from pipeline.errors import DepthlineError
from pipeline.records.tree import COEFFICIENTS, FLIGHTS, STUDY, pattern_folder, variant_folder
from pipeline.workflow.engine_watch import leave_with_engine

if TYPE_CHECKING:
    from pipeline.study.model import Study

HERE = Path(".")


def _study() -> "Study":
    from pipeline.study.model import Study  # the thousands of calls for runs do not wait for it

    return Study.from_json(HERE / STUDY)


def layout(pattern: str) -> None:
    """Lay a pattern's dimples out."""
    from pipeline.geometry.build import build_layout

    build_layout(pattern_folder(HERE, pattern), HERE.resolve().parent)


def geometry(pattern: str, key: str) -> None:
    """Make totals, skin and shell of a variant."""
    from pipeline.geometry.build import build_variant

    build_variant(variant_folder(HERE, pattern, key))


def flow(
    run: str,
    ranks: int,
    keep: str,
    wall_time: float | None,
    attempt: int,
    attempts: int,
    minutes: float,
    leave_seconds: float | None,
) -> None:
    """Compute one run.

    It leaves `leave_seconds` before its `minutes` in a queue are over, with its state on disk. One that was
    killed or crashed fails while it has attempts left, so that the queue gives the next more memory and time;
    the last one leaves its verdict, and the study goes on without it.
    """
    from pipeline.errors import Broken
    from pipeline.files.atomic import set_aside
    from pipeline.flow.campaign.reuse import remember, reuse
    from pipeline.flow.campaign.run import run as compute
    from pipeline.flow.campaign.run_lock import locked_run
    from pipeline.flow.solver.find import find_solver
    from pipeline.records.flow import RETRIED

    if leave_seconds is not None:
        signal.signal(signal.SIGALRM, lambda _number, _frame: os.kill(os.getpid(), signal.SIGTERM))
        signal.setitimer(signal.ITIMER_REAL, max(1.0, 60.0 * minutes - leave_seconds))
    with locked_run(HERE / run) as finished:
        if finished:
            return
        solver = find_solver()
        if reuse(HERE, run, solver.label, keep):
            return
        try:
            result = compute(HERE, run, ranks, wall_time=wall_time, keep=keep, solver=solver)
        except Broken as error:  # of the geometry: the next call finds it missing, and makes it again
            with contextlib.suppress(FileNotFoundError):  # another run was quicker
                set_aside(error.path)
            raise DepthlineError(
                f"{error.path}: was broken ({error.what}) and is set aside; run again, it is made again"
            ) from None
        if not_entered := remember(HERE, run):
            complain(f"warning: {not_entered}")
    if result.verdict in RETRIED and attempt < attempts:
        raise DepthlineError(f"{run}: {result.verdict} at attempt {attempt} of {attempts}: {result.reason}")


def coefficients() -> None:
    """Collect all runs into coefficients.csv."""
    from pipeline.aero.collect import collect, write_coefficients
    from pipeline.flow.campaign.provenance import write_provenance
    from pipeline.study.matrix import runs

    run_ids = [run.run_id for run in runs(_study())]
    write_provenance(HERE, run_ids)
    write_coefficients(collect(HERE, run_ids), HERE / COEFFICIENTS)


def decision() -> None:
    """Fit the coefficients once, fly every golfer's shots with them, name the depth to cut."""
    from pipeline.aero.collect import checked_coefficients, fingerprint
    from pipeline.aero.export import CORRECTED, origin_lines, write_tables
    from pipeline.decide.flights.station import flights_table, write_flights
    from pipeline.decide.station import decide_study, write_decision
    from pipeline.flow.campaign.unresolved import unresolved_results
    from pipeline.records.decision import MadeOf
    from pipeline.study import matrix

    study = _study()
    coefficients, note = checked_coefficients(HERE, [run.run_id for run in matrix.runs(study)])
    if note is not None:
        complain(f"warning: {note}")
    decided = decide_study(study, coefficients, unresolved_results(study, HERE))
    write_flights(flights_table(study, decided.flown.every), HERE / FLIGHTS)
    of, origin = decided.flown.correction, origin_lines(study, coefficients)
    if of is not None and of.applied:
        origin.append(
            f"{CORRECTED}: by {len(of.balls)} measured balls ({', '.join(b.name for b in of.balls)})"
        )
    if decided.flown.finer is not None and study.flow.finer is not None:
        count, level = len(decided.flown.finer.comparisons), study.flow.finer.level
        origin.append(f"finer mesh: the difference of {count} runs on the {level} mesh is added")
    if decided.decision.moving_dimples is not None:
        pairs = decided.decision.moving_dimples.pairs
        origin.append(f"dimples: still in the runs; what moving ones add, by {pairs} pairs of runs, is added")
    write_tables(decided.flown.models, HERE, origin)
    made_of = MadeOf(study=matrix.fingerprint(study), coefficients=fingerprint(coefficients))
    write_decision(HERE, decided.decision.model_copy(update={"made_of": made_of}))


def report() -> None:
    """Write report.html and its figures."""
    from pipeline.report.page import write_report

    write_report(_study(), HERE)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="stations", description="One station of the line, once.")
    stations = parser.add_subparsers(required=True, metavar="STATION")

    def station(function: Callable[..., None]) -> argparse.ArgumentParser:
        made = stations.add_parser(function.__name__, help=str(function.__doc__).splitlines()[0])
        made.set_defaults(station=function)
        return made

    station(layout).add_argument("pattern")
    variant = station(geometry)
    variant.add_argument("pattern")
    variant.add_argument("key")
    run = station(flow)
    run.add_argument("run")
    run.add_argument("--ranks", type=int, default=1)
    run.add_argument("--keep", default="numbers")
    run.add_argument("--wall-time", type=float)
    run.add_argument("--attempt", type=int, default=1)
    run.add_argument("--attempts", type=int, default=1)
    run.add_argument("--minutes", type=float, default=math.inf)
    run.add_argument("--leave-seconds", type=float)
    for function in (coefficients, decision, report):
        station(function)
    return parser


def _called() -> None:
    words = vars(_parser().parse_args())
    leave_with_engine()
    words.pop("station")(**words)


if __name__ == "__main__":
    sys.exit(ended_well(_called))
