"""Running the solver on a case, watching its forces, and stopping it when their means are known."""

import ctypes
import json
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from pipeline.errors import InputError
from pipeline.files import read_json, write_json, write_text
from pipeline.flow.case import CaseWriter
from pipeline.flow.forces import read_history
from pipeline.flow.solver import Solver, fatal_line
from pipeline.flow.solver_log import log_tail
from pipeline.flow.verdict import judge

POLL_SECONDS = 1.0
STOP_SECONDS = 120.0
"""How long a solver may take to write its state after it was told to stop."""

LOG = "solver.log"
PROGRESS = "progress.json"
SPENT = "spent.json"
"""Wall seconds and legs of a case so far; a leg is one start of the solver."""

FORCES = "postProcessing/forces"


@dataclass(frozen=True)
class Execution:
    """How a solver process ended.

    Attributes
    ----------
    ending : str
        "complete" (stopped by us or at its ceiling), "diverged", "killed" (by a signal), "crashed" (its own
        error), or "interrupted" (we were told to stop; the state is on disk).
    reason : str
        One line for people; empty for "complete" unless the ceiling of wall time ended it.
    settled_at : int or None
        Samples of the history (iterations, when steady) that were judged settled, when that stopped the
        solver. The few that pass until it ends are no part of the mean.
    wall_seconds : float
        Time that the solver took, over all legs of the case.
    legs : int
        How often the solver was started on the case.
    """

    ending: str
    reason: str
    settled_at: int | None
    wall_seconds: float
    legs: int


def execute(
    case: Path,
    writer: CaseWriter,
    solver: Solver,
    application: str,
    ranks: int,
    targets: dict[str, float],
    on_progress: Callable[[dict[str, float | str]], None] | None = None,
    wall_time: float | None = None,
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
    on_progress : callable, optional
        Gets each judgement as written to `progress.json`.
    wall_time : float, optional
        Ceiling of the time that the solver takes, in seconds, over all legs of the case.

    Returns
    -------
    Execution
        How it ended.
    """
    writer.permit_start()
    begun = time.monotonic()
    before, legs = spent(case)
    told: list[int] = []

    def note_signal(number: int, _frame: FrameType | None) -> None:
        told.append(number)

    process: subprocess.Popen[bytes] | None = None
    previous = {number: signal.signal(number, note_signal) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        with (case / LOG).open("ab") as log:
            process = subprocess.Popen(
                solver.command(application, case, ranks),
                stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
                env=solver.environment, preexec_fn=_die_with_parent, start_new_session=True,
            )  # fmt: skip
        stop_asked: float | None = None
        settled_at: int | None = None
        diverged = False
        out_of_time = False
        while process.poll() is None:
            time.sleep(POLL_SECONDS)
            seconds = before + time.monotonic() - begun
            _keep_account(case, seconds, legs + 1)
            progress = _progress(case, writer.mirrored, targets)
            if progress is not None:
                write_text(case / PROGRESS, json.dumps(progress))
                if on_progress is not None:
                    on_progress(progress)
            diverged = progress is not None and progress["verdict"] == "diverged"
            if diverged:
                process.kill()
            elif stop_asked is None:
                if progress is not None and progress["verdict"] == "settled":
                    settled_at = int(progress["iterations"])
                out_of_time = wall_time is not None and seconds >= wall_time and settled_at is None
                if told or out_of_time or settled_at is not None:
                    writer.request_stop()
                    stop_asked = time.monotonic()
            elif stop_asked is not None and time.monotonic() - stop_asked > STOP_SECONDS:
                process.kill()
        process.wait()
    finally:
        if process is not None and process.poll() is None:
            process.kill()  # we could not go on, for instance for a full disk
            process.wait()
        for number, handler in previous.items():
            signal.signal(number, handler)
    seconds = before + time.monotonic() - begun
    _keep_account(case, seconds, legs + 1)
    if told:
        return Execution("interrupted", signal.Signals(told[0]).name, None, seconds, legs + 1)
    if diverged:
        return Execution("diverged", "coefficients out of bounds", None, seconds, legs + 1)
    ending, reason = _ending(process.returncode, case)
    if ending == "complete" and out_of_time:
        reason = f"ceiling of wall time reached ({wall_time:g} s)"
    return Execution(ending, reason, settled_at, seconds, legs + 1)


def spent(case: Path) -> tuple[float, int]:
    """Wall seconds and legs of a case so far, as its last leg has noted them; nothing for a new case."""
    if not (case / SPENT).is_file():
        return 0.0, 0
    account = read_json(case / SPENT)
    return float(account["wall_seconds"]), int(account["legs"])


def _keep_account(case: Path, seconds: float, legs: int) -> None:
    write_json(case / SPENT, {"wall_seconds": round(seconds, 2), "legs": legs})


def _ending(code: int, case: Path) -> tuple[str, str]:
    if code == 0:
        return "complete", ""
    # A shell or MPI launcher reports a child's signal as 128 + number.
    number = -code if code < 0 else code - 128
    if number == signal.SIGFPE:
        return "diverged", "floating point exception in the solver"
    tail = log_tail(case / LOG)
    if number == signal.SIGKILL:
        return "killed", "the solver was killed (SIGKILL; by the system when memory runs out)"
    if code < 0 or number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        return "killed", f"the solver was killed ({signal.Signals(number).name})"
    if "sigFpe::sigHandler" in tail or "signal 8 (Floating point" in tail:
        return "diverged", "floating point exception in the solver"
    return "crashed", f"the solver ended with code {code}: {fatal_line(tail)}"


def _progress(case: Path, mirrored: bool, targets: dict[str, float]) -> dict[str, float | str] | None:
    try:
        history = read_history(case / FORCES)
    except InputError:
        return None  # not there yet, or caught between two writes
    if len(history.iteration) == 0:
        return None
    judgement = judge(history.coefficients(mirrored), targets)
    progress: dict[str, float | str] = {
        "iterations": len(history.iteration),
        "verdict": judgement.verdict,
    }
    for name, mean in judgement.means.items():
        progress[name] = mean.value
        progress[f"{name}_se"] = mean.standard_error
    return progress


def _die_with_parent() -> None:
    """Have the kernel kill the solver when this process dies, so that no orphan goes on writing."""
    death_signal = 1  # PR_SET_PDEATHSIG of prctl(2)
    ctypes.CDLL(None).prctl(death_signal, signal.SIGKILL)
