"""Balls and settled runs on one core, by the CPU seconds of the solver: what the benchmarks of cost compare.

The dimpled ball is invented.
"""

import re
import resource
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.flow.forces.histories import read_history
from pipeline.flow.forces.verdict import judge
from pipeline.flow.solver.boundary_layer import Zones
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.flow.solver.execute import execute
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.state import read_state, written_times
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.layout import spread_layout
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import Level, Shell
from pipeline.records.tree import FORCES, MESH

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

    def __init__(self, folder: Path, level: Level = THIRD) -> None:
        self.folder, self.level, self.solver = folder, level, find_solver()
        self.model = fidelity("steady-rans")
        self.layout = spread_layout("icosahedral", 332, 0.084 * DIAMETER, 1e-4, DIAMETER, seed=1, mirror=True)

    def ball(self, depth: float, level: Level | None = None, whole: bool = False) -> tuple[Shell, Path]:
        level = level or self.level
        ball = DimpledBall(self.layout, np.full(332, depth * DIAMETER), DIAMETER)
        shell = solver_shell(ball, level, self.model.first_cell(2e5), whole)
        folder = self.folder / f"geometry-{depth}-{level.n}-{whole}"
        write_shell(folder, shell)
        return shell, folder / MESH

    def run(
        self, name: str, ball: tuple[Shell, Path], reynolds: float, spin_ratio: float,
        start: Fields | None = None, targets: dict[str, float] = TARGETS, iterations: int = 500,
        edits: tuple[tuple[str, str], ...] = (), ranks: int = 1, method: str = COLUMNS,
        zones: Sequence[Zones] = (),
    ) -> Solved:  # fmt: skip
        shell, mesh = ball
        case = self.folder / name
        writer = CaseWriter(self.model, case, reynolds, spin_ratio, shell.n, iterations, shell.mirrored)
        rank_of_cell = cell_ranks(shell, ranks) if ranks > 1 else None
        writer.write(mesh, wall_velocity(shell, spin_ratio), start, rank_of_cell, zones)
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
        return self.state_of(solved.case, cells)

    def state_of(self, case: Path, cells: int) -> Fields:
        fields = ("U", *self.model.free_stream)
        return read_state(case, written_times(case)[-1], fields, cells)

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
