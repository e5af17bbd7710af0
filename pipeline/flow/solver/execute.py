"""Running the solver on a case, watching its forces, and stopping it when their means are known."""

import contextlib
import ctypes
import json
import math
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.flow.forces.histories import read_history
from pipeline.flow.forces.plausible import Bounds
from pipeline.flow.forces.verdict import judge
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.find import Solver, fatal_line
from pipeline.flow.solver.log import log_tail
from pipeline.flow.solver.path import solver_path, work_folder
from pipeline.machine.memory_watch import MemoryWatch
from pipeline.machine.processes import end_session
from pipeline.records.tree import FORCES, PROGRESS, SOLVER_LOG, SPENT

POLL_SECONDS = 1.0
STOP_SECONDS = 120.0
STOP_SAMPLES = 3.0
"""How long a solver may take to end and write its state after it was asked to stop: that many seconds, or the
time of so many samples of its history, which on large meshes is longer."""


@dataclass(frozen=True)
class Execution:
    """How a solver process ended.

    Attributes
    ----------
    ending : str
        "complete" (stopped by us or at its ceiling), "diverged", "killed" (by a signal), "crashed" (its own
        error), or "interrupted" (this process was asked to stop; the state is on disk).
    reason : str
        One line for people; empty for "complete" unless the ceiling of wall time ended it.
    settled_at : int or None
        Samples of the history (iterations, when steady) at which the means had reached their targets, when
        that stopped the solver. The few that pass until it ends are no part of the mean.
    wall_seconds : float
        Time that the solver took, over all legs of the case.
    legs : int
        How often the solver was started on the case.
    note : str
        How it ended, when the means had reached their targets and it did not end as asked: the run counts,
        its last state may be missing. Empty otherwise.
    """

    ending: str
    reason: str
    settled_at: int | None
    wall_seconds: float
    legs: int
    note: str = ""


