"""`depthline run`: prepare a study, start the workflow, show how far it is."""

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from pipeline.cli.decision_shown import show_decision
from pipeline.cli.plausible_geometry import built_warnings, geometry_warnings
from pipeline.cli.rounds import run_rounds
from pipeline.cli.study_input import keep_study_file, read_study, results_folder
from pipeline.decide.judged import space_of
from pipeline.decide.policy import BATCH
from pipeline.ending import complain
from pipeline.errors import Broken, DepthlineError, InputError
from pipeline.flow.campaign.prepare import check_cavities, prepare
from pipeline.flow.campaign.provenance import mixed, rows
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.path import check_solver_path
from pipeline.machine.resources import cores_allowed
from pipeline.records.decision import Decision
from pipeline.records.flow import FAILED, RETRIED, RunResult
from pipeline.records.record import read
from pipeline.records.tree import DECISION, REPORT, RESULT, SPEC, WORKFLOW_LOG
from pipeline.study.file import line_of
from pipeline.study.matrix import runs
from pipeline.study.model import Study
from pipeline.study.points import RunPoint
from pipeline.study.trade_units import shown_in
from pipeline.workflow.engine import (
    MOST_IN_QUEUE,
    MOST_RUNS,
    Profile,
    batches,
    clear_queue,
    command,
    load_profile,
)
from pipeline.workflow.progress import Clock, expected_of
from pipeline.workflow.repair import bring_back_from_the_future, outdate_what_differs, set_broken_aside
from pipeline.workflow.results_lock import locked_results
from pipeline.workflow.supervise import complaints, supervise

QUEUE_ROUND = 32
"""Runs of a round in a queue, where many are computed side by side; on one machine at least one a core."""

NO_ROOM_BYTES = 1_000_000
"""Free on the disk of the results below which it is full: less than a run leaves."""


def run_study(
    study_path: Path,
    results_root: Path,
    cores: int | None,
    profile: str | None,
    until_decided: bool = False,
) -> int:
    """Run a study's whole line, or what is left of it.

    Parameters
    ----------
    study_path : Path
        Study file.
    results_root : Path
        Folder in which the study's results folder is made.
    cores : int, optional
        Processor cores to use on this machine, all when absent; with a queue those of a node, by the profile.
    profile : str, optional
        Workflow profile: a folder below profiles/, or a path.
    until_decided : bool
        Whether runs are chosen in rounds (`pipeline.cli.rounds`) until the decision is known; those of a
        study with a budget are chosen so in any case, while they are worth their price.

    Returns
    -------
    int
        0 when all runs gave numbers, 1 when some failed.

    Raises
    ------
    InputError
        If the study is wrong or another `depthline run` holds its results.
    MissingError
        If there is no solver.
    DepthlineError
        If a station other than the flow failed.
    """
    study = read_study(study_path)
    check_cavities(study, study_path)
    in_rounds = until_decided or study.budget_core_s is not None
    if in_rounds and study.flow.finer is not None:
        raise InputError(
            f"{study_path}:{line_of(study_path, ('flow', 'finer'))}: flow.finer: takes its runs from a "
            "matrix, which a study that chooses its runs has not; remove it, or leave out --until decided"
        )
    space = space_of(study) if in_rounds else None
    chosen = load_profile(profile)
    find_solver()
    results, elsewhere = results_folder(study_path, results_root, study)
    check_solver_path(results)
    for warning in study.warnings():
        complain(f"warning: {warning}")
    results.mkdir(parents=True, exist_ok=True)
    if chosen.executor == "local" and cores is None:
        cores = cores_allowed()
    with locked_results(results) as lock:
        doubts = (f"warning: {doubt}" for doubt in geometry_warnings(study, results))
        for line in (f"results: {results}", *elsewhere, *doubts):
            complain(line)
        keep_study_file(study_path, results)
        clear_queue(chosen, results)
        for line in bring_back_from_the_future(results):
            complain(line)
        if space is not None:

            def compute(points: Sequence[RunPoint], targets: Sequence[str]) -> int:
                return _computed(study.with_points(points), results, cores, chosen, lock, targets)

            side_by_side = QUEUE_ROUND if chosen.executor != "local" else cores or 1
            most = max(BATCH, side_by_side)
            points, code = run_rounds(study, results, space, until_decided, compute, most)
            return _ending(study.with_points(points), results, code)
        return _ending(study, results, _computed(study, results, cores, chosen, lock))


