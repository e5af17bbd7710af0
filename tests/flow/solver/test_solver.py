"""Finding the solver: PATH, sourced environment, package layout, or one line on how to get it."""

import shutil
from pathlib import Path

import pytest

from pipeline.errors import MissingError
from pipeline.flow.solver.find import find_solver


def fake_install(folder: Path, version: str = "OpenFOAM- (1912)") -> Path:
    """An executable that prints a solver's help, and the etc/controlDict it needs."""
    program = folder / "bin/simpleFoam"
    program.parent.mkdir(parents=True)
    program.write_text(f'#!/bin/sh\necho "Using: {version} - visit somewhere"\n')
    program.chmod(0o755)
    (folder / "etc").mkdir()
    (folder / "etc/controlDict").write_text("")
    return program.parent


def test_path_with_a_sourced_environment(tmp_path: Path) -> None:
    bin_folder = fake_install(tmp_path / "foam", "OpenFOAM-8")
    solver = find_solver({"PATH": f"{bin_folder}:/usr/bin:/bin", "WM_PROJECT_DIR": "/sourced"}, tmp_path)
    assert solver.version == "8"
    assert solver.environment["WM_PROJECT_DIR"] == "/sourced"


def test_the_distributions_layout_without_an_environment(tmp_path: Path) -> None:
    bin_folder = fake_install(tmp_path / "usr", "OpenFOAM- (1912)")
    share = tmp_path / "usr/share/openfoam/etc"
    share.mkdir(parents=True)
    (share / "controlDict").write_text("")
    solver = find_solver({"PATH": f"{bin_folder}:/usr/bin:/bin"}, tmp_path)
    assert solver.label == "OpenFOAM 1912"
    assert solver.environment["WM_PROJECT_DIR"] == str(tmp_path / "usr/share/openfoam")


def test_an_installation_off_the_path_is_sourced(tmp_path: Path) -> None:
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in ("bash", "env", "sh", "echo"):
        (tools / name).symlink_to(shutil.which(name) or name)
    for version in ("2106", "2312"):
        folder = tmp_path / f"usr/lib/openfoam/openfoam{version}"
        bin_folder = fake_install(folder, f"OpenFOAM-v{version}")
        (folder / "etc/bashrc").write_text(
            f'export WM_PROJECT_DIR="{folder}"\nexport PATH="{bin_folder}:$PATH"\n'
        )
    solver = find_solver({"PATH": str(tools)}, tmp_path)
    assert solver.version == "2312"


def test_none_is_one_line_on_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(MissingError, match="apt-get install openfoam") as caught:
        find_solver({"PATH": str(tmp_path)}, tmp_path)
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)


def test_an_executable_that_does_not_start_is_named(tmp_path: Path) -> None:
    bin_folder = fake_install(tmp_path / "foam", "nothing")
    with pytest.raises(MissingError, match="does not start"):
        find_solver({"PATH": f"{bin_folder}:/usr/bin:/bin"}, tmp_path)


def test_ranks_without_mpi(tmp_path: Path) -> None:
    bin_folder = fake_install(tmp_path / "foam")
    (tmp_path / "sh").symlink_to("/bin/sh")
    solver = find_solver({"PATH": str(bin_folder)}, tmp_path)
    with pytest.raises(MissingError, match="no mpirun"):
        solver.command("simpleFoam", tmp_path, ranks=2)
    assert solver.command("simpleFoam", tmp_path) == ["simpleFoam", "-case", str(tmp_path)]