def execute(
    case: Path,
    writer: CaseWriter,
    solver: Solver,
    application: str,
    ranks: int,
    targets: dict[str, float],
    wall_time: float | None = None,
    bounds: Bounds | None = None,
    memory_needed: float = 0.0,
) -> Execution:
    """Run the solver until the means are known, it reaches a ceiling, or something stops it.

    Every `POLL_SECONDS` the force history is judged; the latest judgement stands in the case's
    `progress.json`. SIGTERM and SIGINT to this process make the solver write its state and end.

    Parameters
    ----------
    case : Path
        A written (and, for several ranks, decomposed) case.
    writer : CaseWriter
        Of that case; it rewrites controlDict to stop the solver.
    solver : Solver
        The solver found.
    application : str
        Name of the executable.
    ranks : int
        MPI ranks.
    targets : dict of float
        Target standard errors of cd and cl.
    wall_time : float, optional
        Ceiling of the time that the solver takes, in seconds, over all legs of the case.
    bounds : dict of tuple, optional
        Plausible means, for the judgement.
    memory_needed : float
        Bytes that the solver needs at most.

    Returns
    -------
    Execution
        How it ended. A solver that does not end in time after it was asked to stop is killed with all
        processes of its session; a run whose means had reached their targets by then is complete.
    """
    writer.permit_start()
    memory = MemoryWatch(memory_needed)
    began = time.monotonic()
    before, legs = spent(case)
    signals: list[int] = []

    def note_signal(number: int, _frame: FrameType | None) -> None:
        signals.append(number)

    links = contextlib.ExitStack()
    path = links.enter_context(solver_path(case))
    process: subprocess.Popen[bytes] | None = None
    previous = {number: signal.signal(number, note_signal) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        folder = work_folder(path)
        with (case / SOLVER_LOG).open("ab") as log:
            process = subprocess.Popen(
                solver.command(application, path, ranks),
                stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
                cwd=folder, env=solver.environment | {"PWD": str(folder)},
                preexec_fn=_die_with_parent, start_new_session=True,
            )  # fmt: skip
        stop_asked: float | None = None
        settled_at: int | None = None
        diverged = out_of_time = given_up = False
        samples = 0
        while process.poll() is None:
            time.sleep(POLL_SECONDS)
            seconds = before + time.monotonic() - began
            memory.look()
            _keep_account(case, seconds, legs + 1)
            progress = _progress(case, writer.mirrored, targets, bounds)
            if progress is not None:
                samples = int(progress["iterations"])
                write_text(case / PROGRESS, json.dumps(progress), durable=False)
            diverged = progress is not None and progress["verdict"] == "diverged"
            if diverged:
                end_session(process.pid)
            elif stop_asked is None:
                if progress is not None and progress["at_targets"]:
                    settled_at = samples
                out_of_time = wall_time is not None and seconds >= wall_time and settled_at is None
                if signals or out_of_time or settled_at is not None:
                    writer.request_stop()
                    stop_asked = time.monotonic()
            elif time.monotonic() - stop_asked > max(STOP_SECONDS, STOP_SAMPLES * seconds / (samples or 1)):
                given_up = True
                end_session(process.pid)
    finally:
        if process is not None and process.poll() != 0:
            # We could not go on, for instance for a full disk; or the launcher died and left its ranks.
            end_session(process.pid)
            process.wait()
        links.close()
        for number, handler in previous.items():
            signal.signal(number, handler)
    seconds = before + time.monotonic() - began
    _keep_account(case, seconds, legs + 1)

    def ended(ending: str, reason: str, note: str = "") -> Execution:
        return Execution(ending, reason, settled_at, seconds, legs + 1, note)

    if signals and settled_at is None:
        return ended("interrupted", signal.Signals(signals[0]).name)
    if diverged:
        return ended("diverged", "coefficients out of bounds")
    ending, reason = _ending(process.returncode, case, memory)
    if given_up:
        ending, reason = "complete", "the solver did not end after it was asked to stop, and was killed"
    ceiling = f"ceiling of wall time reached ({wall_time:g} s)" if out_of_time else ""
    if settled_at is not None and ending != "diverged":
        after = "" if reason == "" else f"after the means had reached their targets, {reason}"
        return ended("complete", "", after)
    if ending == "complete":
        return ended(ending, "; ".join(filter(None, [ceiling, reason])))
    return ended(ending, reason)


def spent(case: Path) -> tuple[float, int]:
    """Wall seconds and legs of a case so far, as its last leg has noted them; nothing for a new case.

    An account that cannot be read, after a power cut for instance, is started again.
    """
    try:
        account = json.loads((case / SPENT).read_text())
        seconds, legs = float(account["wall_seconds"]), int(account["legs"])
    except (OSError, ValueError, TypeError, KeyError, OverflowError):
        return 0.0, 0
    return (seconds, legs) if math.isfinite(seconds) and seconds >= 0.0 and legs >= 0 else (0.0, 0)


def _keep_account(case: Path, seconds: float, legs: int) -> None:
    account = {"wall_seconds": round(seconds, 2), "legs": legs}
    write_text(case / SPENT, json.dumps(account), durable=False)


def _ending(code: int, case: Path, memory: MemoryWatch) -> tuple[str, str]:
    if code == 0:
        return "complete", ""
    # A shell or MPI launcher reports a child's signal as 128 + number.
    number = -code if code < 0 else code - 128
    if number == signal.SIGFPE:
        return "diverged", "floating point exception in the solver"
    tail = log_tail(case / SOLVER_LOG)
    if number == signal.SIGKILL:
        return "killed", "; ".join(filter(None, ["the solver was killed (SIGKILL)", memory.shortage()]))
    if code < 0 or number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        return "killed", f"the solver was killed ({signal.Signals(number).name})"
    if "sigFpe::sigHandler" in tail or "signal 8 (Floating point" in tail:
        return "diverged", "floating point exception in the solver"
    return "crashed", f"the solver ended with code {code}: {fatal_line(tail)}"


def _progress(
    case: Path, mirrored: bool, targets: dict[str, float], bounds: Bounds | None
) -> dict[str, float | str] | None:
    try:
        history = read_history(case / FORCES)
    except InputError:
        return None  # not there yet, or caught between two writes
    if len(history.iteration) == 0:
        return None
    judgement = judge(history.coefficients(mirrored), targets, bounds)
    progress: dict[str, float | str] = {
        "iterations": len(history.iteration),
        "verdict": judgement.verdict,
        "at_targets": judgement.at_targets,
    }
    for name, mean in judgement.means.items():
        progress[name] = mean.value
        progress[f"{name}_se"] = mean.standard_error
    return progress


def _die_with_parent() -> None:
    """Have the kernel kill the solver when this process dies, so that no orphan goes on writing."""
    death_signal = 1  # PR_SET_PDEATHSIG of prctl(2)
    ctypes.CDLL(None).prctl(death_signal, signal.SIGKILL)
