"""Values at which runs stop against those after four times as many iterations, over their standard errors.

    python benchmarks/bench_stops.py [FOLDER]

Ten tripped runs of one ball, two from rest and eight from a neighbour's last state, each computed for
`LONGEST` iterations and judged afterwards at every iteration as a run judges itself. Writes stops.csv, and
the histories as stops.npz (`tests/flow/forces/test_stops.py` judges them), beside this file. Cases and
histories are kept in FOLDER where one is named; histories that are there are judged again without the solver.
500 core seconds.
"""

import csv
import datetime
import platform
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from solved import DIAMETER, NEVER, TARGETS, Bench

from pipeline.flow.forces.histories import read_history
from pipeline.flow.forces.verdict import COEFFICIENTS, MIN_ITERATIONS, judge
from pipeline.flow.solver.boundary_layer import boundary_layer_zones, critical_reynolds
from pipeline.flow.solver.execute import FORCES
from pipeline.geometry.shell.mesh import Level

LEVEL = Level(28, 30)
"""70,560 cells on the half shell: a tenth of a second an iteration."""

LONGEST = 640
TIMES = 4
"""The value after so many times the iterations of the stop, or at the end, stands for the limit."""

TABLE, HISTORIES = (Path(__file__).with_name(name) for name in ("stops.csv", "stops.npz"))


@dataclass(frozen=True)
class Planned:
    """A run: depth [m], Reynolds number, spin ratio, and the number of the run that it starts from."""

    depth_m: float
    reynolds: float
    spin_ratio: float
    start: int | None


RUNS = (
    Planned(2.0e-4, 2.1e5, 0.08, None),
    Planned(2.0e-4, 2.1e5, 0.24, 0),
    Planned(1.5e-4, 2.1e5, 0.08, 0),
    Planned(2.6e-4, 2.1e5, 0.08, 0),
    Planned(1.5e-4, 2.1e5, 0.24, 1),
    Planned(2.0e-4, 1.1e5, 0.08, None),
    Planned(2.0e-4, 1.1e5, 0.24, 5),
    Planned(1.5e-4, 1.1e5, 0.08, 5),
    Planned(2.6e-4, 1.1e5, 0.08, 5),
    Planned(2.6e-4, 1.1e5, 0.24, 6),
)
"""As a study computes them: the lowest spin of a Reynolds number from rest, then spins and depths."""


def histories(folder: Path) -> list[dict[str, np.ndarray]]:
    """Histories of all runs, computed where they are not kept in the folder."""
    bench = Bench(folder, LEVEL)
    found = []
    for place, run in enumerate(RUNS):
        kept = folder / f"run-{place}.npz"
        if not kept.is_file():
            depth = run.depth_m / DIAMETER
            shell, mesh = bench.ball(depth)
            start = None
            if run.start is not None:
                start = bench.state_of(folder / f"run-{run.start}", shell.cells)
            critical = critical_reynolds(run.depth_m, DIAMETER)
            zones = boundary_layer_zones(shell, "tripped", run.reynolds, run.spin_ratio, critical)
            solved = bench.run(
                kept.stem, (shell, mesh), run.reynolds, run.spin_ratio, start, NEVER, LONGEST, zones=[zones]
            )
            coefficients = read_history(solved.case / FORCES).coefficients(shell.mirrored)
            np.savez(kept, seconds=solved.seconds, **coefficients)
        with np.load(kept) as arrays:
            found.append({name: arrays[name] for name in arrays.files})
        print(f"{place + 1} of {len(RUNS)} runs", file=sys.stderr, flush=True)
    return found


def stop_of(history: dict[str, np.ndarray]) -> tuple[int, dict[str, tuple[float, float]]] | None:
    """Iteration at which a run that is judged at every iteration stops, with its values and errors."""
    for count in range(MIN_ITERATIONS, LONGEST):
        judgement = judge({name: history[name][:count] for name in COEFFICIENTS}, TARGETS)
        if judgement.at_targets:
            means = {name: judgement.means[name] for name in TARGETS}
            return count, {name: (mean.value, mean.standard_error) for name, mean in means.items()}
    return None


def main() -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        kept = histories(folder)
    # Single precision holds seven digits, as the solver writes.
    arrays = {
        f"{name}_{place}": history[name].astype("<f4")
        for place, history in enumerate(kept)
        for name in TARGETS
    }
    np.savez_compressed(HISTORIES, **arrays)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, cwd=TABLE.parent
    ).stdout.strip()
    stamp = [datetime.date.today().isoformat(), platform.machine(), commit]
    rows, within = [], {name: 0 for name in TARGETS}
    for run, history in zip(RUNS, kept, strict=True):
        row = [run.depth_m, run.reynolds, run.spin_ratio, "rest" if run.start is None else "neighbour"]
        stop = stop_of(history)
        if stop is None:
            rows.append([*row, *[""] * 10, *stamp])
            continue
        count, values = stop
        after = min(TIMES * count, len(history["cd"]))
        row += [count, after]
        for name, (value, error) in values.items():
            later = float(history[name][after - 10 : after].mean())
            ratio = abs(value - later) / error
            within[name] += ratio <= 2.0
            row += [f"{value:.6f}", f"{error:.6f}", f"{later:.6f}", f"{ratio:.2f}"]
        rows.append([*row, *stamp])
    names = ["depth_m", "reynolds", "spin_ratio", "start", "stop", "after"]
    for name in TARGETS:
        names += [name, f"{name}_se", f"{name}_after", f"{name}_ratio"]
    with TABLE.open("w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow([*names, "date", "machine", "commit"])
        writer.writerows(rows)
    print(TABLE.read_text())
    print(f"ratio at most 2: Cd {within['cd']} and Cl {within['cl']} of {len(RUNS)}")


if __name__ == "__main__":
    main()
