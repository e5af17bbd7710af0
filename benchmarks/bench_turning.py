"""Lift of moving dimples: walls that move on a mesh that stands still, against a mesh that turns.

    python benchmarks/bench_turning.py FOLDER [BALL ...]

Balls as in cases/published and a smooth one, coarse half shells, tripped, one core. `tangential`: the wall's
velocity without its part normal to the faces, steady; `whole`: all of it, steady; `turning`: the same model
in time on a mesh that turns with the ball, from the state of `tangential`. The laminar zone and the trip
stand still in space: the cells that lie in them are named anew every 0.2 D / U. Writes turning.csv into
FOLDER: means of the last fifty iterations, or from 4 D / U on, for lift sways with a period of some five.
Half an hour of one core a ball.
"""

import csv
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from solved import NEVER, Fields

from pipeline.flow.forces.histories import read_history
from pipeline.flow.solver.boundary_layer import Zones, boundary_layer_zones, critical_reynolds
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.execute import execute
from pipeline.flow.solver.fidelity import BALL_LEVELS, fidelity
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.state import read_state, written_times
from pipeline.flow.solver.surface_motion import surface_velocity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.layout import smooth_layout, spread_layout
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import Shell, rotated_about_y
from pipeline.records.tree import FORCES, MESH

DIAMETER_M = 0.0427
STEP, REZONED, SINCE, UNTIL = 0.02, 0.2, 4.0, 10.0
"""In D / U; means are taken from `SINCE` on."""
HEAD = "FoamFile {{ version 2.0; format ascii; class {}; object {}; }}\n"
SCHEMES = """
ddtSchemes { default Euler; }
gradSchemes { default Gauss linear; }
divSchemes
{
    default none;
    div(phi,U) Gauss linearUpwind grad(U);
    div(phi,k) Gauss limitedLinear 1;
    div(phi,omega) Gauss limitedLinear 1;
    div((nuEff*dev2(T(grad(U))))) Gauss linear;
}
laplacianSchemes { default Gauss linear corrected; }
interpolationSchemes { default linear; }
snGradSchemes { default corrected; }
wallDist { method meshWave; updateInterval 1000000; }
"""
SOLUTION = """
solvers
{
    p { solver GAMG; smoother DIC; tolerance 1e-7; relTol 0.05; }
    pFinal { $p; relTol 0.02; }
    "(U|k|omega).*" { solver smoothSolver; smoother symGaussSeidel; tolerance 1e-9; relTol 0.01; }
}
cache { grad(U); }
PIMPLE
{
    nOuterCorrectors 2;
    nCorrectors 2;
    nNonOrthogonalCorrectors 0;
    correctPhi no;
    checkMeshCourantNo no;
}
relaxationFactors { equations { ".*" 1; } }
"""
MOTION = """
dynamicFvMesh dynamicMotionSolverFvMesh;
motionSolverLibs ("libfvMotionSolvers.so");
motionSolver solidBody;
solidBodyMotionFunction rotatingMotion;
rotatingMotionCoeffs {{ origin (0 0 0); axis (0 1 0); omega {omega}; }}
"""


@dataclass(frozen=True)
class Ball:
    """332 arcs: chord, depth, and the depth as which it trips [mm], and the flow."""

    chord_mm: float
    depth_mm: float
    trips_as_mm: float
    reynolds: float
    spin_ratio: float


BALLS = {
    "deep": Ball(3.84, 0.337, 0.337, 1.3e5, 0.2),
    "middle": Ball(4.00, 0.25, 0.25, 1.5e5, 0.15),
    "shallow": Ball(4.00, 0.15, 0.15, 1.5e5, 0.15),
    "smooth": Ball(4.00, 0.0, 0.25, 1.5e5, 0.15),
}


class TurnedShell:
    """A shell whose faces on the ball have turned by an angle, for the zones that stand still in space."""

    def __init__(self, shell: Shell, angle: float) -> None:
        self._shell, self._angle = shell, angle

    def __getattr__(self, name: str) -> object:
        return getattr(self._shell, name)

    def ball_faces(self) -> tuple[np.ndarray, np.ndarray]:
        return tuple(rotated_about_y(vectors, self._angle) for vectors in self._shell.ball_faces())


