"""Cases in the syntax of each OpenFOAM, entry by entry as the documentation of that version's source has it.

[source]: cpp.openfoam.org/v8, v9, ..., v14; for OpenCFD the installed 1912, which runs them (`test_run.py`).
"""

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import MissingError
from pipeline.flow.solver.boundary_layer import Zones
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.flow.solver.dialect import Dialect, dialect_of
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, build_shell
from pipeline.records.tree import MESH

OPENCFD = ("1906", "1912", "2106", "2312", "2606")
FOUNDATION = ("8", "9", "10", "11", "12", "13", "14")


def written(folder: Path, version: str, model: str = "steady-rans") -> dict[str, str]:
    """The solver's dictionaries of a case, by name; fields and mesh are the same for all versions."""
    shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(4, 30), 1e-3)
    write_shell(folder / "shell", shell)
    case = folder / "case"
    writer = CaseWriter(fidelity(model), case, 1e5, 0.1, shell.n, 500, dialect=dialect_of(version))
    zones = Zones(laminar=np.array([0, 1]), trip=np.array([5]))
    wall = wall_velocity(shell, 0.1)
    writer.write(
        folder / "shell" / MESH,
        wall,
        ranks=cell_ranks(shell, 2),
        zones=[zones] if model == "steady-rans" else [],
    )
    names = [path for part in ("system", "constant") for path in sorted((case / part).glob("*"))]
    files = {path.relative_to(case).as_posix(): path for path in names if path.is_file()}
    return {name: path.read_text() for name, path in files.items() if name != "constant/cellRanks"}


@pytest.mark.parametrize("version", OPENCFD)
def test_opencfd_has_kept_its_names(tmp_path: Path, version: str) -> None:
    files = written(tmp_path, version)
    assert {"constant/turbulenceProperties", "constant/transportProperties", "constant/fvOptions"} < set(
        files
    )
    assert "application     simpleFoam;" in files["system/controlDict"]
    assert "\nsolver " not in files["system/controlDict"]
    assert "RASModel        kOmegaSST;" in files["constant/turbulenceProperties"]
    assert "scalarFixedValueConstraint;" in files["constant/fvOptions"]


@pytest.mark.parametrize("version", FOUNDATION)
def test_the_foundations_names_by_version(tmp_path: Path, version: str) -> None:
    files, number = written(tmp_path, version), int(version)
    assert "model           kOmegaSST;" in files["constant/momentumTransport"]
    assert "object      momentumTransport;" in files["constant/momentumTransport"]
    # src/fvConstraints is there from v9 on, src/cfdTools' fvOptions before.
    constraints = files["system/fvConstraints" if number >= 9 else "constant/fvOptions"]
    kind = "fixedValueConstraint" if number >= 9 else "scalarFixedValueConstraint"
    assert f"type            {kind};" in constraints
    # fixedValueConstraint.H, "Usage", of each version.
    assert ("selectionMode   cellZone;" in constraints) is (number <= 10)
    assert ("select          cellZone;" in constraints) is (number in (11, 12))
    assert "    cellZone        trip;" in constraints
    # src/physicalProperties is there from v10 on.
    viscosity = files["constant/physicalProperties" if number >= 10 else "constant/transportProperties"]
    assert ("viscosityModel  constant;" in viscosity) is (number >= 10)
    # applications/modules from v11 on; bin/simpleFoam says so.
    control = files["system/controlDict"]
    assert ("solver          incompressibleFluid;" in control) is (number >= 11)
    assert (f"application     {'foamRun' if number >= 11 else 'simpleFoam'};") in control
    assert "constant/turbulenceProperties" not in files


@pytest.mark.parametrize(("version", "mover"), [("2312", False), ("9", False), ("10", True), ("14", True)])
def test_turning_meshes(tmp_path: Path, version: str, mover: bool) -> None:
    # src/fvMeshMovers is there from v10 on.
    text = written(tmp_path, version, "transient-des")["constant/dynamicMeshDict"]
    assert ("mover\n{" in text) is mover
    assert ("dynamicFvMesh " in text) is not mover
    assert "omega           0.2;" in text


def test_versions_as_applications_print_them() -> None:
    assert dialect_of("1912") == Dialect(False, 1912)
    assert dialect_of("2306.230612") == Dialect(False, 2306)
    assert dialect_of("13") == Dialect(True, 13)
    assert dialect_of("dev") == Dialect(True, 14)
    assert dialect_of("2712") == Dialect(False, 2712)
    assert dialect_of("11").application("pimpleFoam") == "foamRun"
    assert dialect_of("10").application("pimpleFoam") == "pimpleFoam"


@pytest.mark.parametrize("version", ["7", "1812", "extend"])
def test_versions_whose_syntax_is_unknown(version: str) -> None:
    with pytest.raises(
        MissingError, match=f"OpenFOAM {version}: cases cannot be written for it; use OpenCFD 1906"
    ):
        dialect_of(version)
