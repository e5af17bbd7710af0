"""CPU seconds of settled runs: what settings and starts cost, and an octree mesh beside ours.

One run each way, on one core, on the same machine. CPU seconds of the solver (and of the mesher, where it is
not ours) are compared, not wall seconds; what the numbers were is in cost.md. The dimpled ball is invented.

Usage: bench_cost.py [octree] [decomposition] [starts] [LEVEL]: what to compare, all by default; a mesh level
of steady-rans ("coarse" is the demonstration's), else a third.
"""

import re
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from pipeline.flow.case import CaseWriter
from pipeline.flow.decomposition import cell_ranks
from pipeline.flow.execute import FORCES, execute
from pipeline.flow.fidelity import fidelity
from pipeline.flow.forces import read_history
from pipeline.flow.solver import find_solver
from pipeline.flow.state import read_state, written_times
from pipeline.flow.verdict import judge
from pipeline.geometry.ball import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout import spread_layout
from pipeline.geometry.shell import PHANTOM_RADIUS, Level, Shell, build_shell, wall_velocity
from pipeline.geometry.shell_files import MESH, write_shell

Fields = dict[str, np.ndarray]

DIAMETER = 0.0427
SHALLOW, MIDDLE = 0.0035, 0.0059
"""Depths in diameters."""

THIRD = Level(28, 30)

COLUMNS = "manual"
"""Method of decomposePar that takes ours: whole columns of the shell."""

BOXES = "hierarchical"
"""Method of decomposePar that cuts space into boxes of as many cells; the graph partitioners are not in the
distribution's package."""
BOX_COUNTS = {2: "2 1 1", 4: "2 1 2", 8: "2 2 2", 16: "4 2 2", 32: "4 2 4"}
"""Boxes along x, y, z by rank."""

TARGETS = {"cd": 0.001, "cl": 0.003}
NEVER = {"cd": -1.0, "cl": -1.0}

BEFORE = (
    ("DICGaussSeidel", "GaussSeidel"),
    (r"cache \{ grad\(U\); \}\n", ""),
    (r"(U +)0.97;", r"\g<1>0.98;"),
    (r"(\(k\|omega\)\" +)0.97;", r"\g<1>0.9;"),
)
"""Edits of fvSolution that give the settings of the first release."""

PUBLISHED = 1.087
"""Cd of a sphere at rest, Re 100: Johnson & Patel 1999, J. Fluid Mech. 378:19-70 [quoted]."""

OCTREE_HALF = 15.7
"""Half an edge of the octree's cube in diameters."""

OCTREES = ((14, 5), (17, 5), (20, 5), (24, 5), (28, 5), (20, 6))
"""Blocks along that edge, and how often they are halved towards the ball: (20, 5) gives our wall cells."""

BLOCK_MESH = """
FoamFile {{ version 2.0; format ascii; class dictionary; object blockMeshDict; }}
vertices
(
    (-{half} -{half} -{half}) ({half} -{half} -{half}) ({half} {half} -{half}) (-{half} {half} -{half})
    (-{half} -{half} {half}) ({half} -{half} {half}) ({half} {half} {half}) (-{half} {half} {half})
);
blocks (hex (0 1 2 3 4 5 6 7) ({blocks} {blocks} {blocks}) simpleGrading (1 1 1));
edges ();
boundary
(
    far
    {{
        type patch;
        faces ((0 3 2 1) (4 5 6 7) (0 1 5 4) (3 7 6 2) (0 4 7 3) (1 2 6 5));
    }}
);
"""

SNAPPY = """
FoamFile {{ version 2.0; format ascii; class dictionary; object snappyHexMeshDict; }}
castellatedMesh true;
snap true;
addLayers true;
geometry {{ ball {{ type searchableSphere; centre (0 0 0); radius 0.5; }} }}
castellatedMeshControls
{{
    maxLocalCells 4000000; maxGlobalCells 4000000; minRefinementCells 0; nCellsBetweenLevels 3;
    features ();
    refinementSurfaces {{ ball {{ level ({level} {level}); patchInfo {{ type wall; }} }} }}
    resolveFeatureAngle 60;
    refinementRegions
    {{
        ball {{ mode distance; levels ((0.25 {level}) (0.75 {one}) (2 {two}) (5 {three})); }}
    }}
    locationInMesh (3.01 3.02 3.03);
    allowFreeStandingZoneFaces false;
}}
snapControls {{ nSmoothPatch 3; tolerance 2.0; nSolveIter 50; nRelaxIter 5; }}
addLayersControls
{{
    relativeSizes false;
    layers {{ ball {{ nSurfaceLayers 5; }} }}
    expansionRatio 1.2; firstLayerThickness {first}; minThickness {thinnest};
    nGrow 0; featureAngle 180; nRelaxIter 5; nSmoothSurfaceNormals 1; nSmoothNormals 3; nSmoothThickness 10;
    maxFaceThicknessRatio 0.5; maxThicknessToMedialRatio 0.5; minMedianAxisAngle 90; nBufferCellsNoExtrude 0;
    nLayerIter 50;
}}
meshQualityControls
{{
    maxNonOrtho 65; maxBoundarySkewness 20; maxInternalSkewness 4; maxConcave 80; minVol 1e-13;
    minTetQuality 1e-15; minArea -1; minTwist 0.02; minDeterminant 0.001; minFaceWeight 0.05;
    minVolRatio 0.01; minTriangleTwist -1; nSmoothScale 4; errorReduction 0.75;
}}
mergeTolerance 1e-6;
"""


