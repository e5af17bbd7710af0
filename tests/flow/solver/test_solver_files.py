"""Force and coefficient files that the installed solver writes itself."""

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

from pipeline.flow.forces.any_case import find_histories
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.files import load_shell
from pipeline.records.tree import MESH

pytestmark = pytest.mark.solver

COEFFICIENTS = """
    coeffs
    {
        type            forceCoeffs;
        libs            ("libforces.so");
        patches         (ball);
        rho             rhoInf;
        rhoInf          1;
        CofR            (0 0 0);
        dragDir         (1 0 0);
        liftDir         (0 0 1);
        pitchAxis       (0 1 0);
        magUInf         1;
        lRef            1;
        Aref            0.78539816339744831;
        writeControl    timeStep;
        writeInterval   1;
        log             false;
    }
}
"""


def solve(case: Path) -> None:
    solver = find_solver()
    subprocess.run(
        solver.command("simpleFoam", case), env=solver.environment, check=True, capture_output=True
    )


def test_coefficients_are_the_forces_on_the_reference_values(tiny_tunnel: Tunnel, tmp_path: Path) -> None:
    case, geometry = tmp_path / "foreign", tiny_tunnel.results / "geometry/smooth"
    writer = CaseWriter(tiny_tunnel.model, case, 100.0, 0.0, 8, 60)
    writer.write(geometry / MESH, wall_velocity(load_shell(geometry), 0.25))
    control = case / "system/controlDict"
    text = control.read_text().rstrip().removesuffix("}") + COEFFICIENTS
    control.write_text(text)
    solve(case)
    # A second start from the same state writes beside the first one's files or into its own folder.
    control.write_text(text.replace("endTime         60;", "endTime         80;"))
    solve(case)
    coeffs, forces = find_histories(case)
    assert (coeffs.name, forces.name) == ("coeffs", "forces")
    assert coeffs.time.tolist() == forces.time.tolist() == list(range(1, 81))
    # C = F / (rho U^2 A / 2), written with seven digits.
    for name, force in (("cd", "fx"), ("cl", "fz"), ("cm", "my")):
        np.testing.assert_allclose(
            coeffs.columns[name], forces.columns[force] / (0.5 * np.pi / 4), rtol=2e-6, atol=1e-9
        )
    assert coeffs.reference["magUInf"] == (1.0,)
    assert coeffs.warnings == []
    control.write_text(re.sub(r"magUInf +1;", "magUInf 1.5;", text))
    assert "magUInf 1, but 1.5 in" in find_histories(case)[0].warnings[0]
