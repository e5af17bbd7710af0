"""Computes the flows that are due, one by one or side by side, with the time left."""

import concurrent.futures
import multiprocessing
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.cost import SECONDS_PER_CELL_ITERATION
from pipeline.flow.campaign.kept import drop_states
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.case import remove_case
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.state import load_state
from pipeline.geometry.shell.files import load_shell
from pipeline.records.flow import RETRIED, FlowMeasures, RunInputs, RunProgress
from pipeline.records.record import read, write
from pipeline.records.tree import CASE, MEASURES, PROGRESS, RESULT, SPEC, STATE, short_run_id
from pipeline.validation.flows import Flow
from pipeline.validation.wake import wake_measures

POLL_SECONDS = 1.0


@dataclass(frozen=True)
class Progress:
    """One look at what the bench is doing.

    Attributes
    ----------
    done, total : int
        Runs of the flows asked for.
    running : list of str
        A line for each running one.
    seconds_left : float
        Estimate for what is left of them.
    """

    done: int
    total: int
    running: list[str]
    seconds_left: float


def compute_run(
    results: Path,
    run_id: str,
    ranks: int = 1,
    on_progress: Callable[[dict[str, float | str]], None] | None = None,
) -> None:
    """Compute one run and measure its final state; what nothing starts from is dropped after that.

    Parameters
    ----------
    results, run_id, ranks, on_progress
        As for `pipeline.flow.campaign.run.run`.
    """
    folder = results / run_id
    spec = read(folder / SPEC, RunInputs)
    result = run(results, run_id, ranks, on_progress=on_progress, keep="all")
    measures: dict[str, float | None] = {}
    if (folder / STATE).is_file():
        shell = load_shell(results / spec.geometry)
        velocity = load_state(folder / STATE)["U"]
        measures = wake_measures(shell, velocity, spec.reynolds, spec.spin_ratio)
    if result.verdict not in RETRIED:
        remove_case(folder / CASE)
        write(folder / RESULT, result.changed(kept="surface"))
    write_json(folder / MEASURES, FlowMeasures(spec=spec, measures=measures).content())
    drop_states(results, run_id)


class Work:
    """Runs that are due, each after the one it starts from."""

    def __init__(
        self, results: Path, due: list[Flow], on_progress: Callable[[Progress], None] | None
    ) -> None:
        self._results, self._due, self._on_progress = results, due, on_progress
        self._done: set[str] = set()
        self._begun = time.monotonic()

    def one_by_one(self, ranks: int) -> None:
        """Compute in this process, each on as many MPI ranks."""
        for flow in self._due:
            self._tell([(flow, None)])
            compute_run(self._results, flow.run_id, ranks, partial(self._tell_of, flow))
            self._done.add(flow.run_id)

    def _tell_of(self, flow: Flow, now: dict[str, float | str]) -> None:
        self._tell([(flow, RunProgress.model_validate(now))])

    def side_by_side(self, most: int, ranks: int) -> None:
        """Compute so many at a time, at most, each on as many MPI ranks."""
        waiting, running = list(self._due), dict[concurrent.futures.Future[None], Flow]()
        context = multiprocessing.get_context("spawn")
        with concurrent.futures.ProcessPoolExecutor(most, context, _leave_interrupts_alone) as pool:
            try:
                while waiting or running:
                    for flow in [flow for flow in waiting if self._ready(flow)][: most - len(running)]:
                        waiting.remove(flow)
                        running[pool.submit(compute_run, self._results, flow.run_id, ranks)] = flow
                    ended, _ = concurrent.futures.wait(
                        running, POLL_SECONDS, concurrent.futures.FIRST_COMPLETED
                    )
                    for future in ended:
                        self._done.add(running.pop(future).run_id)
                        future.result()
                    self._tell([(flow, self._look(flow)) for flow in running.values()])
            except BaseException:
                # The solvers write their states and end.
                for child in multiprocessing.active_children():
                    child.terminate()
                raise

    def _ready(self, flow: Flow) -> bool:
        start = flow.starts_from
        return start is None or start.run_id in self._done or start not in self._due

    def _look(self, flow: Flow) -> RunProgress | None:
        try:
            return read(self._results / flow.run_id / CASE / PROGRESS, RunProgress)
        except InputError:  # not there, or broken
            return None

    def _tell(self, running: list[tuple[Flow, RunProgress | None]]) -> None:
        if self._on_progress is None:
            return
        elapsed = time.monotonic() - self._begun
        shares = [min(0.95, (now.iterations if now else 0.0) / _expected(flow)) for flow, now in running]
        spent = sum(_price(flow) for flow in self._due if flow.run_id in self._done)
        spent += sum(share * _price(flow) for share, (flow, _) in zip(shares, running, strict=True))
        total = sum(_price(flow) for flow in self._due)
        # What was done since we began tells how fast this machine is against the price list.
        pace = elapsed / spent if spent > 0.03 * total else 1.0 / max(1, len(running))
        lines = [_line(flow, now) for flow, now in running]
        self._on_progress(Progress(len(self._done), len(self._due), lines, (total - spent) * pace))


def _leave_interrupts_alone() -> None:
    """Of a worker: an interrupt of the terminal reaches it too, and matters only while a solver runs."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


EXPECTED_ITERATIONS = 150
"""Of a steady laminar run to its mean, measured from 90 to 250."""


def _expected(flow: Flow) -> float:
    """Samples of the history that a flow will have."""
    steady = fidelity(flow.fidelity).courant is None
    return float(EXPECTED_ITERATIONS if steady else flow.spec().iterations)


def _price(flow: Flow) -> float:
    """Core seconds, roughly: a time step costs as much as an iteration."""
    steps = fidelity(flow.fidelity).steps_per_sample(flow.mesh.level.n)
    return SECONDS_PER_CELL_ITERATION * flow.mesh.cells * _expected(flow) * steps


def _line(flow: Flow, now: RunProgress | None) -> str:
    text = short_run_id(flow.run_id)
    if now is None:
        return text
    text += f": iteration {now.iterations:g}"
    for name, value, error in (("Cd", now.cd, now.cd_se), ("Cl", now.cl, now.cl_se)):
        if value is not None and error is not None:
            text += f", {name} {value:.4f} ± {error:.4f}"
    return text
