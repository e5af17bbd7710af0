"""CPU seconds of settled runs: what settings and starts cost, and what ranks have to tell each other.

One run each way on the same machine. CPU seconds of the solver are compared, not wall seconds; what the
numbers were is in RESULTS.md.

    python benchmarks/bench_starts.py [starts] [decomposition] [LEVEL]

What to compare, both by default; a mesh level of steady-rans ("coarse" is the demonstration's), else a third.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree
from solved import BOXES, COLUMNS, MIDDLE, NEVER, SHALLOW, THIRD, Bench, Fields, Solved

from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell

BEFORE = (
    ("DICGaussSeidel", "GaussSeidel"),
    (r"cache \{ grad\(U\); \}\n", ""),
    (r"(U +)0.97;", r"\g<1>0.98;"),
    (r"(\(k\|omega\)\" +)0.97;", r"\g<1>0.9;"),
)
"""Edits of fvSolution that give the settings of the first release."""


def centres(shell: Shell) -> np.ndarray:
    """Cell centres, shape (quads, layers, 3)."""
    return shell.cell_centres().reshape(len(shell.quads), shell.layers, 3)


def potential_flow(shell: Shell) -> Fields:
    """Flow around a sphere without friction (any textbook): u = grad(x + R^3 x / (2 r^3)), Bernoulli's p."""
    place = centres(shell).reshape(-1, 3)
    r = np.linalg.norm(place, axis=1, keepdims=True)
    cube = PHANTOM_RADIUS**3
    velocity = np.array([1.0, 0.0, 0.0]) * (1 + cube / (2 * r**3)) - 1.5 * cube * place[:, :1] / r**5 * place
    return {"U": velocity, "p": 0.5 * (1.0 - np.sum(velocity**2, axis=1))}


def on_finer_mesh(coarse: Shell, state: Fields, fine: Shell) -> Fields:
    """State of a coarser mesh: from the four nearest columns, linear in the logarithm of the height."""
    given, wanted = centres(coarse), centres(fine)
    heights = [
        np.log(
            (np.linalg.norm(c, axis=2) - np.linalg.norm(s.points[s.quads].mean(1), axis=1)[:, None]).mean(0)
        )
        for c, s in ((given, coarse), (wanted, fine))
    ]
    distance, near = cKDTree(given[:, -1]).query(wanted[:, -1], k=4)
    weight = 1.0 / (distance + 1e-9) ** 2
    weight /= weight.sum(axis=1, keepdims=True)
    below = np.clip(np.searchsorted(heights[0], heights[1]) - 1, 0, coarse.layers - 2)
    share = (heights[1] - heights[0][below]) / (heights[0][below + 1] - heights[0][below])
    share = np.clip(share, 0.0, 1.0)[None, :, None]
    found = {}
    for name, values in state.items():
        columns = values.reshape(len(given), coarse.layers, -1)
        columns = np.einsum("qk,qklc->qlc", weight, columns[near])
        between = columns[:, below] * (1 - share) + columns[:, below + 1] * share
        found[name] = between.reshape(-1, 3) if name == "U" else between.ravel()
    return found


def show(name: str, solved: Solved, before: tuple[Solved, Solved], limit: Solved) -> None:
    cheaper = "".join(f"{reference.seconds / solved.seconds:6.1f}" for reference in before)
    error = f"{abs(solved.cd - limit.cd):.4f} {abs(solved.cl - limit.cl):.4f}"
    print(
        f"{name:<62}{solved.iterations:5d}{solved.seconds:8.1f} s{cheaper}   "
        f"{solved.cd:.4f} {solved.cl:.4f}   {error}",
        flush=True,
    )


def starts(bench: Bench) -> None:
    """The same run, Re 1.1e5, S 0.15, 0.15 mm, from every start."""
    shallow, middle = bench.ball(SHALLOW), bench.ball(MIDDLE)
    cells = shallow[0].cells
    print(
        f"steady-rans, half shell of {cells:,} cells: iterations, CPU seconds, times cheaper than the first "
        "two, Cd Cl, errors"
    )
    flow = (1.1e5, 0.15)
    first_release = {"targets": NEVER, "iterations": 350, "edits": BEFORE}
    whole = bench.run("whole", bench.ball(SHALLOW, whole=True), *flow, **first_release)
    half = bench.run("half", shallow, *flow, **first_release)
    before = (whole, half)
    cold = bench.run("cold", shallow, *flow)
    limit = bench.run("limit", shallow, *flow, bench.state(cold, cells), NEVER, 200)
    neighbours = {
        "a neighbour in depth (0.25 mm)": bench.run("depth", middle, *flow),
        "a neighbour in S (0.08)": bench.run("spin", shallow, 1.1e5, 0.08),
        "a neighbour in Re (1.6e5)": bench.run("reynolds", shallow, 1.6e5, 0.15),
    }
    show("first release's settings, from rest, 350 iterations, whole shell", whole, before, limit)
    show("the same, half shell", half, before, limit)
    show("from rest until settled", cold, before, limit)
    for place, (name, origin) in enumerate(neighbours.items()):
        start = bench.state(origin, cells)
        show(f"from {name}", bench.run(f"from-{place}", shallow, *flow, start), before, limit)
    start = potential_flow(shallow[0])
    show("from potential flow", bench.run("potential", shallow, *flow, start), before, limit)
    coarser = bench.ball(SHALLOW, Level(bench.level.n // 2, 26))
    first = bench.run("coarser", coarser, *flow)
    start = on_finer_mesh(coarser[0], bench.state(first, coarser[0].cells), shallow[0])
    second = bench.run("finer", shallow, *flow, start)
    both = Solved(first.seconds + second.seconds, second.iterations, second.cd, second.cl, second.case)
    show("from a mesh of half the cells along an edge (both runs)", both, before, limit)
    start = bench.state(neighbours["a neighbour in depth (0.25 mm)"], cells)
    if bench.solver.mpirun:
        for method, name in ((COLUMNS, "by columns"), (BOXES, "by boxes")):
            ranks = bench.run(f"ranks-{method}", shallow, *flow, start, ranks=2, method=method)
            show(f"from the neighbour in depth, on two ranks {name}", ranks, before, limit)


def decomposition(bench: Bench) -> None:
    """What ranks have to tell each other, by columns of the shell and by boxes."""
    shell, mesh = bench.ball(SHALLOW)
    print(f"half shell of {shell.cells:,} cells: ranks, faces between them by columns and by boxes")
    for ranks in (2, 4, 8, 16, 32):
        found = []
        for method in (COLUMNS, BOXES):
            case = bench.folder / f"parts-{ranks}-{method}"
            writer = CaseWriter(bench.model, case, 1.1e5, 0.15, shell.n, 1, shell.mirrored)
            writer.write(mesh, wall_velocity(shell, 0.15), None, cell_ranks(shell, ranks))
            faces, largest = bench.decompose(case, method)
            more = 100.0 * (largest * ranks / shell.cells - 1.0)
            found.append(f"{faces:7,} (largest rank {more:+.1f} % cells)")
        print(f"{ranks:5d}   " + "   ".join(found), flush=True)


def main() -> None:
    parts = {"decomposition": decomposition, "starts": starts}
    chosen = [word for word in sys.argv[1:] if word in parts] or list(parts)
    named = [word for word in sys.argv[1:] if word not in parts]
    level = fidelity("steady-rans").level(named[0]) if named else THIRD
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), level)
        for name in chosen:
            parts[name](bench)


if __name__ == "__main__":
    main()
