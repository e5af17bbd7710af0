"""Computes one run of the flow station: spec.json in, run.json out."""

import datetime
import shutil
import socket
from pathlib import Path

import numpy as np

from pipeline.errors import DepthlineError, InputError
from pipeline.files.atomic import atomic_open, remove_leftovers
from pipeline.flow.campaign.cost import memory_bytes
from pipeline.flow.campaign.kept import drop_states
from pipeline.flow.campaign.provenance import provenance
from pipeline.flow.forces.histories import ForceHistory, read_history
from pipeline.flow.forces.verdict import COEFFICIENTS, judge
from pipeline.flow.solver.boundary_layer import regime_warnings
from pipeline.flow.solver.case import remove_case
from pipeline.flow.solver.execute import Execution, execute
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import Solver, find_solver
from pipeline.flow.solver.fingerprint import edited
from pipeline.flow.solver.log import residuals
from pipeline.flow.solver.resolution import boundary_layer
from pipeline.flow.solver.start import StartedCase, Task, begin, begin_again, resume
from pipeline.flow.solver.state import complete, load_state, read_state, save_state, written_times
from pipeline.flow.solver.surface import wall_yplus, write_surface
from pipeline.geometry.shell.files import load_shell
from pipeline.geometry.shell.mesh import rotated_about_y
from pipeline.records.flow import FAILED, RETRIED, WRONG, RunInputs, RunResult
from pipeline.records.geometry import FlowTotals, MeshQuality
from pipeline.records.record import read, write
from pipeline.records.tree import FORCES, HISTORY, QUALITY, RESULT, SOLVER_LOG, SPEC, STATE, SURFACE, TOTALS

STATE_BYTES_PER_CELL = 100
"""What the solver writes of a cell and its faces at one time, in double precision."""


PLAIN_GRID = (
    "no node of the mesh lies on a dimple's edge, since the cells there could not be made good: edges are "
    "smeared over a cell to about half their angle, and drag is some 5 % low; no comparison with runs on "
    "meshes with nodes on the edges"
)
"""Measured on one ball: facets of 6.9 instead of 12.3 deg, Cd 0.268 instead of 0.284 (docs/decisions/017)."""


class Interrupted(DepthlineError):
    """The run was stopped from outside; its state is on disk, and the next start goes on from it."""

    exit_code = 130


