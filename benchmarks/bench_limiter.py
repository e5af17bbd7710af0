"""Drag and lift of published balls with other turbulence models: what the stress limiter of SST decides.

    python benchmarks/bench_limiter.py FOLDER [LEVEL [BALL [S [MODEL]]]]

Each published ball (cases/published, the shallower reading of its depth) above its crisis, arcs of one layout
at other depths, and a smooth ball; tripped, half shells, steady, one mesh a ball for all models. A model
starts from SST of the same flow, else from another flow of the ball, else from rest. A run goes on until drag
of its last fifty iterations is within `STEADY` of that of the fifty before, or `LEGS` are over. What is in
FOLDER is not computed again. Writes limiter.csv beside this file. A minute of one core a run on `coarse`.
"""

import csv
import datetime
import platform
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from solved import NEVER, Fields, children

from pipeline.flow.campaign.prepare import layout_spec
from pipeline.flow.forces.histories import read_history
from pipeline.flow.solver.boundary_layer import boundary_layer_zones, critical_reynolds
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.execute import execute
from pipeline.flow.solver.fidelity import BALL_LEVELS, fidelity
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.state import load_state, read_state, save_state, written_times
from pipeline.flow.solver.surface import wall_friction
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import make_layout, solver_shell
from pipeline.geometry.layout.layout import smooth_layout
from pipeline.geometry.shell.files import load_shell, write_shell
from pipeline.geometry.shell.mesh import Shell
from pipeline.records.tree import FORCES, MESH
from pipeline.study.file import load_study
from pipeline.validation.published_balls import CASES, STUDY, published_values
from pipeline.validation.wake import separation_angle

TABLE = Path(__file__).with_name("limiter.csv")
LAST, STEADY, LEGS = 50, 0.001, 3
FIRST_LEG, NEXT_LEG, COLD_LEG = 160, 100, 240
BASE = np.radians(150.0)
"""Angle from the front beyond which the pressure on the ball is its base pressure."""


@dataclass(frozen=True)
class Model:
    """Turbulence model of the solver, coefficients, and the place of the trip if not the criterion's."""

    kind: str = "kOmegaSST"
    coefficients: str = ""
    trip_deg: float | None = None


MODELS = {
    "sst": Model(),
    "bsl": Model(coefficients="a1 1000; alphaK1 0.5;"),
    "a1 0.355": Model(coefficients="a1 0.355;"),
    "a1 0.5": Model(coefficients="a1 0.5;"),
    "wilcox": Model("kOmega"),
    "a1 1": Model(coefficients="a1 1;"),
    "rough": Model(coefficients="F3 yes;"),
    "late trip": Model(trip_deg=75.0),
}
"""`sst` has a1 = 0.31. `bsl`: the baseline model (Menter 1994, AIAA J. 32:1598-1605), which is SST without a
limiter. `a1 0.355`: recalibrated for separation at shocks (Georgiadis & Yoder 2013, AIAA 2013-0685 [memory]);
the limiter of Wilcox 2006 is equal to 0.34. `wilcox`: the solver's k-omega, without limiter and cross
diffusion.
`rough`: the limiter off close to the wall (F3 of Hellsten 1998, AIAA 98-2554, for rough walls). `late trip`:
SST, tripped at 75 degrees."""

BOTH = ("sst", "bsl")


@dataclass(frozen=True)
class Ball:
    """A ball: the case whose layout it has (none: smooth), depth and depth as which it trips [mm]."""

    case: str | None
    depth_mm: float
    trips_as_mm: float
    state: str = "tripped"
    highest_reynolds: float = 1.5e5


def published_ball(case: str) -> Ball:
    """Ball of a case of published values, at the shallower of its depths."""
    depth = min(load_study(CASES / case / STUDY).patterns[0].depths_m or []) * 1e3
    return Ball(case, depth, depth)


PUBLISHED = ("bearman-harvey-1976", "li-2017", "choi-2006", "aoki-2011", "crabill-2019", "beratlis-2012")
BALLS = (
    {case: published_ball(case) for case in PUBLISHED}
    | {
        f"crisis {depth:.2f}": Ball("../crisis", depth, depth, highest_reynolds=2.1e5)
        for depth in (0.15, 0.26, 0.34)
    }
    | {
        "smooth": Ball(None, 0.0, 0.25),
        "smooth laminar": Ball(None, 0.0, 0.25, "laminar"),
    }
)

