"""`depthline doctor` on machines that lack things."""

import shutil
import tempfile
from pathlib import Path

import pytest

import pipeline.machine.resources as machine
from pipeline.cli import doctor


def by_name(found) -> dict:
    return {check["name"]: check for check in found["checks"]}


def programs(folder: Path, monkeypatch, *names: str) -> None:
    """A PATH with these programs and no others."""
    folder.mkdir()
    for name in names:
        (folder / name).symlink_to(shutil.which(name) or "/nonexistent")
    monkeypatch.setenv("PATH", str(folder))


def solver(folder: Path, version: str = "OpenFOAM- (1912)") -> None:
    for name in ("simpleFoam", "decomposePar"):
        program = folder / name
        program.write_text(f'#!/bin/sh\necho "Using: {version}"\n')
        program.chmod(0o755)


def test_a_machine_without_a_solver(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    monkeypatch.setattr("pipeline.flow.solver.find.INSTALL_PATTERNS", ())
    ended = depthline("doctor", "--json", "--results", tmp_path)
    assert ended.code == 3
    found = ended.json()
    assert found["ready"] is False
    checks = by_name(found)
    assert checks["solver"]["state"] == "missing"
    assert "apt-get install openfoam" in checks["solver"]["remedy"]
    for name in ("MPI", "decomposition", "cluster queue"):
        assert checks[name]["state"] == "missing"
        assert checks[name]["instead"] and checks[name]["remedy"]
    assert all("\n" not in value for check in found["checks"] for value in map(str, check.values()))


def test_no_mpi_is_no_obstacle(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    solver(tmp_path / "bin")
    monkeypatch.setenv("WM_PROJECT_DIR", str(tmp_path))
    ended = depthline("doctor", "--json", "--results", tmp_path / "not" / "there")
    assert ended.code == 0
    checks = by_name(ended.json())
    assert checks["solver"]["found"].startswith("OpenFOAM 1912, ")
    assert checks["MPI"]["state"] == "missing"
    assert "one core" in checks["MPI"]["instead"]
    assert checks["workflow"]["found"].startswith("Snakemake ")
    assert str(tmp_path) in checks["disk"]["found"]


def test_a_solver_whose_cases_cannot_be_written(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    solver(tmp_path / "bin", "OpenFOAM-7")
    monkeypatch.setenv("WM_PROJECT_DIR", str(tmp_path))
    ended = depthline("doctor", "--json", "--results", tmp_path)
    assert ended.code == 3
    check = by_name(ended.json())["solver"]
    assert check["state"] == "missing"
    assert check["found"].startswith("OpenFOAM 7, ")
    assert "use OpenCFD 1906 or later, or the Foundation's 8 or later" in check["remedy"]


def test_the_foundations_solver_is_not_tried(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    solver(tmp_path / "bin", "OpenFOAM-10")
    monkeypatch.setenv("WM_PROJECT_DIR", str(tmp_path))
    ended = depthline("doctor", "--json", "--results", tmp_path)
    assert ended.code == 0
    check = by_name(ended.json())["solver"]
    assert check["state"] == "limited"
    assert check["found"].startswith("OpenFOAM 10, ")
    assert "not run" in check["instead"]


def test_an_mpi_that_does_not_start_is_tried(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    solver(tmp_path / "bin")
    launcher = tmp_path / "bin/mpirun"
    launcher.write_text('#!/bin/sh\necho "----"  >&2\necho "no network" >&2\nexit 1\n')
    launcher.chmod(0o755)
    monkeypatch.setenv("WM_PROJECT_DIR", str(tmp_path))
    check = by_name(depthline("doctor", "--json", "--results", tmp_path).json())["MPI"]
    assert check["state"] == "limited"
    assert "no network" in check["found"]


def test_limits_of_a_container(tmp_path, monkeypatch) -> None:
    (tmp_path / "cpu.max").write_text("100000 100000\n")
    (tmp_path / "memory.max").write_text("400000000\n")
    (tmp_path / "memory.current").write_text("100000000\n")
    monkeypatch.setattr(machine, "CONTROL_GROUP", tmp_path)
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    assert machine.cores_allowed() == 1
    assert machine.memory_available() == 300_000_000
    checks = {check.name: check for check in doctor.examine(tmp_path)}
    assert checks["cores"].state == "limited"
    assert checks["cores"].found == "1 of 8 may be used"
    # (300 MB - 90 MB) / 1500 B
    assert "up to 140,000 cells" in checks["memory"].found
    assert checks["memory"].state == "limited"


def test_a_system_without_these_files(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(machine, "CONTROL_GROUP", tmp_path)
    monkeypatch.setattr(machine, "MEMORY_INFO", tmp_path / "meminfo")
    assert machine.memory_available() is None
    assert machine.cores_allowed() >= 1
    assert {check.name: check for check in doctor.examine(tmp_path)}["memory"].state == "limited"


def test_libraries_for_pictures(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(doctor, "PICTURE_LIBRARIES", ("libNowhere.so.1",))
    check = {check.name: check for check in doctor.examine(tmp_path)}["libraries for pictures"]
    assert check.state == "missing"
    assert "libNowhere" in check.found and "apt-get install libegl1" in check.remedy


def test_brackets_are_printed_as_they_are(tmp_path, depthline, monkeypatch) -> None:
    programs(tmp_path / "bin", monkeypatch, "sh")
    solver(tmp_path / "bin")
    (tmp_path / "bin/sbatch").touch(mode=0o755)
    monkeypatch.setenv("WM_PROJECT_DIR", str(tmp_path))

    def none_installed(name: str) -> str:
        raise doctor.PackageNotFoundError(name)

    monkeypatch.setattr(doctor, "version", none_installed)
    ended = depthline("doctor", "--results", tmp_path)
    assert "pip install 'depthline[cluster]'" in ended.out


@pytest.mark.solver
def test_this_machine(depthline, tmp_path) -> None:
    ended = depthline("doctor", "--results", tmp_path)
    assert ended.code == 0
    assert "ready" in ended.out
    assert "OpenFOAM" in ended.out


def test_a_path_that_the_solver_does_not_accept(tmp_path, monkeypatch) -> None:
    awkward = tmp_path / "the engineer's results"
    awkward.mkdir()
    assert {check.name: check for check in doctor.examine(tmp_path)}["path"].state == "found"
    check = {check.name: check for check in doctor.examine(awkward)}["path"]
    assert check.state == "limited" and str(awkward) in check.found and "a link in" in check.instead
    monkeypatch.setattr(tempfile, "tempdir", str(awkward))
    check = {check.name: check for check in doctor.examine(awkward)}["path"]
    assert check.state == "missing" and check.needed and "TMPDIR" in check.remedy
