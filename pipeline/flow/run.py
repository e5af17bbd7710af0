"""One run of the flow station: spec.json in, run.json out."""

import datetime
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import DepthlineError, InputError
from pipeline.files import atomic_open, read_json, write_json
from pipeline.flow.case import CaseWriter, remove_case
from pipeline.flow.execute import FORCES, LOG, Execution, execute
from pipeline.flow.fidelity import Fidelity, fidelity
from pipeline.flow.forces import ForceHistory, read_history
from pipeline.flow.solver import Solver, find_solver, run_tool
from pipeline.flow.state import STATE_FILE, complete, load_state, read_state, save_state, written_times
from pipeline.flow.verdict import COEFFICIENTS, judge
from pipeline.geometry.build import MESH, QUALITY, load_shell
from pipeline.geometry.shell import Shell, wall_velocity

Floats = NDArray[np.float64]

SPEC, RESULT, HISTORY, CASE = "spec.json", "run.json", "history.csv", "case"

FAILED = ("diverged", "crashed", "killed")
"""Verdicts of runs without numbers."""

RETRIED = ("crashed", "killed")
"""Verdicts that the next `depthline run` takes up again; a diverged run would only diverge again."""


class Interrupted(DepthlineError):
    """The run was told to stop; its state is on disk and the next start goes on from it."""

    exit_code = 130


@dataclass(frozen=True)
class _Run:
    """What every step of a run needs."""

    folder: Path
    spec: dict[str, Any]
    fidelity: Fidelity
    geometry: Path
    shell: Shell
    totals: dict[str, Any]

    @property
    def case(self) -> Path:
        return self.folder / CASE

    @property
    def fields(self) -> tuple[str, ...]:
        return ("U", *self.fidelity.free_stream)


def run(
    results: Path,
    run_id: str,
    ranks: int = 1,
    on_progress: Callable[[dict[str, float | str]], None] | None = None,
) -> dict[str, Any]:
    """Compute one run, or go on with it from its last written state.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        Folder of the run below it, holding spec.json.
    ranks : int
        MPI ranks.
    on_progress : callable, optional
        Gets each judgement of the history while the solver runs.

    Returns
    -------
    dict
        What was written to run.json. A run that diverged, crashed or was killed has its verdict there and no
        coefficients; the study goes on without it.

    Raises
    ------
    Interrupted
        If SIGTERM or SIGINT came; run.json is not written.
    MissingError
        If there is no solver.
    InputError
        If the geometry or a file of the case is broken.
    """
    folder = Path(results) / run_id
    spec = read_json(folder / SPEC)
    geometry = Path(results) / spec["geometry"]
    task = _Run(
        folder=folder,
        spec=spec,
        fidelity=fidelity(spec["fidelity"]),
        geometry=geometry,
        shell=load_shell(geometry),
        totals=read_json(geometry / "totals.json"),
    )
    solver = find_solver()
    started = datetime.datetime.now(datetime.UTC)
    warnings = task.fidelity.warnings(spec["reynolds"])
    writer = CaseWriter(task.fidelity, task.case, spec["reynolds"], spec["iterations"], task.shell.mirrored)
    resumed = _resumable(task, ranks)
    if not resumed:
        start, note = _start_fields(Path(results), task)
        warnings += note
        remove_case(task.case)
        writer.write(geometry / MESH, wall_velocity(task.shell, spec["spin_ratio"]), start, ranks)
        write_json(task.case / SPEC, spec | {"ranks": ranks})
        if ranks > 1:
            run_tool(solver, ["decomposePar", "-case", str(task.case)])
    busy = time.monotonic()
    execution = execute(
        task.case, writer, solver, task.fidelity.application, ranks, spec["standard_error"], on_progress
    )
    if execution.ending == "interrupted":
        raise Interrupted(
            f"{run_id}: stopped by {execution.reason}; the next run goes on from its last state"
        )
    result = _result(task, execution, solver, ranks)
    result["started_at"] = started.isoformat(timespec="seconds")
    result["wall_seconds"] = round(time.monotonic() - busy, 1)
    result["core_seconds"] = round(result["wall_seconds"] * ranks, 1)
    result["host"] = socket.gethostname()
    result["resumed"] = resumed
    result["warnings"] = warnings + result["warnings"]
    _finish(task, result)
    return result


def _resumable(task: _Run, ranks: int) -> bool:
    """Whether the case on disk is this run's and has a state to go on from; half-written ones are removed."""
    if not (task.case / SPEC).is_file() or read_json(task.case / SPEC) != task.spec | {"ranks": ranks}:
        return False
    for name in reversed(written_times(task.case, ranks)):
        if complete(task.case, name, task.fields, ranks):
            return True
        for part in [task.case] if ranks == 1 else [task.case / f"processor{rank}" for rank in range(ranks)]:
            remove_case(part / name)
    return False