def _computed(
    study: Study,
    results: Path,
    cores: int | None,
    profile: Profile,
    lock: TextIO,
    targets: Sequence[str] = (),
) -> int:
    """Prepare a study's files and have the workflow engine make what is wanted of it; its exit code."""
    for line in set_broken_aside(study, results):
        complain(line)
    prepare(study, results)
    outdate_what_differs(study, results)
    return _work(study, results, cores, profile, lock, targets)


def _to_retry(study: Study, results: Path) -> list[str]:
    """Results of killed and crashed runs, which the workflow is to compute anew; they are made out of date.

    They stay until their runs start: where a run.json is missing, the workflow would also compute anew what
    had started from that run's fields.
    """
    found = []
    for run in runs(study):
        path = results / run.run_id / RESULT
        if path.is_file() and read(path, RunResult).verdict in RETRIED:
            (path.parent / SPEC).touch()
            found.append(f"{run.run_id}/{RESULT}")
    return found


def _work(
    study: Study,
    results: Path,
    cores: int | None,
    profile: Profile,
    lock: TextIO,
    wanted: Sequence[str] = (),
) -> int:
    """Start the workflow engine, batch by batch, and watch it; its exit code.

    All is made, or what is wanted.
    """
    retried = _to_retry(study, results)
    clock = Clock(expected_of(study), results, cores or 1)
    failed = 0
    with (results / WORKFLOW_LOG).open("wb") as log:
        most = MOST_RUNS if profile.executor == "local" else MOST_IN_QUEUE
        for targets in [list(wanted)] if wanted else batches(runs(study), most):
            if failed and not targets:  # the tables want every run
                break
            again = [name for name in retried if not targets or name in targets]
            retried = [name for name in retried if name not in again]
            code = supervise(command(profile, results, cores, again, targets), results, log, clock, lock)
            failed = failed or code
    return failed


def _failure(path: Path) -> str | None:
    """Verdict and reason of a run that failed; one whose result was broken meanwhile has failed too."""
    try:
        result = read(path, RunResult)
    except Broken as error:
        return f"{FAILED[-1]}: {error}"
    return f"{result.verdict}: {result.reason}" if result.verdict in FAILED else None


def _ending(study: Study, results: Path, code: int) -> int:
    """Say what failed and where the results are."""
    for said in complaints(results / WORKFLOW_LOG):
        complain(said)
    for warning in built_warnings(study, results):
        complain(f"warning: {warning}")
    if line := mixed(rows(results, [run.run_id for run in runs(study)])):
        complain(f"warning: {line}")
    states = {run.run_id: results / run.run_id / RESULT for run in runs(study)}
    failed = 0
    for run_id, path in states.items():
        if path.is_file() and (failure := _failure(path)) is not None:
            complain(f"{run_id}: {failure}")
            failed += 1
    if code != 0:
        missing = sum(not path.is_file() for path in states.values())
        ended = f"{results}: the line did not finish ({missing} of {len(states)} runs missing)"
        free = shutil.disk_usage(results).free
        if free < NO_ROOM_BYTES:
            # Jobs of a queue cannot even write down why they stopped.
            raise DepthlineError(
                f"{ended}: {free // 1000} kB are left on its disk; make room and run again, nothing is lost"
            )
        raise DepthlineError(f"{ended}; see {results / WORKFLOW_LOG}, fix it and run again")
    decision = read(results / DECISION, Decision)
    with shown_in(study.units, study):
        show_decision(decision)
    if decision.correction is not None:
        print(f"measured balls: {decision.correction.why}")
    for pair in decision.unresolved:
        complain(f"warning: {pair.sentence}")
    print(f"report: {results / REPORT}")
    if failed:
        complain(
            f"{failed} of {len(states)} runs failed; their rows are marked, and the table goes without them"
        )
    return 1 if failed else 0
