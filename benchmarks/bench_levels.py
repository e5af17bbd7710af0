"""Drag, lift and their steps with depth on families of shells: what a mesh decides, and what it costs.

    python benchmarks/bench_levels.py FOLDER [NAME ...]

The verification's dimpled ball, tripped, Re 1.5e5, S 0.1, half shells. Each run goes for a fixed number of
iterations from another's last state (the nearest cells of a mesh that differs), or from rest. All runs of
`RUNS`, or those named, each after the one it starts from; what is in FOLDER is not computed again. Writes
levels.csv beside this file. Half an hour of one core for all.
"""

import csv
import datetime
import platform
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree
from solved import NEVER, Fields, children

from pipeline.flow.forces.histories import read_history
from pipeline.flow.solver.boundary_layer import boundary_layer_zones, critical_reynolds
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.execute import FORCES, execute
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.resolution import boundary_layer
from pipeline.flow.solver.state import read_state, written_times
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.shell.files import MESH, load_shell, write_shell
from pipeline.geometry.shell.mesh import Level, Shell
from pipeline.validation.dimpled import DIAMETER_M, HIGHEST_REYNOLDS, MIDDLE, layout

TABLE = Path(__file__).with_name("levels.csv")
LAST = 50
"""Iterations at the end whose mean is the value; its change is from the mean of those before."""


@dataclass(frozen=True)
class Planned:
    """A run: level, depth [mm], iterations, and the run that it starts from."""

    level: Level
    depth_mm: float
    iterations: int
    start: str | None = None


NEAR = Level(80, 48, 19, (25, 30))
"""Coarsens 0.04 and 0.13 diameters off the ball, where cells are as high as wide."""
GRADED = Level(56, 44, 15, (37,))

RUNS = {
    "A20": Planned(NEAR, 0.20, 240),
    "A25": Planned(NEAR, 0.25, 120, "A20"),
    "E20": Planned(Level(56, 44, 15), 0.20, 160, "A20"),
    "F20": Planned(Level(56, 44, 15, (30,)), 0.20, 100, "E20"),
    "E20b": Planned(GRADED, 0.20, 200, "E20"),
    "E25": Planned(GRADED, 0.25, 200, "E20b"),
    "E20c": Planned(GRADED, 0.20, 240, "E20b"),
    "G20": Planned(Level(80, 44, 15, (37,)), 0.20, 200, "E20b"),
    "G25": Planned(Level(80, 44, 15, (37,)), 0.25, 160, "G20"),
    "G20c": Planned(Level(80, 44, 15, (37,)), 0.20, 160, "G20"),
    "C20": Planned(Level(40, 44, 15, (37,)), 0.20, 220, "E20b"),
    "C25": Planned(Level(40, 44, 15, (37,)), 0.25, 200, "C20"),
    "D20": Planned(Level(40, 40), 0.20, 220, "C20"),
    "D25": Planned(Level(40, 40), 0.25, 200, "D20"),
}


def on_other_mesh(given: Shell, state: Fields, wanted: Shell) -> Fields:
    """State of another mesh: from the four nearest cells by direction and logarithm of the height."""
    if (given.cells, given.layers, given.coarsen_at) == (wanted.cells, wanted.layers, wanted.coarsen_at):
        return state

    def places(shell: Shell) -> np.ndarray:
        centres = shell.cell_centres()
        radius = np.linalg.norm(centres, axis=1)
        return np.column_stack([centres / radius[:, None], 0.15 * np.log(radius - 0.49)])

    distance, near = cKDTree(places(given)).query(places(wanted), k=4)
    weight = 1.0 / (distance + 1e-9) ** 2
    weight /= weight.sum(axis=1, keepdims=True)
    return {name: np.einsum("ck,ck...->c...", weight, values[near]) for name, values in state.items()}


def compute(folder: Path, name: str) -> None:
    """Compute a run and keep its history."""
    run, model, solver = RUNS[name], fidelity("steady-rans"), find_solver()
    fields = ("U", *model.free_stream)
    depth_m = run.depth_mm * 1e-3
    ball = DimpledBall(layout(), np.full(len(layout().directions), depth_m), DIAMETER_M)
    shell = solver_shell(ball, run.level, model.first_cell(HIGHEST_REYNOLDS))
    write_shell(folder / f"g-{name}", shell)
    start = None
    if run.start is not None:
        given, origin = load_shell(folder / f"g-{run.start}"), folder / run.start
        start = on_other_mesh(
            given, read_state(origin, written_times(origin)[-1], fields, given.cells), shell
        )
    reynolds, spin_ratio = MIDDLE
    writer = CaseWriter(model, folder / name, reynolds, spin_ratio, shell.n, run.iterations, shell.mirrored)
    zones = boundary_layer_zones(
        shell, "tripped", reynolds, spin_ratio, critical_reynolds(depth_m, DIAMETER_M)
    )
    writer.write(folder / f"g-{name}" / MESH, wall_velocity(shell, spin_ratio), start, None, [zones])
    before = children()
    execute(folder / name, writer, solver, "simpleFoam", 1, NEVER)
    seconds = children() - before
    coefficients = read_history(folder / name / FORCES).coefficients(shell.mirrored)
    state = read_state(folder / name, written_times(folder / name)[-1], fields, shell.cells)
    across = boundary_layer(shell, state["U"], spin_ratio)[1]
    np.savez(
        folder / f"{name}.npz",
        cd=coefficients["cd"], cl=coefficients["cl"], seconds=seconds, cells=shell.cells, across=across,
    )  # fmt: skip


def row(name: str, run: Planned, history: dict[str, np.ndarray]) -> list[str]:
    """Row of the table."""
    level = run.level
    values = []
    for coefficient in ("cd", "cl"):
        series = history[coefficient]
        last, before = series[-LAST:].mean(), series[-2 * LAST : -LAST].mean()
        values += [f"{last:.5f}", f"{last - before:+.5f}"]
    coarsen_at = " ".join(map(str, level.coarsen_at))
    seconds, count = float(history["seconds"]), len(history["cd"])
    return [
        name, *map(str, (level.n, level.layers, level.wall_layers)), coarsen_at, str(int(history["cells"])),
        str(int(history["across"])), f"{run.depth_mm:.2f}", run.start or "rest", str(count),
        f"{seconds / count:.3f}", *values,
    ]  # fmt: skip


def main() -> None:
    if len(sys.argv) < 2:
        sys.exit(re.sub(r"\A.*?\n\n", "", __doc__, flags=re.S))
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name in sys.argv[2:] or RUNS:
        if not (folder / f"{name}.npz").is_file():
            print(name, file=sys.stderr, flush=True)
            compute(folder, name)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, cwd=TABLE.parent
    ).stdout.strip()
    stamp = [datetime.date.today().isoformat(), platform.machine(), commit]
    rows = []
    for name, run in RUNS.items():
        if (folder / f"{name}.npz").is_file():
            with np.load(folder / f"{name}.npz") as arrays:
                rows.append([*row(name, run, {key: arrays[key] for key in arrays.files}), *stamp])
    with TABLE.open("w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(
            [
                "run", "n", "layers", "wall_layers", "coarsen_at", "cells", "cells_across_boundary_layer",
                "depth_mm", "start", "iterations", "core_seconds_an_iteration", "cd", "cd_change", "cl",
                "cl_change", "date", "machine", "commit",
            ]
        )  # fmt: skip
        writer.writerows(rows)
    print(TABLE.read_text(), end="")


if __name__ == "__main__":
    main()