FLOWS = [
    ("bearman-harvey-1976", 1.5e5, 0.1, tuple(MODELS)),
    ("li-2017", 1.1e5, 0.0, (*BOTH, "wilcox", "a1 0.5", "late trip", "a1 0.355")),
    ("li-2017", 1.1e5, 0.1, BOTH),
    ("choi-2006", 1.1e5, 0.0, (*BOTH, "a1 0.355")),
    ("aoki-2011", 1.3e5, 0.2, ("bsl",)),
    ("crisis 0.34", 1.1e5, 0.08, ("bsl", "late trip")),
    ("crisis 0.15", 1.1e5, 0.08, ("bsl", "late trip")),
    ("bearman-harvey-1976", 1.5e5, 0.3, BOTH),
    ("crisis 0.34", 1.1e5, 0.25, ("bsl",)),
    ("crisis 0.15", 1.1e5, 0.25, ("bsl",)),
    ("smooth", 1.5e5, 0.0, ("bsl", "sst")),
    ("aoki-2011", 1.3e5, 0.3, BOTH),
    ("crabill-2019", 1.5e5, 0.15, ("bsl",)),
    ("bearman-harvey-1976", 1.5e5, 0.05, BOTH),
    ("bearman-harvey-1976", 1.5e5, 0.2, BOTH),
    ("crisis 0.26", 1.1e5, 0.08, ("bsl",)),
    ("crisis 0.26", 1.1e5, 0.25, ("bsl",)),
    ("crabill-2019", 1.5e5, 0.0, BOTH),
    ("aoki-2011", 1.3e5, 0.1, BOTH),
    ("smooth laminar", 1.0e5, 0.0, BOTH),
    ("beratlis-2012", 1.7e5, 0.126, BOTH),
]
"""Ball, Reynolds number, spin ratio, models; the most telling first. Where SST is not among them, its value
on this mesh is in docs/measured (64_moving_pairs.csv, 70_crisis.csv)."""


def mesh_of(folder: Path, level: str, name: str) -> Path:
    """Folder of the mesh of a ball, made once."""
    ball, model = BALLS[name], fidelity("steady-rans")
    place = folder / f"g-{level}-{name}".replace(" ", "_")
    if not place.is_dir():
        layout = smooth_layout()
        if ball.case is not None:
            study = load_study(CASES / ball.case / STUDY)
            layout = make_layout(layout_spec(study, study.patterns[0]))
        dimpled = DimpledBall(layout, np.full(len(layout.directions), ball.depth_mm * 1e-3), 0.0427)
        first_cell = model.first_cell(ball.highest_reynolds)
        write_shell(place, solver_shell(dimpled, BALL_LEVELS[level], first_cell))
    return place


def leg(
    case: Path, shell: Shell, mesh: Path, ball: Ball, flow: tuple[float, float], model: Model,
    start: Fields | None, iterations: int,
) -> tuple[np.ndarray, Fields]:  # fmt: skip
    """One leg of a run: history of Cd, Cl and the friction's part of Cd, shape (n, 3), and the last state."""
    reynolds, spin_ratio = flow
    steady = fidelity("steady-rans")
    writer = CaseWriter(steady, case, reynolds, spin_ratio, shell.n, iterations, shell.mirrored)
    critical = critical_reynolds(ball.trips_as_mm * 1e-3, 0.0427)
    trip = None if model.trip_deg is None else np.radians(model.trip_deg)
    zones = boundary_layer_zones(shell, ball.state, reynolds, spin_ratio, critical, trip)
    writer.write(mesh / MESH, wall_velocity(shell, spin_ratio), start, None, [zones])
    settings = case / "constant/turbulenceProperties"
    text = settings.read_text().replace("kOmegaSST;", f"{model.kind};")
    given = f"{model.kind}Coeffs {{ {model.coefficients} }}\n    printCoeffs"
    settings.write_text(text.replace("printCoeffs", given))
    ended = execute(case, writer, find_solver(), "simpleFoam", 1, NEVER)
    if ended.ending != "complete":
        raise RuntimeError(f"{case}: {ended.ending}: {ended.reason}")
    history = read_history(case / FORCES).coefficients(shell.mirrored)
    rows = [
        [float(cell) for cell in line.replace("(", " ").replace(")", " ").split()]
        for line in next((case / FORCES).rglob("force*.dat")).read_text().splitlines()
        if not line.startswith("#")
    ]
    total = np.array([row[1] for row in rows])
    friction = np.array([row[7] for row in rows]) * history["cd"][-1] / total[-1]
    state = read_state(case, written_times(case)[-1], ("U", *steady.free_stream), shell.cells)
    shutil.rmtree(case)
    return np.column_stack([history["cd"], history["cl"], friction]), state