@dataclass(frozen=True)
class Solved:
    """A run's price and result."""

    seconds: float
    iterations: int
    cd: float
    cl: float
    case: Path


class Bench:
    """Balls and runs in one folder."""

    def __init__(self, folder: Path, level: Level) -> None:
        self.folder, self.level, self.solver = folder, level, find_solver()
        self.model = fidelity("steady-rans")
        self.layout = spread_layout("icosahedral", 332, 0.084 * DIAMETER, 1e-4, DIAMETER, seed=1, mirror=True)

    def ball(self, depth: float, level: Level | None = None) -> tuple[Shell, Path]:
        level = level or self.level
        ball = DimpledBall(self.layout, np.full(332, depth * DIAMETER), DIAMETER)
        shell = solver_shell(ball, level, self.model.first_cell(2e5))
        folder = self.folder / f"geometry-{depth}-{level.n}"
        write_shell(folder, shell)
        return shell, folder / MESH

    def run(
        self, name: str, ball: tuple[Shell, Path], reynolds: float, spin_ratio: float,
        start: Fields | None = None, targets: dict[str, float] = TARGETS, iterations: int = 500,
        edits: tuple[tuple[str, str], ...] = (), ranks: int = 1, method: str = COLUMNS,
    ) -> Solved:  # fmt: skip
        shell, mesh = ball
        case = self.folder / name
        writer = CaseWriter(self.model, case, reynolds, spin_ratio, shell.n, iterations, shell.mirrored)
        rank_of_cell = cell_ranks(shell, ranks) if ranks > 1 else None
        writer.write(mesh, wall_velocity(shell, spin_ratio), start, rank_of_cell)
        solution = case / "system/fvSolution"
        for old, new in edits:
            solution.write_text(re.sub(old, new, solution.read_text()))
        if ranks > 1:
            self.decompose(case, method)
        return self.solve(case, writer, targets, shell.mirrored, ranks)

    def solve(
        self, case: Path, writer: CaseWriter, targets: dict[str, float], mirrored: bool, ranks: int = 1
    ) -> Solved:
        before = children()
        ended = execute(case, writer, self.solver, "simpleFoam", ranks, targets)
        history = read_history(case / FORCES)
        means = judge(history.first(ended.settled_at).coefficients(mirrored), targets).means
        return Solved(children() - before, len(history.iteration), means["cd"].value, means["cl"].value, case)

    def state(self, solved: Solved, cells: int) -> Fields:
        fields = ("U", *self.model.free_stream)
        return read_state(solved.case, written_times(solved.case)[-1], fields, cells)

    def decompose(self, case: Path, method: str) -> tuple[int, int]:
        """Decompose a case; faces between ranks, and cells of the largest rank."""
        if method == BOXES:
            settings = case / "system/decomposeParDict"
            text = settings.read_text().replace(f"{COLUMNS};", f"{BOXES};")
            boxes = BOX_COUNTS[int(re.search(r"numberOfSubdomains (\d+)", text)[1])]
            settings.write_text(f"{text}\n{BOXES}Coeffs {{ n ({boxes}); order xyz; }}\n")
        printed = self.tell("decomposePar", case)
        # The totals come after those of every rank.
        faces = re.findall(r"Number of processor faces = (\d+)", printed)
        largest = re.findall(r"Max number of cells = (\d+)", printed)
        return int(faces[-1]), int(largest[-1])

    def tool(self, name: str, case: Path, *options: str) -> float:
        before = children()
        self.tell(name, case, *options)
        return children() - before

    def tell(self, name: str, case: Path, *options: str) -> str:
        command = [name, "-case", str(case), *options]
        return subprocess.run(
            command, env=self.solver.environment, check=True, capture_output=True, text=True
        ).stdout