class Case:
    """One ball in a folder."""

    def __init__(self, folder: Path, ball: Ball) -> None:
        self.folder, self.ball = folder, ball
        self.model, self.solver = fidelity("steady-rans"), find_solver()
        layout = spread_layout(
            "icosahedral", 332, ball.chord_mm * 1e-3, 5e-5, DIAMETER_M, seed=1, mirror=True
        )
        if ball.depth_mm == 0.0:
            layout = smooth_layout()
        depths = np.full(len(layout.directions), ball.depth_mm * 1e-3)
        self.shell = solver_shell(
            DimpledBall(layout, depths, DIAMETER_M),
            BALL_LEVELS["coarse"],
            self.model.first_cell(ball.reynolds),
        )
        write_shell(folder / "geometry", self.shell)

    def zones(self, time: float = 0.0) -> Zones:
        """Zones where the mesh has turned for a time."""
        critical = critical_reynolds(self.ball.trips_as_mm * 1e-3, DIAMETER_M)
        turned = TurnedShell(self.shell, 2.0 * self.ball.spin_ratio * time)
        return boundary_layer_zones(turned, "tripped", self.ball.reynolds, self.ball.spin_ratio, critical)

    def steady(self, name: str, wall: np.ndarray, start: Fields | None, iterations: int) -> dict[str, float]:
        """Compute a steady flow with a velocity of the wall."""
        case = self.folder / name
        ball = self.ball
        writer = CaseWriter(
            self.model, case, ball.reynolds, ball.spin_ratio, self.shell.n, iterations, self.shell.mirrored
        )
        writer.write(self.folder / "geometry" / MESH, wall, start, None, self.zones())
        execute(case, writer, self.solver, "simpleFoam", 1, NEVER)
        found = read_history(case / FORCES).coefficients(self.shell.mirrored)
        return {name: float(values[-50:].mean()) for name, values in found.items()}

    def state(self, name: str) -> Fields:
        """Last state of a steady flow."""
        case = self.folder / name
        fields = ("U", *self.model.free_stream)
        return read_state(case, written_times(case)[-1], fields, self.shell.cells)

    def turning(self, start: str) -> dict[str, float]:
        """Compute the flow on a mesh that turns, from the last state of a steady one."""
        case, origin = self.folder / "turning", self.folder / start
        shutil.copytree(origin / "constant", case / "constant")
        shutil.copytree(origin / "system", case / "system")
        shutil.copytree(origin / str(written_times(origin)[-1]), case / "0")
        shutil.rmtree(case / "0/uniform")
        for name, text in (("fvSchemes", SCHEMES), ("fvSolution", SOLUTION)):
            (case / "system" / name).write_text(HEAD.format("dictionary", name) + text)
        motion = MOTION.format(omega=2.0 * self.ball.spin_ratio)
        (case / "constant/dynamicMeshDict").write_text(HEAD.format("dictionary", "dynamicMeshDict") + motion)
        velocity = (case / "0/U").read_bytes()
        at = velocity.index(b"ball", velocity.index(b"boundaryField"))
        moving = velocity[at:].replace(b"fixedValue", b"movingWallVelocity", 1)
        (case / "0/U").write_bytes(velocity[:at] + moving)
        control = (case / "system/controlDict").read_text()
        for leg in range(round(UNTIL / REZONED)):
            words = {
                "application": "pimpleFoam", "stopAt": "endTime", "endTime": f"{(leg + 1) * REZONED:g}",
                "deltaT": f"{STEP:g}", "writeInterval": str(round(REZONED / STEP)), "runTimeModifiable": "no",
            }  # fmt: skip
            text = control
            for word, value in words.items():
                text = re.sub(rf"^{word}\s.*;", f"{word} {value};", text, flags=re.MULTILINE)
            (case / "system/controlDict").write_text(text)
            self._write_zones(case, self.zones((leg + 0.5) * REZONED))
            with (case / "log").open("a") as log:
                subprocess.run(
                    ["pimpleFoam", "-case", str(case)], env=self.solver.environment, check=True, stdout=log
                )
            found = read_history(case / FORCES).coefficients(self.shell.mirrored)
            means = [float(found[of][-round(REZONED / STEP) :].mean()) for of in ("cd", "cl")]
            print(f"{(leg + 1) * REZONED:.1f} of {UNTIL:g} D / U: {means}", flush=True)
        history = read_history(case / FORCES)
        found = history.coefficients(self.shell.mirrored)
        last = round((UNTIL - SINCE) / STEP)
        return {name: float(values[-last:].mean()) for name, values in found.items()}

    @staticmethod
    def _write_zones(case: Path, zones: Zones) -> None:
        text = HEAD.format("regIOobject", "cellZones") + "2\n(\n"
        for name, cells in (("laminar", zones.laminar), ("trip", zones.trip)):
            labels = " ".join(map(str, cells))
            text += f"{name} {{ type cellZone; cellLabels List<label> {len(cells)}({labels}); }}\n"
        # The case links to the geometry's mesh, whose zones are those of the start.
        mesh = case / "constant/polyMesh"
        (mesh / "cellZones").unlink(missing_ok=True)
        (mesh / "cellZones").write_text(text + ")\n")


def main(folder: Path, names: list[str]) -> None:
    """Compute the three of each ball."""
    rows = []
    for name in names or list(BALLS):
        case = Case(folder / name, BALLS[name])
        centres, normals = case.shell.ball_faces()
        whole = surface_velocity(centres, case.ball.spin_ratio)
        tangential = whole - np.sum(whole * normals, axis=1, keepdims=True) * normals
        found = {"tangential": case.steady("tangential", tangential, None, 240)}
        found["whole"] = case.steady("whole", whole, case.state("tangential"), 160)
        found["turning"] = case.turning("tangential")
        rows += [
            {"ball": name, "wall": wall, "cd": round(of["cd"], 4), "cl": round(of["cl"], 4)}
            for wall, of in found.items()
        ]
        with (folder / "turning.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, rows[0])
            writer.writeheader()
            writer.writerows(rows)
        print(*rows[-3:], sep="\n", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
