"""Working off flows that are due: one by one, or several at a time, with the time left."""

import concurrent.futures
import multiprocessing
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files import records
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.cost import SECONDS_PER_CELL_ITERATION
from pipeline.flow.campaign.kept import drop_states
from pipeline.flow.campaign.run import RESULT, RETRIED, run
from pipeline.flow.solver.case import remove_case
from pipeline.flow.solver.execute import PROGRESS
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.start import CASE, SPEC
from pipeline.flow.solver.state import STATE_FILE, load_state
from pipeline.geometry.shell.files import load_shell
from pipeline.validation.flows import Flow
from pipeline.validation.wake import wake_measures

MEASURES = records.MEASURES.name
"""What is measured in the final state of a run, with the spec that it was computed for."""

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
    spec = records.read(folder / SPEC, records.RUN_SPEC)
    result = run(results, run_id, ranks, on_progress=on_progress, keep="all")
    measures: dict[str, float | None] = {}
    if (folder / STATE_FILE).is_file():
        shell = load_shell(results / spec["geometry"])
        velocity = load_state(folder / STATE_FILE)["U"]
        measures = wake_measures(shell, velocity, spec["reynolds"], spec["spin_ratio"])
    if result["verdict"] not in RETRIED:
        remove_case(folder / CASE)
        write_json(folder / RESULT, result | {"kept": "surface"})
    write_json(folder / MEASURES, {"spec": spec, "measures": measures})
    drop_states(results, run_id, RESULT, RETRIED)


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
            self._tell([(flow, {})])
            compute_run(self._results, flow.run_id, ranks, partial(self._tell_of, flow))
            self._done.add(flow.run_id)

    def _tell_of(self, flow: Flow, now: dict[str, Any]) -> None:
        self._tell([(flow, now)])

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

    def _look(self, flow: Flow) -> dict[str, Any]:
        try:
            return records.read(self._results / flow.run_id / CASE / PROGRESS, records.PROGRESS)
        except InputError:  # not there, or broken
            return {}

    def _tell(self, running: list[tuple[Flow, dict[str, Any]]]) -> None:
        if self._on_progress is None:
            return
        elapsed = time.monotonic() - self._begun
        shares = [min(0.95, now.get("iterations", 0.0) / _expected(flow)) for flow, now in running]
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
    return float(EXPECTED_ITERATIONS if steady else flow.spec()["iterations"])


def _price(flow: Flow) -> float:
    """Core seconds, roughly: a time step costs as much as an iteration."""
    steps = fidelity(flow.fidelity).steps_per_sample(flow.mesh.level.n)
    return SECONDS_PER_CELL_ITERATION * flow.mesh.cells * _expected(flow) * steps


def _line(flow: Flow, now: dict[str, Any]) -> str:
    text = flow.run_id.removeprefix("runs/")
    if "iterations" in now:
        text += f": iteration {now['iterations']:g}"
    if "cd" in now:
        text += f", Cd {now['cd']:.4f} ± {now['cd_se']:.4f}, Cl {now['cl']:.4f} ± {now['cl_se']:.4f}"
    return text