def compute(
    folder: Path, level: str, name: str, flow: tuple[float, float], model: str, start: Path | None
) -> Path:
    """Compute a run unless it is there; the file of its last state."""
    run = f"{level}-{name}-{flow[0]:g}-{flow[1]:g}-{model}".replace(" ", "_")
    kept, state_file = folder / f"{run}.npz", folder / f"{run}.state.npz"
    if kept.is_file():
        return state_file
    print(datetime.datetime.now().strftime("%H:%M:%S"), run, flush=True)
    mesh = mesh_of(folder, level, name)
    shell, before = load_shell(mesh), children()
    state = load_state(start) if start else None
    parts: list[np.ndarray] = []
    while len(parts) < LEGS:
        count = NEXT_LEG if parts else FIRST_LEG if start else COLD_LEG
        history, state = leg(folder / "case", shell, mesh, BALLS[name], flow, MODELS[model], state, count)
        parts.append(history)
        if abs(history[-LAST:, 0].mean() - history[-2 * LAST : -LAST, 0].mean()) < STEADY:
            break
    save_state(state_file, state)
    history = np.concatenate(parts)
    centres, _ = shell.ball_faces()
    behind = np.arccos(np.clip(-centres[:, 0] / np.linalg.norm(centres, axis=1), -1.0, 1.0)) > BASE
    base = 2.0 * state["p"][shell.cells_over(0)][behind].mean()
    separation = np.nan
    if flow[1] == 0.0:
        separation = separation_angle(centres, wall_friction(shell, state["U"], *flow)[0]) or np.nan
    np.savez(kept, history=history, base=base, separation=separation, seconds=children() - before)
    last = history[-LAST:].mean(axis=0)
    print("   ", *np.round(last, 4), f"base {base:.3f} separation {separation:.1f} {len(history)} iterations",
          f"{children() - before:.0f} s", flush=True)  # fmt: skip
    return state_file


def row(folder: Path, level: str, name: str, flow: tuple[float, float], model: str) -> list[str] | None:
    """Row of the table; None where the run is not there."""
    kept = folder / f"{level}-{name}-{flow[0]:g}-{flow[1]:g}-{model}.npz".replace(" ", "_")
    if not kept.is_file():
        return None
    with np.load(kept) as found:
        history = found["history"]
        last = history[-LAST:].mean(axis=0)
        change = last - history[-2 * LAST : -LAST].mean(axis=0)
        published = ["", "", "", ""]
        if name in PUBLISHED:
            for of in published_values(CASES / name):
                if (of.reynolds, of.spin_ratio) == flow:
                    at = 0 if of.quantity == "cd" else 2
                    published[at : at + 2] = [f"{of.value:g}", f"{of.standard_error:g}"]
        return [
            level, name, f"{BALLS[name].depth_mm:.3f}", f"{flow[0]:g}", f"{flow[1]:g}", model,
            f"{last[0]:.4f}", f"{change[0]:+.4f}", f"{last[1]:.4f}", f"{change[1]:+.4f}", f"{last[2]:.4f}",
            f"{float(found['base']):.3f}", f"{float(found['separation']):.1f}".replace("nan", ""), *published,
            str(len(history)), f"{float(found['seconds']):.0f}",
        ]  # fmt: skip


COLUMNS = (
    "level", "ball", "depth_mm", "reynolds", "spin_ratio", "model", "cd", "cd_change", "cl", "cl_change",
    "cd_friction", "base_cp", "separation_deg", "published_cd", "published_cd_se", "published_cl",
    "published_cl_se", "iterations", "core_seconds", "date", "machine", "commit",
)  # fmt: skip


def main(folder: Path, level: str = "coarse", *wanted: str) -> None:
    """Compute what is wanted and write the table of all that is there."""
    folder.mkdir(parents=True, exist_ok=True)
    only = [*wanted, "all", "all", "all"][:3]
    states: dict[tuple[str, str], list[Path]] = {}  # by ball and model
    for name, reynolds, spin_ratio, models in FLOWS:
        at = (reynolds, spin_ratio)
        if only[0] not in ("all", name) or only[1] not in ("all", f"{spin_ratio:g}"):
            continue
        sst: list[Path] = []  # of this flow
        for model in models if only[2] == "all" else only[2].split(","):
            before = [*sst, *states.get((name, model), []), *states.get((name, "bsl"), [])]
            state = compute(folder, level, name, at, model, before[0] if before else None)
            states.setdefault((name, model), []).append(state)
            sst += [state] if model == "sst" else []
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, cwd=TABLE.parent
    ).stdout.strip()
    stamp = [datetime.date.today().isoformat(), platform.machine(), commit]
    with TABLE.open("w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        for of_level in BALL_LEVELS:
            for name, reynolds, spin_ratio, _ in FLOWS:
                for model in MODELS:
                    found = row(folder, of_level, name, (reynolds, spin_ratio), model)
                    if found is not None:
                        writer.writerow([*found, *stamp])


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
