"""Starts of a run: from rest, a neighbour's fields, its own last state, or again after it diverged."""

import contextlib
import os
import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import Broken, InputError
from pipeline.files.atomic import set_aside, write_json
from pipeline.flow.forces.histories import read_history
from pipeline.flow.forces.plausible import Bounds, plausible_bounds
from pipeline.flow.solver.boundary_layer import Zones, boundary_layer_zones, critical_reynolds
from pipeline.flow.solver.case import CaseWriter, remove_case
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.flow.solver.execute import spent
from pipeline.flow.solver.fidelity import Fidelity
from pipeline.flow.solver.find import Solver, run_tool
from pipeline.flow.solver.fingerprint import case_files, edited
from pipeline.flow.solver.path import solver_path, work_folder
from pipeline.flow.solver.state import complete, load_state, written_times
from pipeline.flow.solver.surface_motion import surface_velocity, wall_velocity
from pipeline.flow.solver.turning_zones import middles
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Shell
from pipeline.records.flow import CaseStart, RunInputs
from pipeline.records.geometry import FlowTotals, MeshQuality
from pipeline.records.record import read
from pipeline.records.tree import CASE, FORCES, MESH, QUALITY, SPEC, SPENT, START, STATE

SHELTER = 0.1
"""Height above the ball over which the free stream fades in at a cold, time-accurate start, in diameters."""

SET_ASIDE = "case.edited"
"""Where a case goes that was edited by hand; nothing is computed from it."""


@dataclass(frozen=True)
class Task:
    """What every step of a run needs.

    Attributes
    ----------
    results, folder, geometry : Path
        Folders of the study's results, of the run and of its geometry.
    spec : RunInputs
        What the run is, from its spec.json.
    fidelity : Fidelity
        Its model.
    shell : Shell
        Its mesh.
    totals : FlowTotals
        Of its ball.
    """

    results: Path
    folder: Path
    spec: RunInputs
    fidelity: Fidelity
    geometry: Path
    shell: Shell
    totals: FlowTotals

    @property
    def case(self) -> Path:
        """Folder of the solver's case."""
        return self.folder / CASE

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the fields of a state."""
        return ("U", *self.fidelity.free_stream)

    def bounds(self) -> Bounds:
        """Plausible means of its coefficients."""
        return plausible_bounds(self.spec.reynolds, self.spec.spin_ratio)

    def zones(self) -> list[Zones]:
        """Cells in which the spec's state of the boundary layer is enforced, by sector if the mesh turns."""
        spec = self.spec
        turns = self.fidelity.turning and spec.spin_ratio > 0.0 and spec.boundary_layer != "turbulent"
        return [
            boundary_layer_zones(
                self.shell,
                spec.boundary_layer,
                spec.reynolds,
                spec.spin_ratio,
                critical_reynolds(self.totals.depth_m or 0.0, spec.ball_diameter_m),
                spec.trip_angle_rad,
                turned,
            )
            for turned in (middles(self.shell.n) if turns else [0.0])
        ]

    def writer(self, solver: Solver, robust: bool) -> CaseWriter:
        """Writer of its case, in the syntax of the solver found."""
        spec = self.spec
        model = self.fidelity if spec.courant is None else replace(self.fidelity, courant=spec.courant)
        return CaseWriter(
            model,
            self.case,
            reynolds=spec.reynolds,
            spin_ratio=spec.spin_ratio,
            n=self.shell.n,
            iterations=spec.iterations,
            mirrored=self.shell.mirrored,
            robust=robust,
            dialect=solver.dialect,
        )


@dataclass(frozen=True)
class StartedCase:
    """A case that is ready for the solver.

    Attributes
    ----------
    writer : CaseWriter
        Of the case.
    resumed : bool
        Whether it goes on from its own last state.
    attempt : int
        1, or 2 for the more robust settings after the first diverged.
    files : dict of str
        Fingerprints of the case as it was written.
    warnings : list of str
        What should be known of the start.
    """

    writer: CaseWriter
    resumed: bool
    attempt: int
    files: dict[str, str]
    warnings: list[str] = field(default_factory=list)


def resume(task: Task, solver: Solver, ranks: int) -> StartedCase | None:
    """Go on with the case on disk, if it is this run's for this solver, untouched, and has a state to start.

    States that are half written, or whose forces are not written, are removed.
    """
    start = _start_of_same(task, solver, ranks)
    if start is None or edited(task.case, start.files):
        return None
    try:
        last_row = float(read_history(task.case / FORCES).iteration[-1])
    except (InputError, IndexError):
        return None
    parts = [task.case] if ranks == 1 else [task.case / f"processor{rank}" for rank in range(ranks)]
    for name in reversed(written_times(task.case, ranks)):
        # The forces of an iteration are written after its fields: killed in between, they would be missing.
        if float(name) <= last_row and complete(task.case, name, task.fields, ranks):
            robust = start.attempt > 1
            return StartedCase(task.writer(solver, robust), True, start.attempt, start.files, start.warnings)
        for part in parts:
            remove_case(part / name)
    return None


def begin(task: Task, solver: Solver, ranks: int) -> StartedCase:
    """Write the case anew and start from the neighbour's field, or from rest."""
    warnings = _set_aside_if_broken(task)
    fields, more = _start_fields(task)
    warnings += more
    # A case of this run that was killed before its first state is started again, but its time was spent.
    account = (0.0, 0) if _start_of_same(task, solver, ranks) is None else spent(task.case)
    warnings = _set_aside_if_edited(task) + warnings
    return _write(task, solver, ranks, 1, fields, warnings, account)


