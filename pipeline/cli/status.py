"""`depthline status`: the state of every run, read from the files that the flow station leaves."""

import time
from collections import Counter
from pathlib import Path
from typing import Required, TypedDict

from rich.console import Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from pipeline.cli.output import print_json, shown_progress, tables, warn
from pipeline.cli.study_input import read_study, with_chosen_runs
from pipeline.errors import InputError
from pipeline.flow.campaign.provenance import mixed, rows
from pipeline.flow.forces.verdict import REASONS
from pipeline.records.flow import FAILED, USABLE, RunProgress, RunResult
from pipeline.records.record import read
from pipeline.records.tree import CASE, PROGRESS, RESULT, SOLVER_LOG, SPEC, short_run_id
from pipeline.study.matrix import RunSpec, runs
from pipeline.study.trade_units import plus_minus

NOT_STARTED, RUNNING, STOPPED, OUTDATED, UNREADABLE = (
    "not started",
    "running",
    "stopped",
    "outdated",
    "unreadable",
)
"""States of a run that has no valid verdict."""

UNFINISHED = (NOT_STARTED, RUNNING)
"""States from which a run goes on by itself while its study is computed."""

WATCH_SECONDS = 3.0
"""Between two looks of `status --watch`."""

SILENT_SECONDS = 120.0
"""A solver writes its log every iteration; one that is silent for longer is taken as stopped."""


class Numbers(TypedDict, total=False):
    """Numbers of a run, those that are known."""

    iterations: int
    cd: float
    cd_se: float
    cl: float
    cl_se: float


class RunState(Numbers):
    """State of a run: one of `NOT_STARTED` and the others, or its verdict; and why, in one line."""

    run: Required[str]
    state: Required[str]
    reason: Required[str]


def run_state(results: Path, run: RunSpec) -> RunState:
    """Report the state of one run.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run : RunSpec
        The run.

    Returns
    -------
    RunState
        With the numbers that are known.
    """
    folder = results / run.run_id
    done, spec = folder / RESULT, folder / SPEC
    if done.exists():
        try:
            result = read(done, RunResult)
        except InputError as error:
            return RunState(run=run.run_id, state=UNREADABLE, reason=str(error))
        verdict: str = result.verdict
        reason = result.reason or REASONS.get(result.verdict, "")
        if spec.is_file() and spec.stat().st_mtime > done.stat().st_mtime:
            verdict, reason = OUTDATED, "its settings changed since; the next run computes it"
        return RunState(run=run.run_id, state=verdict, reason=reason, **_numbers(result))
    log = folder / CASE / SOLVER_LOG
    if not log.is_file():
        return RunState(run=run.run_id, state=NOT_STARTED, reason=_waits_for(results, run))
    numbers = _numbers(_progress(folder))
    silent = time.time() - log.stat().st_mtime
    reason = f"{numbers['iterations']} iterations so far" if "iterations" in numbers else "no iteration yet"
    state = RUNNING
    if silent >= SILENT_SECONDS:
        state = STOPPED
        reason += f", silent for {silent / 60:.0f} min; the next run goes on from its last state"
    return RunState(run=run.run_id, state=state, reason=reason, **numbers)


def _waits_for(results: Path, run: RunSpec) -> str:
    if run.starts_from is None or (results / run.starts_from / RESULT).is_file():
        return "waits for a free core"
    return f"starts from {run.starts_from}"


def _progress(folder: Path) -> RunProgress | None:
    """How far a running solver is, as far as it is known."""
    try:
        return read(folder / CASE / PROGRESS, RunProgress)
    except InputError:  # absent, caught in mid-removal, or broken
        return None


def _numbers(source: RunResult | RunProgress | None) -> Numbers:
    if source is None:
        return {}
    found: Numbers = {"iterations": int(source.iterations)}
    if source.cd is not None:
        found["cd"] = source.cd
    if source.cd_se is not None:
        found["cd_se"] = source.cd_se
    if source.cl is not None:
        found["cl"] = source.cl
    if source.cl_se is not None:
        found["cl_se"] = source.cl_se
    return found


def show_status(path: Path, results_root: Path, as_json: bool) -> None:
    """Print the state of every run of a study.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies.
    as_json : bool
        Print one JSON object instead of tables.
    """
    asked = read_study(path)
    results = results_root / asked.name
    study = with_chosen_runs(asked, results)
    plan = runs(study)
    states = []
    with shown_progress("reading the states of runs") as progress:
        for place, run in enumerate(plan):
            progress(place / len(plan))
            states.append(run_state(results, run))
    warning = mixed(rows(results, [run.run_id for run in plan]))
    counts = dict(Counter(state["state"] for state in states).most_common())
    if as_json:
        print_json(
            {
                "study": study.name,
                "results": str(results),
                "counts": counts,
                "runs": states,
                "warnings": [warning] if warning else [],
            }
        )
        return
    if warning:
        warn([warning])
    if not results.is_dir():
        warn([f"{results}: is not there yet; depthline run {path} makes it"])
    console = tables()
    console.print(_table(study.name, states))
    console.print(_counted(states))


def watch_status(path: Path, results_root: Path) -> None:
    """Show the state of every run anew every few seconds, until none runs or waits any more.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies.
    """
    study, console = read_study(path), tables()
    results = results_root / study.name
    if not console.is_terminal:
        show_status(path, results_root, as_json=False)
        return
    with Live(console=console, auto_refresh=False) as live:
        while True:
            # A study that chooses its runs itself has more of them after each round.
            states = [run_state(results, run) for run in runs(with_chosen_runs(study, results))]
            live.update(
                Group(_table(study.name, _first(states, console.height - 6)), _counted(states)), refresh=True
            )
            if not any(state["state"] in UNFINISHED for state in states):
                return
            time.sleep(WATCH_SECONDS)


def _first(states: list[RunState], most: int) -> list[RunState]:
    """States that fit on the terminal: what runs or has failed before what has ended or waits."""
    order = {RUNNING: 0, STOPPED: 1, NOT_STARTED: 3}
    kept = sorted(states, key=lambda state: order.get(state["state"], 4 if state["state"] in USABLE else 2))
    names = {state["run"] for state in kept[: max(most, 5)]}
    return [state for state in states if state["run"] in names]


def _counted(states: list[RunState]) -> str:
    counts = Counter(state["state"] for state in states).most_common()
    return f"{len(states)} runs: " + ", ".join(f"{count} {name}" for name, count in counts)


def _style(state: str) -> str:
    """Colour of a state where a terminal shows any: what has failed, what somebody should look at."""
    if state in FAILED or state == UNREADABLE:
        return "bold red"
    return "" if state in (*UNFINISHED, USABLE[0]) else "yellow"


def _table(name: str, states: list[RunState]) -> Table:
    table = Table("run", "state", "iterations", "Cd", "Cl", "reason", title=f"Study {name}")
    for state in states:
        table.add_row(
            short_run_id(state["run"]),
            Text(state["state"], style=_style(state["state"])),
            str(state.get("iterations", "")),
            plus_minus(state.get("cd"), state.get("cd_se"), 4),
            plus_minus(state.get("cl"), state.get("cl_se"), 4),
            state["reason"],
        )
    return table
