"""Results in a path with a blank and a quote, which the solver does not accept."""

import tempfile
from pathlib import Path

import pytest
from tunnel import Tunnel

from pipeline.errors import InputError
from pipeline.flow.solver.path import check_solver_path, fits_solver, solver_path, work_folder
from pipeline.geometry.shell.mesh import Level

AWKWARD = "the engineer's results"


@pytest.mark.parametrize("name", [AWKWARD, "a b", 'a"b', "a'b", "a\tb", "a\u00a0b"])
def test_a_link_stands_in_for_an_awkward_path(tmp_path: Path, name: str) -> None:
    # [source] fileName::valid of OpenFOAM 1912 refuses isspace, double and single quotes.
    folder = tmp_path / name
    folder.mkdir()
    assert fits_solver(tmp_path) and not fits_solver(folder)
    with solver_path(folder) as path:
        assert fits_solver(path.parent) and path.resolve() == folder
        (path / "written").touch()
    assert (folder / "written").exists() and not path.parent.exists()
    with solver_path(tmp_path) as path:
        assert path == tmp_path


def test_no_place_for_a_link_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / AWKWARD
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    check_solver_path(tmp_path)
    with pytest.raises(InputError, match="the engineer's results: has a blank or a quote") as caught:
        check_solver_path(folder)
    assert caught.value.exit_code == 2 and "\n" not in str(caught.value)
    with pytest.raises(InputError), solver_path(folder):
        pass


def test_the_solver_does_not_start_in_an_awkward_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / AWKWARD).mkdir()
    monkeypatch.chdir(tmp_path)
    assert work_folder(Path("/link/case")) == tmp_path
    monkeypatch.chdir(tmp_path / AWKWARD)
    assert work_folder(Path("/link/case")) == Path("/link")


@pytest.mark.solver
@pytest.mark.parametrize("ranks", [1, 2])
def test_a_run_in_an_awkward_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ranks: int) -> None:
    results = tmp_path / AWKWARD
    results.mkdir()
    monkeypatch.chdir(results)
    monkeypatch.setenv("PWD", str(results))  # as a shell leaves it; the solver asks for it
    result = Tunnel(results, "laminar", Level(8, 16), 100.0).run("smooth", 100.0, 0.0, ranks)
    assert result["verdict"] == "settled" and result["warnings"] == []
    # [source] Johnson & Patel 1999, J. Fluid Mech. 378: 1.08 to 1.09; this mesh is only good for 10 %.
    assert result["cd"] == pytest.approx(1.085, rel=0.1)
    assert result["ranks"] == ranks


@pytest.mark.solver
def test_a_shell_that_says_an_awkward_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Called from such a folder for results elsewhere.
    monkeypatch.setenv("PWD", str(tmp_path / AWKWARD))
    monkeypatch.chdir(tmp_path)
    result = Tunnel(tmp_path, "laminar", Level(8, 16), 100.0).run("smooth", 100.0, 0.0)
    assert result["verdict"] == "settled"
