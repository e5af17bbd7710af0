"""Runs of the real solver on a tiny mesh: killed, stopped, resumed, parallel, diverging."""

import dataclasses
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import pyvista
from solver_processes import solver_processes
from tunnel import Tunnel, smooth

from pipeline.flow.campaign.run import Interrupted, run
from pipeline.flow.solver.find import find_solver, run_tool
from pipeline.flow.solver.state import load_state, read_state, save_state
from pipeline.flow.solver.surface import wall_yplus
from pipeline.geometry.shell.files import load_shell
from pipeline.records.flow import RunResult
from pipeline.records.tree import RESULT, STATE, SURFACE

pytestmark = pytest.mark.solver

TIGHT = {"standard_error": {"cd": 1e-9, "cl": 1e-9}}


def station(results: Path, run_id: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.workflow.stations", "flow", run_id],
        cwd=results, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip


def wait_for(condition, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def test_a_run_writes_what_the_table_needs(tiny_tunnel: Tunnel) -> None:
    result = tiny_tunnel.run("smooth", 100.0, 0.25)
    folder = tiny_tunnel.results / result["run"]
    assert json.loads((folder / RESULT).read_text()) == result | {"version": RunResult.version}
    assert result["verdict"] == "settled"
    assert result["cd_se"] <= 5e-4
    assert 0 <= result["yplus_min"] < result["yplus_mean"] < result["yplus_max"] < 5
    assert set(result["residuals"]) == {"Ux", "Uy", "Uz", "p"}
    assert all(0 < value < 1e-2 for value in result["residuals"].values())
    assert result["solver"] == find_solver().label
    assert (folder / "history.csv").read_text().startswith("iteration,cd,cl,cs,cm\n")
    assert not (folder / "case").exists()
    state = load_state(folder / STATE)
    assert state["U"].shape == (6144, 3)
    # y+ from the kept state is what the run reported.
    yplus = wall_yplus(load_shell(tiny_tunnel.results / "geometry/smooth"), state["U"], 100.0, 0.25)
    assert yplus.max() == pytest.approx(result["yplus_max"], rel=1e-5)


def test_a_neighbours_field_saves_iterations(tiny_tunnel: Tunnel) -> None:
    cold = tiny_tunnel.run("smooth", 100.0, 0.0, **TIGHT, iterations=150)
    warm = tiny_tunnel.run("smooth", 100.0, 0.001, starts_from=cold["run"])
    first = np.genfromtxt(tiny_tunnel.results / warm["run"] / "history.csv", delimiter=",", names=True)[0]
    assert warm["warnings"] == []
    assert first["cd"] == pytest.approx(cold["cd"], rel=0.01)


def test_a_missing_neighbour_means_a_cold_start_and_a_warning(tiny_tunnel: Tunnel) -> None:
    result = tiny_tunnel.run("smooth", 100.0, 0.0, starts_from="runs/smooth/re50/s0")
    assert result["verdict"] == "settled"
    assert result["warnings"] == ["started cold: runs/smooth/re50/s0 left no state to start from"]


def test_half_a_ball_equals_the_whole(tiny_tunnel: Tunnel) -> None:
    tiny_tunnel.add("half", smooth, mirrored=True)
    tight = {"standard_error": {"cd": 1e-6, "cl": 1e-6}}
    whole, half = (tiny_tunnel.run(ball, 100.0, 0.5, **tight) for ball in ("smooth", "half"))
    assert half["cells"] == whole["cells"] / 2
    for name in ("cd", "cl", "cm"):
        assert half[name] == pytest.approx(whole[name], abs=2e-4)
    assert half["cs"] == 0.0
    assert abs(whole["cs"]) < 1e-4


def test_two_ranks_equal_one(tiny_tunnel: Tunnel) -> None:
    one = tiny_tunnel.run("smooth", 100.0, 0.25, **TIGHT, iterations=120)
    state = load_state(tiny_tunnel.results / one["run"] / STATE)
    two = tiny_tunnel.run("smooth", 100.0, 0.25, ranks=2, **TIGHT, iterations=120)
    assert two["ranks"] == 2
    for name in ("cd", "cl", "cm"):
        assert two[name] == pytest.approx(one[name], abs=1e-4)
    # Joined as they are, the ranks' cells are in the order of the whole mesh.
    joined = load_state(tiny_tunnel.results / two["run"] / STATE)
    np.testing.assert_allclose(joined["U"], state["U"], atol=0.02)
    assert np.abs(joined["U"] - state["U"]).mean() < 1e-4


def test_joined_ranks_are_what_the_solvers_own_tool_joins(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=2000)
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.workflow.stations", "flow", run_id, "--ranks", "2"],
        cwd=tiny_tunnel.results, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip
    case = tiny_tunnel.results / run_id / "case"
    wait_for(lambda: (case / "processor1/50/phi").exists() and (case / "processor0/50/phi").exists(), 240.0)
    process.send_signal(signal.SIGTERM)
    process.wait()
    run_tool(find_solver(), ["reconstructPar", "-case", str(case), "-latestTime"])
    time_name = max((p.name for p in case.iterdir() if p.name.isdigit()), key=int)
    ours = read_state(case, time_name, ("U", "p"), 6144, ranks=2)
    theirs = read_state(case, time_name, ("U", "p"), 6144)
    np.testing.assert_array_equal(ours["U"], theirs["U"])
    np.testing.assert_array_equal(ours["p"], theirs["p"])


def test_a_killed_solver_loses_only_its_run_and_is_taken_up_again(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=400)
    folder = tiny_tunnel.results / run_id
    process = station(tiny_tunnel.results, run_id)
    wait_for(lambda: (folder / "case/100/phi").exists())
    for number in solver_processes(tiny_tunnel.results):
        os.kill(number, signal.SIGKILL)
    assert process.wait() == 0
    result = json.loads((folder / RESULT).read_text())
    assert result["verdict"] == "killed"
    # We did it, not the system for lack of memory.
    assert result["reason"] == "the solver was killed (SIGKILL)"
    assert result["cd"] is None
    (folder / RESULT).unlink()
    resumed = run(tiny_tunnel.results, run_id).content()
    assert resumed["resumed"]
    assert resumed["iterations"] == 400
    undisturbed = tiny_tunnel.run("smooth", 100.0, 0.2501, **TIGHT, iterations=400)
    assert resumed["cd"] == pytest.approx(undisturbed["cd"], abs=1e-4)


def test_sigterm_writes_the_state_and_leaves_a_resumable_run(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=5000)
    folder = tiny_tunnel.results / run_id
    process = station(tiny_tunnel.results, run_id)
    wait_for(lambda: (folder / "case/progress.json").exists())
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate()
    assert process.returncode == Interrupted.exit_code
    assert errors.count("\n") == 1
    assert "the next run goes on" in errors
    assert not (folder / RESULT).exists()
    states = [p.name for p in (folder / "case").iterdir() if p.name.isdigit() and p.name != "0"]
    assert states
    assert solver_processes(tiny_tunnel.results) == []


def test_no_orphan_solver_survives_its_station(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=5000)
    process = station(tiny_tunnel.results, run_id)
    wait_for(lambda: bool(solver_processes(tiny_tunnel.results)))
    process.kill()
    process.wait()
    wait_for(lambda: not solver_processes(tiny_tunnel.results), 10)


def test_a_diverging_run_has_its_verdict(tiny_tunnel: Tunnel) -> None:
    # No solver survives velocities whose squares overflow, whatever its settings.
    result = tiny_tunnel.run("smooth", 1e4, 1e200)
    assert result["verdict"] == "diverged"
    assert result["cd"] is None
    assert result["reason"]
    assert result["attempts"] == result["legs"] == 2
    assert any("outside 1 to 270" in warning for warning in result["warnings"])
    assert not (tiny_tunnel.results / result["run"] / "case").exists()


def test_a_run_that_diverged_is_computed_once_more(tiny_tunnel: Tunnel) -> None:
    wild = tiny_tunnel.results / "runs/wild" / STATE
    save_state(wild, {"U": np.full((6144, 3), 1e38), "p": np.full(6144, -1e38)})
    result = tiny_tunnel.run("smooth", 100.0, 0.0, starts_from="runs/wild")
    assert result["verdict"] == "settled"
    assert result["attempts"] == 2
    (warning,) = result["warnings"]
    assert "diverged at first (" in warning and "smaller relaxation factors" in warning
    # [source] Johnson & Patel 1999, J. Fluid Mech. 378: 1.08 to 1.09; this mesh is only good for 10 %.
    assert result["cd"] == pytest.approx(1.085, rel=0.1)


def test_the_ceiling_of_wall_time(tiny_tunnel: Tunnel) -> None:
    # A fast machine brings the history to a standstill, of standard error 0, before the ceiling.
    never = {"standard_error": {"cd": -1.0, "cl": -1.0}}
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **never, iterations=100_000)
    result = run(tiny_tunnel.results, run_id, wall_time=8.0).content()
    assert result["reason"] == "ceiling of wall time reached (8 s)"
    assert result["verdict"] in ("noisy", "drifting", "oscillating")
    assert 8.0 <= result["wall_seconds"] < 30.0
    assert result["core_seconds"] == result["wall_seconds"]


def test_a_case_edited_by_hand_is_set_aside(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=200)
    folder = tiny_tunnel.results / run_id
    process = station(tiny_tunnel.results, run_id)
    wait_for(lambda: (folder / "case/50/phi").exists())
    process.send_signal(signal.SIGTERM)
    process.wait()
    schemes = folder / "case/system/fvSchemes"
    schemes.write_text(schemes.read_text().replace("bounded Gauss linear", "bounded Gauss upwind"))
    (folder / "case/system/fvOptions").write_text("")
    result = run(tiny_tunnel.results, run_id).content()
    assert not result["resumed"]
    (warning,) = result["warnings"]
    assert "edited by hand (system/fvOptions, system/fvSchemes): set aside as case.edited" in warning
    assert "upwind" in (folder / "case.edited/system/fvSchemes").read_text()
    assert result["iterations"] == 200


def test_an_edit_while_the_solver_runs_is_no_result(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=300)
    folder = tiny_tunnel.results / run_id
    process = station(tiny_tunnel.results, run_id)
    wait_for(lambda: (folder / "case/50/phi").exists())
    schemes = folder / "case/system/fvSchemes"
    schemes.write_text(schemes.read_text().replace("bounded Gauss linear", "bounded Gauss upwind"))
    process.wait()
    result = json.loads((folder / RESULT).read_text())
    assert result["verdict"] == "crashed"
    assert "edited by hand while the solver ran: system/fvSchemes" in result["reason"]
    assert result["cd"] is None


def test_without_mpi_a_parallel_run_is_serial(tiny_tunnel: Tunnel, monkeypatch: pytest.MonkeyPatch) -> None:
    serial = dataclasses.replace(find_solver(), mpirun=None)
    monkeypatch.setattr("pipeline.flow.campaign.run.find_solver", lambda: serial)
    result = tiny_tunnel.run("smooth", 100.0, 0.0, ranks=4, iterations=130)
    assert result["ranks"] == 1
    (warning,) = result["warnings"]
    assert "flow.ranks: 4: there is no mpirun on PATH" in warning


def test_surface_and_case_are_kept_on_demand(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, iterations=130)
    folder = tiny_tunnel.results / run_id
    run(tiny_tunnel.results, run_id, keep="surface")
    assert (folder / SURFACE).is_file() and not (folder / "case").exists()
    surface = pyvista.read(folder / SURFACE)
    pressure = surface.cell_data["pressure_coefficient"]
    assert len(pressure) == 6 * 8 * 8
    assert np.abs(np.linalg.norm(surface.points, axis=1) - 0.5).max() < 1e-6
    # The greatest pressure is at the nose, above that of the free stream at low Reynolds numbers
    # [memory] (Barker 1922: Cp = 1 + 6 / Re or so), and friction acts downstream.
    nose = surface.get_cell(int(np.argmax(pressure))).points.mean(axis=0)
    assert nose[0] < -0.4
    assert 0.9 < pressure.max() < 1.3
    assert surface.cell_data["friction_coefficient"][:, 0].sum() > 0
    run(tiny_tunnel.results, run_id, keep="all")
    assert (folder / "case/system/controlDict").is_file()
    run(tiny_tunnel.results, run_id)
    kept = sorted(path.name for path in folder.iterdir())
    assert kept == ["history.csv", "run.json", "spec.json", STATE]


def test_a_broken_case_is_a_crash_with_the_solvers_own_words(tiny_tunnel: Tunnel) -> None:
    (tiny_tunnel.results / "geometry/smooth/shell/polyMesh/faces").unlink()
    result = tiny_tunnel.run("smooth", 100.0, 0.0)
    assert result["verdict"] == "crashed"
    assert "faces" in result["reason"]