def _start_fields(results: Path, task: _Run) -> tuple[dict[str, Floats] | None, list[str]]:
    """Converged fields of the run to start from, if they are there."""
    origin = task.spec["starts_from"]
    if origin is None:
        return None, []
    path = results / origin / STATE_FILE
    if not path.is_file():
        return None, [f"started cold: {origin} left no state to start from"]
    state = load_state(path)
    if set(state) != set(task.fields) or len(state["U"]) != task.shell.cells:
        return None, [f"started cold: the state of {origin} is of another mesh or fidelity"]
    return state, []


def _result(task: _Run, execution: Execution, solver: Solver, ranks: int) -> dict[str, Any]:
    """Row of coefficients.csv and what else is worth keeping of a finished run."""
    spec, warnings = task.spec, []
    history: ForceHistory | None = None
    verdict, reason = execution.ending, execution.reason
    means = {}
    try:
        history = read_history(task.case / FORCES)
    except InputError as error:
        if verdict == "complete":
            verdict, reason = "crashed", str(error)
    if history is not None and verdict == "complete":
        judged = history.until(execution.settled_at)
        judgement = judge(judged.coefficients(task.shell.mirrored), spec["standard_error"])
        verdict, means = judgement.verdict, judgement.means
        if verdict == "short":
            verdict, reason = "crashed", f"only {len(history.iteration)} iterations: too few to judge"
    result: dict[str, Any] = {
        "pattern": spec["pattern"],
        "depth_m": task.totals["depth_m"],
        "edge_angle_deg": task.totals["edge_angle_deg"],
        "reynolds": spec["reynolds"],
        "spin_ratio": spec["spin_ratio"],
    }
    for name in ("cd", "cl", "cm", "cs"):
        result[name] = means[name].value if name in means else None
        result[f"{name}_se"] = means[name].standard_error if name in means else None
    times = written_times(task.case, ranks)
    yplus = None
    if verdict not in FAILED and times and complete(task.case, times[-1], task.fields, ranks):
        state = read_state(task.case, times[-1], task.fields, task.shell.cells, ranks)
        save_state(task.folder / STATE_FILE, state)
        yplus = float(wall_yplus(task.shell, state["U"], spec["reynolds"], spec["spin_ratio"]).max())
    elif verdict not in FAILED:
        warnings.append("the solver left no complete state; runs that start from this one start cold")
    result |= {
        "verdict": verdict,
        "fidelity": spec["fidelity"],
        "cells": task.shell.cells,
        "yplus_max": yplus,
        "iterations": int(history.iteration[-1]) if history is not None and len(history.iteration) else 0,
        "solver": solver.label,
        "run": spec["run"],
        "level": spec["level"],
        "standard_error_target": spec["standard_error"],
        "starts_from": spec["starts_from"],
        "ranks": ranks,
        "reason": reason,
        "mesh": read_json(task.geometry / QUALITY),
        "warnings": warnings,
    }
    if means:
        result["averaged_from"] = {name: means[name].cut for name in COEFFICIENTS}
    if history is not None:
        _write_history(task.folder / HISTORY, history, task.shell.mirrored)
    return result


def wall_yplus(shell: Shell, velocity: Floats, reynolds: float, spin_ratio: float) -> Floats:
    """Wall distance y+ of the centre of every first cell.

    Within the viscous sublayer the wall shear is nu times the tangential velocity relative to the wall over
    the distance y, so that u_tau = sqrt(nu |u_t| / y) and y+ = u_tau y / nu.

    Parameters
    ----------
    shell : Shell
        The mesh.
    velocity : ndarray, shape (cells, 3)
        Cell velocities.
    reynolds, spin_ratio : float
        Flow.

    Returns
    -------
    ndarray, shape (q,)
        y+ of each face on the ball.
    """
    centres, normals = shell.ball_faces()
    upper = shell.points[shell.quads + shell.nodes_per_layer].mean(axis=1)
    height = 0.5 * np.abs(np.sum((upper - centres) * normals, axis=1))
    relative = velocity[:: shell.layers] - wall_velocity(shell, spin_ratio)
    tangential = relative - np.sum(relative * normals, axis=1, keepdims=True) * normals
    return np.sqrt(np.linalg.norm(tangential, axis=1) * height * reynolds)


def _write_history(path: Path, history: ForceHistory, mirrored: bool) -> None:
    coefficients = history.coefficients(mirrored)
    columns = [history.iteration, *(coefficients[name] for name in COEFFICIENTS)]
    with atomic_open(path) as stream:
        np.savetxt(
            stream, np.column_stack(columns), delimiter=",", comments="",
            header="iteration," + ",".join(COEFFICIENTS), fmt=["%d"] + ["%.8g"] * len(COEFFICIENTS),
        )  # fmt: skip


def _finish(task: _Run, result: dict[str, Any]) -> None:
    """Write run.json, then drop what is no longer needed. A run that may be taken up again keeps its case."""
    if result["verdict"] in FAILED and (task.case / LOG).is_file():
        tail = (task.case / LOG).read_text(errors="replace").splitlines()[-200:]
        with atomic_open(task.folder / LOG) as stream:
            stream.write(("\n".join(tail) + "\n").encode())
    write_json(task.folder / RESULT, result)
    if result["verdict"] not in RETRIED:
        remove_case(task.case)
