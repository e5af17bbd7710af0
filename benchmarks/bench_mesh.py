"""Writing the shell: binary against text, and how long the solver takes to read each, as ratios."""

import tempfile
import time
from pathlib import Path

import numpy as np

from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import find_solver, run_tool
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, build_shell
from pipeline.geometry.shell.poly_mesh import shell_faces, write_poly_mesh


def write_text_mesh(folder: Path, shell, faces) -> None:
    """The same mesh in the solver's text form, as fast as numpy writes text."""
    lists = {
        "points": ("vectorField", shell.points, "(%.10g %.10g %.10g)"),
        "faces": ("faceList", faces.corners, "4(%d %d %d %d)"),
        "owner": ("labelList", faces.owner, "%d"),
        "neighbour": ("labelList", faces.neighbour, "%d"),
    }
    for name, (kind, values, form) in lists.items():
        with (folder / name).open("w") as stream:
            stream.write(f"FoamFile {{ version 2.0; format ascii; class {kind}; object {name}; }}\n")
            stream.write(f"{len(values)}\n(\n")
            np.savetxt(stream, values, fmt=form)
            stream.write(")\n")


def timed(action) -> float:
    begun = time.perf_counter()
    action()
    return time.perf_counter() - begun


def main() -> None:
    solver = find_solver()
    for level in (Level(16, 40), Level(32, 40), Level(64, 48)):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            begun = time.perf_counter()
            shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), level, 1e-3)
            faces = shell_faces(shell)
            build = time.perf_counter() - begun
            binary = timed(
                lambda folder=folder, shell=shell, faces=faces: write_poly_mesh(folder / "mesh", shell, faces)
            )
            writer = CaseWriter(fidelity("laminar"), folder / "case", 100.0, 0.0, level.n, 1)
            writer.write(folder / "mesh", wall_velocity(shell, 0.0))
            # The tool reads points, faces and owners and computes little besides.
            command = ["checkMesh", "-case", str(folder / "case"), "-noTopology"]
            read_binary = timed(lambda command=command: run_tool(solver, command))
            text = timed(
                lambda folder=folder, shell=shell, faces=faces: write_text_mesh(folder / "mesh", shell, faces)
            )
            read_text = timed(lambda command=command: run_tool(solver, command))
        print(
            f"{shell.cells:>9} cells: built {build:.2f} s, binary written {binary:.2f} s, text / binary: "
            f"writing {text / binary:.1f}, reading and checking {read_text / read_binary:.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
