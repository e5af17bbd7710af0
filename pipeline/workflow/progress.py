"""Progress of a study or of the validation: runs done and running, and an estimate of the time left."""

import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError
from pipeline.flow.campaign.cost import COLD_ITERATIONS
from pipeline.flow.campaign.request import prices
from pipeline.records.flow import FAILED, RunProgress, RunResult
from pipeline.records.record import read
from pipeline.records.tree import CASE, PROGRESS, RESULT, SPEC, short_run_id
from pipeline.study.model import Study
from pipeline.study.trade_units import plus_minus, time_left

POLL_SECONDS = 1.0
LOOKING_SHARE = 0.05
"""Largest share of the time that is spent on looking: a study may have thousands of runs on a slow disk."""

PLAIN_SECONDS = 20.0
"""Seconds between two lines of progress where no terminal shows a live one."""


@dataclass(frozen=True)
class State:
    """One look at a study; failed are runs that ended without numbers since we began to look."""

    done: int
    total: int
    running: list[str]
    failed: int
    share: float
    seconds_left: float


@dataclass(frozen=True)
class Expected:
    """What a run is expected to cost.

    Attributes
    ----------
    price : float
        In core seconds.
    iterations : float
        To its mean.
    """

    price: float
    iterations: float


def expected_of(study: Study) -> dict[str, Expected]:
    """What every run of a study is expected to cost, by run."""
    return {run: Expected(price, COLD_ITERATIONS) for run, price in prices(study).items()}


class Clock:
    """Estimates the time that is left from the price of the runs and what they took so far.

    Parameters
    ----------
    expected : mapping of Expected
        By run.
    results : Path
        Their results folder.
    cores : int
        Cores that runs share.
    """

    def __init__(self, expected: Mapping[str, Expected], results: Path, cores: int) -> None:
        self._results = results
        self._cores = max(1, cores)
        self._expected = expected
        self._known = {run for run in expected if self._finished(run)}
        self._done = set(self._known)
        self._failed = 0
        self._begun = time.monotonic()

    def look(self) -> State:
        """State of the runs now."""
        # Each look asks the file system about the runs that are not done, and never again about one that is.
        done = self._done
        fresh_runs = [run for run in self._expected if run not in done and self._finished(run)]
        done.update(fresh_runs)
        self._failed += sum(map(self._has_failed, fresh_runs))
        running, progress = [], 0.0
        for run, expected in self._expected.items():
            if run in done:
                continue
            line, share = self._running(run)
            if line:
                running.append(line)
                progress += share * expected.price
        total = sum(of.price for of in self._expected.values())
        finished = sum(self._expected[run].price for run in done)
        # Runs finished since we began show how fast this machine is against the price list.
        fresh = sum(self._expected[run].price for run in done - self._known) + progress
        elapsed = time.monotonic() - self._begun
        left = total - finished - progress
        pace = elapsed / fresh if fresh > 0.05 * total else 1.0 / self._cores
        return State(
            len(done), len(self._expected), running, self._failed, (finished + progress) / total, left * pace
        )

    def _finished(self, run: str) -> bool:
        result, spec = (self._results / run / name for name in (RESULT, SPEC))
        return result.is_file() and result.stat().st_mtime >= spec.stat().st_mtime

    def _has_failed(self, run: str) -> bool:
        try:
            return read(self._results / run / RESULT, RunResult).verdict in FAILED
        except (OSError, InputError):  # broken: the workflow's end says so
            return False

    def _running(self, run: str) -> tuple[str, float]:
        """Line on a running run and the share of it that is done."""
        path = self._results / run / CASE / PROGRESS
        try:
            if time.time() - path.stat().st_mtime > 60:
                return "", 0.0
            progress = read(path, RunProgress)
        except (OSError, InputError):  # not there, or broken
            return "", 0.0
        text = f"{short_run_id(run)}: iteration {progress.iterations:.0f}"
        for name, value, error in (
            ("Cd", progress.cd, progress.cd_se),
            ("Cl", progress.cl, progress.cl_se),
        ):
            if value is not None and error is not None:
                text += f", {name} {plus_minus(value, error, 4)}"
        return text, min(0.95, progress.iterations / self._expected[run].iterations)


def show(clock: Clock, engine: subprocess.Popen[bytes]) -> None:
    """Show progress until the engine ends: live on a terminal, else a line now and then."""
    if sys.stderr.isatty():
        _show_live(clock, engine)
        return
    last = 0.0
    while engine.poll() is None:
        if time.monotonic() - last > PLAIN_SECONDS:
            last = time.monotonic()
            state, pause = _timed_look(clock)
            if state.done < state.total:
                print(
                    _headline(state) + "".join(f"\n    {line}" for line in state.running),
                    file=sys.stderr,
                    flush=True,
                )
            last += max(0.0, pause - PLAIN_SECONDS)
        time.sleep(POLL_SECONDS)


def _timed_look(clock: Clock) -> tuple[State, float]:
    """Look, and say for how many seconds not to look again."""
    started = time.monotonic()
    state = clock.look()
    return state, max(POLL_SECONDS, (time.monotonic() - started) / LOOKING_SHARE)


def _show_live(clock: Clock, engine: subprocess.Popen[bytes]) -> None:
    from rich.console import Console, Group
    from rich.live import Live
    from rich.progress_bar import ProgressBar
    from rich.text import Text

    with Live(console=Console(stderr=True), refresh_per_second=2, transient=True) as live:
        due = 0.0
        while engine.poll() is None:
            if time.monotonic() < due:
                time.sleep(0.2)
                continue
            state, pause = _timed_look(clock)
            due = time.monotonic() + pause
            bar = ProgressBar(total=1.0, completed=state.share, width=60)
            live.update(Group(Text(_headline(state)), bar, *(Text(f"  {line}") for line in state.running)))


def _headline(state: State) -> str:
    if state.done == state.total:
        failed = f", {state.failed} failed" if state.failed else ""
        return f"tables, flights, decision, report: {state.done} of {state.total} runs done{failed}"
    stage = "flows" if state.done or state.running else "geometry and meshes"
    counts = f"{state.done} of {state.total} runs done, {len(state.running)} running"
    if state.failed:
        counts += f", {state.failed} failed"
    return f"{stage}: {counts} ({100 * state.share:.0f} %), about {time_left(state.seconds_left)} left"