def children() -> float:
    """CPU seconds of all processes started and ended so far."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def centres(shell: Shell) -> np.ndarray:
    """Cell centres, shape (quads, layers, 3)."""
    corners = shell.points.reshape(shell.layers + 1, -1, 3)[:, shell.quads].mean(axis=2)
    return np.moveaxis(0.5 * (corners[1:] + corners[:-1]), 0, 1)


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


def show(name: str, solved: Solved, reference: Solved, limit: Solved) -> None:
    error = f"{abs(solved.cd - limit.cd):.4f} {abs(solved.cl - limit.cl):.4f}"
    print(
        f"{name:<58}{solved.iterations:5d}{solved.seconds:8.1f} s{reference.seconds / solved.seconds:6.1f}   "
        f"{solved.cd:.4f} {solved.cl:.4f}   {error}",
        flush=True,
    )


def starts(bench: Bench) -> None:
    """The same run, Re 1.1e5, S 0.15, 0.15 mm, from every start."""
    shallow, middle = bench.ball(SHALLOW), bench.ball(MIDDLE)
    cells = shallow[0].cells
    print(
        f"steady-rans, half shell of {cells:,} cells: iterations, CPU seconds, times cheaper, Cd Cl, errors"
    )
    flow = (1.1e5, 0.15)
    before = bench.run("before", shallow, *flow, targets=NEVER, iterations=350, edits=BEFORE)
    cold = bench.run("cold", shallow, *flow)
    limit = bench.run("limit", shallow, *flow, bench.state(cold, cells), NEVER, 200)
    neighbours = {
        "a neighbour in depth (0.25 mm)": bench.run("depth", middle, *flow),
        "a neighbour in S (0.08)": bench.run("spin", shallow, 1.1e5, 0.08),
        "a neighbour in Re (1.6e5)": bench.run("reynolds", shallow, 1.6e5, 0.15),
    }
    show("settings of the first release, from rest, 350 iterations", before, before, limit)
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


def octree(bench: Bench) -> None:
    """A smooth sphere at Re 100 on our shell and on the solver's own cut-cell octree mesh."""
    model, level = fidelity("laminar"), fidelity("laminar").level("coarse")
    print("smooth sphere at rest, Re 100: cells, CPU seconds of mesh and run, Cd, error")
    targets = {"cd": 5e-4, "cl": 5e-4}
    quad = np.pi / (4 * level.n)
    meshes = {
        f"shell of ours{', half' if mirrored else ''}, {n} cells an edge": our_mesh(
            bench, n, layers, mirrored
        )
        for n, layers, mirrored in (
            (level.n, level.layers, False),
            (level.n, level.layers, True),
            (14, 35, True),
            (12, 30, True),
            (10, 26, True),
        )
    }
    for blocks, depth in OCTREES:
        width = 2 * OCTREE_HALF / blocks / 2**depth
        first_cell = model.first_cell(100.0) * min(1.0, width / quad)
        meshes[f"octree, {width / quad:.2f} of its wall cells"] = octree_mesh(
            bench, blocks, depth, first_cell
        )
    for place, (name, (mesh, cells, seconds)) in enumerate(meshes.items()):
        case, half = bench.folder / f"sphere-{place}", "half" in name
        writer = CaseWriter(model, case, 100.0, 0.0, level.n, 800, half)
        writer.write(mesh, np.zeros(3))
        solved = bench.solve(case, writer, targets, half)
        error = 100.0 * (solved.cd / PUBLISHED - 1.0)
        print(
            f"{name:<40}{cells:9,}{seconds:8.1f} +{solved.seconds:6.1f} s   {solved.cd:.4f} {error:+.2f} %",
            flush=True,
        )


def our_mesh(bench: Bench, n: int, layers: int, mirrored: bool) -> tuple[Path, int, float]:
    """Folder, cells and CPU seconds of a shell; its first cell shrinks with the others."""
    first_cell = fidelity("laminar").first_cell(100.0) * 16 / n
    folder = bench.folder / f"shell-{n}-{mirrored}"
    begun = time.process_time()
    shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(n, layers), first_cell, mirrored)
    write_shell(folder, shell)
    return folder / MESH, shell.cells, time.process_time() - begun


def octree_mesh(bench: Bench, blocks: int, level: int, first_cell: float) -> tuple[Path, int, float]:
    """Folder, cells and CPU seconds of an octree mesh."""
    case = bench.folder / f"octree-{blocks}-{level}"
    CaseWriter(fidelity("laminar"), case, 100.0, 0.0, 16, 1).write(
        bench.folder / "shell-16-False" / MESH, np.zeros(3)
    )
    for link in (case / "constant/polyMesh").iterdir():
        link.unlink()
    (case / "system/blockMeshDict").write_text(BLOCK_MESH.format(half=OCTREE_HALF, blocks=blocks))
    (case / "system/snappyHexMeshDict").write_text(
        SNAPPY.format(
            level=level,
            one=level - 1,
            two=level - 2,
            three=level - 3,
            first=first_cell,
            thinnest=first_cell / 4,
        )
    )
    seconds = bench.tool("blockMesh", case) + bench.tool("snappyHexMesh", case, "-overwrite")
    mesh = case / "constant/polyMesh"
    cells = int(re.search(rb"nCells: *(\d+)", (mesh / "owner").read_bytes()[:1000])[1])
    for extra in ("cellLevel", "pointLevel", "level0Edge", "surfaceIndex", "refinementHistory"):
        (mesh / extra).unlink(missing_ok=True)
    return mesh, cells, seconds


def main() -> None:
    parts = {"octree": octree, "decomposition": decomposition, "starts": starts}
    chosen = [word for word in sys.argv[1:] if word in parts] or list(parts)
    named = [word for word in sys.argv[1:] if word not in parts]
    level = fidelity("steady-rans").level(named[0]) if named else THIRD
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), level)
        for name in chosen:
            parts[name](bench)


if __name__ == "__main__":
    main()
