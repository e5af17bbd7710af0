"""The solver in a container, by profiles/slurm/in-container; a script stands for the container's runtime."""

import subprocess
from pathlib import Path

import pytest

from pipeline.flow.solver.find import find_solver

ROOT = Path(__file__).parents[3]
LINKS = ROOT / "profiles/slurm/in-container"

RUNTIME = """\
#!/bin/sh
[ "$1 $2" = "exec an image.sif" ] || exit 9
shift 2
name=$1
shift
exec STUB/$name "$@"
"""


def test_applications_are_run_inside_the_image(tmp_path: Path) -> None:
    runtime = tmp_path / "apptainer"
    runtime.write_text(RUNTIME.replace("STUB", str(ROOT / "tests/stub_solver")))
    runtime.chmod(0o755)
    environment = {
        "PATH": f"{LINKS}:{tmp_path}:/usr/bin:/bin",
        "WM_PROJECT_DIR": "/opt/openfoam",
        "DEPTHLINE_CONTAINER": "an image.sif",
    }
    solver = find_solver(environment)
    assert solver.label == "OpenFOAM 1912_stub"
    assert Path(solver.executable).parent == LINKS
    with pytest.raises(subprocess.CalledProcessError, match="exit status 9"):
        subprocess.run(
            [LINKS / "simpleFoam", "-help"], check=True, env=environment | {"DEPTHLINE_CONTAINER": "other"}
        )


def test_every_application_that_runs_use_has_a_link() -> None:
    names = {path.name for path in LINKS.iterdir() if path.is_symlink()}
    assert names >= {"simpleFoam", "decomposePar"}