def run(
    results: Path,
    run_id: str,
    ranks: int = 1,
    wall_time: float | None = None,
    keep: str = "numbers",
    solver: Solver | None = None,
) -> RunResult:
    """Compute one run, or go on with it from its last written state.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        Folder of the run below it, holding spec.json.
    ranks : int
        MPI ranks; one is used, with a warning, where there is no MPI.
    wall_time : float, optional
        Ceiling of the time that the solver takes, in seconds, over all its legs.
    keep : str
        "numbers", "surface" (pressure and friction on the ball, as VTK) or "all" (the solver's case too).
    solver : Solver, optional
        The one to use where it was found already; asking it for its version takes a tenth of a second.

    Returns
    -------
    RunResult
        What was written to run.json. A run that diverged, whose means are implausible, that crashed or was
        killed has its verdict there and no coefficients; the study goes on without it. In the first two cases
        it was computed again from rest with more robust settings: its `attempts` are 2.

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
    remove_leftovers(folder)  # of a station that was killed while it wrote a state
    spec = read(folder / SPEC, RunInputs)
    geometry = Path(results) / spec.geometry
    task = Task(
        results=Path(results),
        folder=folder,
        spec=spec,
        fidelity=fidelity(spec.fidelity),
        geometry=geometry,
        shell=load_shell(geometry),
        totals=read(geometry / TOTALS, FlowTotals),
    )
    mesh = read(geometry / QUALITY, MeshQuality)
    solver = solver or find_solver()
    started_at = datetime.datetime.now(datetime.UTC)
    warnings = task.fidelity.warnings(spec.reynolds)
    if task.fidelity.turbulent:
        warnings += regime_warnings(
            spec.boundary_layer, spec.reynolds, task.totals.depth_m or 0.0, spec.ball_diameter_m
        )
    if mesh.edges_fitted is False:
        warnings.append(PLAIN_GRID)
    if ranks > 1 and solver.mpirun is None:
        warnings.append(f"flow.ranks: {ranks}: there is no mpirun on PATH, so it was computed on one core")
        ranks = 1
    started = resume(task, solver, ranks) or begin(task, solver, ranks)
    while True:
        application = solver.dialect.application(task.fidelity.application)
        targets = {"cd": spec.standard_error.cd, "cl": spec.standard_error.cl}
        execution = execute(
            task.case,
            started.writer,
            solver,
            application,
            ranks,
            targets,
            wall_time,
            task.bounds(),
            memory_bytes(task.shell.cells, ranks),
        )
        if execution.ending == "interrupted":
            raise Interrupted(
                f"{run_id}: stopped by {execution.reason}; the next run goes on from its last state"
            )
        result = _result(task, started, execution, solver, ranks)
        if result.verdict not in WRONG or started.attempt > 1:
            break
        started = begin_again(task, solver, ranks, f"{result.verdict} at first ({result.reason})")
    key, origin = provenance(task.results, spec, solver.label, started.files, started_at)
    result = result.changed(
        started_at=started_at.isoformat(timespec="seconds"),
        wall_seconds=round(execution.wall_seconds, 1),
        core_seconds=round(execution.wall_seconds * ranks, 1),
        legs=execution.legs,
        host=socket.gethostname(),
        resumed=started.resumed,
        attempts=started.attempt,
        kept=keep,
        key=key,
        provenance=origin,
        warnings=warnings + started.warnings + result.warnings,
    )
    _finish(task, result, keep)
    return result


def _result(task: Task, started: StartedCase, execution: Execution, solver: Solver, ranks: int) -> RunResult:
    """Row of coefficients.csv and what else is worth keeping of a finished run."""
    spec, warnings = task.spec, [execution.note] if execution.note else []
    history: ForceHistory | None = None
    verdict, reason = execution.ending, execution.reason
    means = {}
    try:
        history = read_history(task.case / FORCES)
    except InputError as error:
        if verdict == "complete":
            verdict, reason = "crashed", str(error)
    by_hand = edited(task.case, started.files)
    if by_hand and verdict in ("complete", "diverged"):
        verdict, reason = "crashed", f"edited by hand while the solver ran: {', '.join(by_hand)}"
    if verdict == "crashed":
        reason += _disk_full(task)
    judged_samples = None
    if history is not None and verdict == "complete":
        judged = history.first(execution.settled_at)
        judged_samples = len(judged.iteration)
        coefficients = judged.coefficients(task.shell.mirrored)
        judgement = judge(
            coefficients, {"cd": spec.standard_error.cd, "cl": spec.standard_error.cl}, task.bounds()
        )
        verdict = judgement.verdict
        if verdict == "diverged":
            reason = "coefficients out of bounds"
        elif verdict == "implausible":
            reason = "; ".join(filter(None, [judgement.reason, reason]))
        else:
            means = judgement.means
        if verdict == "short":
            verdict, few = "crashed", f"only {len(history.iteration)} iterations: too few to judge"
            reason = f"{few}; {reason}" if reason else few
    for name in (STATE, SURFACE):
        (task.folder / name).unlink(missing_ok=True)  # an earlier result's must not pass for this one's
    times = written_times(task.case, ranks)
    yplus: dict[str, float | None] = dict.fromkeys(("yplus_max", "yplus_min", "yplus_mean"))
    thickness, across = None, None
    if verdict not in FAILED and times and complete(task.case, times[-1], task.fields, ranks):
        state = read_state(task.case, times[-1], task.fields, task.shell.cells, ranks)
        if task.fidelity.turning:
            state["U"] = rotated_about_y(state["U"], -2.0 * spec.spin_ratio * float(times[-1]))
        save_state(task.folder / STATE, state)
        values = wall_yplus(task.shell, state["U"], spec.reynolds, spec.spin_ratio)
        yplus = {name: float(getattr(values, name.removeprefix("yplus_"))()) for name in yplus}
        thickness, across = boundary_layer(task.shell, state["U"], spec.spin_ratio)
    elif verdict not in FAILED:
        warnings.append("the solver left no complete state; runs that start from this one start cold")
    if history is not None:
        _write_history(task.folder / HISTORY, history, task.shell.mirrored)
    found = RunResult.model_validate(
        {
            "pattern": spec.pattern,
            "depth_m": task.totals.depth_m,
            "edge_angle_deg": task.totals.edge_angle_deg,
            "reynolds": spec.reynolds,
            "spin_ratio": spec.spin_ratio,
            **{name: means[name].value if name in means else None for name in COEFFICIENTS},
            **{f"{name}_se": means[name].standard_error if name in means else None for name in COEFFICIENTS},
            **{f"{name}_change_50": means[name].change for name in ("cd", "cl") if name in means},
            "verdict": verdict,
            "fidelity": spec.fidelity,
            "cells": task.shell.cells,
            **yplus,
            "iterations": 0 if history is None else len(history.iteration),
            "core_seconds": 0.0,
            "solver": solver.label,
            "run": spec.run,
            "level": spec.level,
            "boundary_layer": spec.boundary_layer,
            "standard_error_target": spec.standard_error,
            "starts_from": spec.starts_from,
            "ranks": ranks,
            "reason": reason,
            "residuals": residuals(task.case / SOLVER_LOG),
            "mesh": read(task.geometry / QUALITY, MeshQuality),
            "cells_across_dimple": task.totals.cells_across_dimple,
            "cells_across_boundary_layer": across,
            "boundary_layer_thickness": thickness,
            "warnings": warnings,
        }
    )
    if not means:
        return found
    return found.changed(
        averaged_from={name: means[name].cut for name in COEFFICIENTS}, judged_samples=judged_samples
    )


def _write_history(path: Path, history: ForceHistory, mirrored: bool) -> None:
    coefficients = history.coefficients(mirrored)
    columns = [history.iteration, *(coefficients[name] for name in COEFFICIENTS)]
    with atomic_open(path) as stream:
        np.savetxt(
            stream, np.column_stack(columns), delimiter=",", comments="",
            header="iteration," + ",".join(COEFFICIENTS), fmt=["%.8g"] + ["%.8g"] * len(COEFFICIENTS),
        )  # fmt: skip


def _disk_full(task: Task) -> str:
    """Say that the disk is full where that may be the cause of a crash; empty otherwise."""
    free = shutil.disk_usage(task.case).free
    if free < STATE_BYTES_PER_CELL * task.shell.cells:
        return f"; the disk is full ({free / 1e6:.0f} MB free at {task.case})"
    return ""


def _finish(task: Task, result: RunResult, keep: str) -> None:
    """Write run.json, then drop what is no longer needed. A run that may be taken up again keeps its case."""
    if result.verdict in FAILED and (task.case / SOLVER_LOG).is_file():
        tail = (task.case / SOLVER_LOG).read_text(errors="replace").splitlines()[-200:]
        with atomic_open(task.folder / SOLVER_LOG) as stream:
            stream.write(("\n".join(tail) + "\n").encode())
    if keep != "numbers" and (task.folder / STATE).is_file():
        state = load_state(task.folder / STATE)
        spec = task.spec
        write_surface(task.folder / SURFACE, task.shell, state, spec.reynolds, spec.spin_ratio)
    write(task.folder / RESULT, result)
    if keep == "all":
        return
    if result.verdict not in RETRIED:
        remove_case(task.case)
    drop_states(task.results, task.spec.run)