def begin_again(task: Task, solver: Solver, ranks: int, reason: str) -> StartedCase:
    """Write the case anew with more robust settings and start from rest, after a first attempt."""
    warnings = [f"{reason}; computed again from rest with smaller relaxation factors"]
    return _write(task, solver, ranks, 2, None, warnings, spent(task.case))


def sheltered_start(shell: Shell, spin_ratio: float) -> dict[str, FloatArray]:
    """Velocities from which a time-accurate run can start cold.

    A free stream that blows right through the thin cells at the wall has Courant numbers of a hundred; here
    it fades, over `SHELTER` from the ball, into air that turns with it.

    Parameters
    ----------
    shell : Shell
        The mesh.
    spin_ratio : float
        S.

    Returns
    -------
    dict of ndarray
        U, shape (cells, 3).
    """
    centres = shell.cell_centres()
    height = np.linalg.norm(centres, axis=1, keepdims=True) - PHANTOM_RADIUS
    share = np.exp(-np.maximum(height, 0.0) / SHELTER)
    turning = surface_velocity(centres, spin_ratio)
    return {"U": (1.0 - share) * np.array([1.0, 0.0, 0.0]) + share * turning}


def _start_of_same(task: Task, solver: Solver, ranks: int) -> CaseStart | None:
    """How the case on disk was started, if it is one of this run for the same solver on as many ranks."""
    try:
        start = read(task.case / START, CaseStart)
    except InputError:  # none, or broken: the run is started again
        return None
    same = (start.spec, start.solver, start.ranks) == (task.spec, solver.label, ranks)
    return start if same else None


def _write(
    task: Task,
    solver: Solver,
    ranks: int,
    attempt: int,
    fields: dict[str, FloatArray] | None,
    warnings: list[str],
    account: tuple[float, int],
) -> StartedCase:
    writer = task.writer(solver, robust=attempt > 1)
    remove_case(task.case)
    wall = wall_velocity(task.shell, task.spec.spin_ratio)
    if fields is None and task.fidelity.courant is not None:
        fields = sheltered_start(task.shell, task.spec.spin_ratio)
    rank_of_cell = cell_ranks(task.shell, ranks) if ranks > 1 else None
    writer.write(task.geometry / MESH, wall, fields, rank_of_cell, task.zones())
    if ranks > 1:
        with solver_path(task.case) as path:
            run_tool(solver, ["decomposePar", "-case", str(path)], work_folder(path))
    files = case_files(task.case)
    start = CaseStart(
        spec=task.spec, solver=solver.label, ranks=ranks, attempt=attempt, warnings=warnings, files=files
    )
    write_json(task.case / START, start.content())
    write_json(task.case / SPENT, {"wall_seconds": account[0], "legs": account[1]})
    return StartedCase(writer, False, attempt, files, warnings)


def _set_aside_if_broken(task: Task) -> list[str]:
    """Keep a broken account of how the case was started; the case itself is then started again."""
    try:
        read(task.case / START, CaseStart)
    except Broken as error:
        aside = set_aside(task.case / START, task.folder)
        return [f"{START} was broken ({error.what}): set aside as {aside.name}, started again"]
    except InputError:
        pass  # there is none
    return []


def _set_aside_if_edited(task: Task) -> list[str]:
    """Move a case away that somebody edited; its new name says so."""
    if not (task.case / START).is_file():
        return []
    names = edited(task.case, read(task.case / START, CaseStart).files)
    if not names:
        return []
    aside = task.folder / SET_ASIDE
    shutil.rmtree(aside, ignore_errors=True)
    os.replace(task.case, aside)
    return [f"edited by hand ({', '.join(names)}): set aside as {SET_ASIDE}, computed anew without the edits"]


def _start_fields(task: Task) -> tuple[dict[str, FloatArray] | None, list[str]]:
    """Converged fields of the run to start from, if they are there."""
    origin = task.spec.starts_from
    if origin is None:
        return None, []
    path = task.results / origin / STATE
    if not path.exists():
        return None, [f"started cold: {origin} left no state to start from"]
    try:
        state = load_state(path)
    except Broken as error:
        with contextlib.suppress(FileNotFoundError):  # another run was quicker
            set_aside(path)
        return None, [f"started cold: {path.name} of {origin} was broken ({error.what}), set aside"]
    # A time-accurate run may start from a steady one, which has more fields.
    shapes = {name: (task.shell.cells, 3) if name == "U" else (task.shell.cells,) for name in task.fields}
    if any(name not in state or state[name].shape != shape for name, shape in shapes.items()):
        return None, [f"started cold: the state of {origin} is of another mesh or fidelity"]
    if _edges_fitted(task.results, task.spec) != _edges_fitted(task.results, _spec_of(task, origin)):
        return None, [
            f"started cold: one of the meshes of {origin} and this run has no nodes on dimples' edges"
        ]
    return {name: state[name] for name in task.fields}, []


def _spec_of(task: Task, origin: str) -> RunInputs:
    path = task.results / origin / SPEC
    try:
        return read(path, RunInputs)
    except InputError:  # none, or broken
        return task.spec


def _edges_fitted(results: Path, spec: RunInputs) -> bool:
    """Whether the mesh of a run has nodes on the dimples' edges, or no dimples."""
    path = results / spec.geometry / QUALITY
    try:
        return read(path, MeshQuality).edges_fitted is not False
    except InputError:  # none, or broken
        return True
