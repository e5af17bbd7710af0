"""Runs of the real solver on a tiny mesh: killed, stopped, resumed, parallel, diverging."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from conftest import Tunnel, smooth

from pipeline.flow.run import RESULT, STATE_FILE, Interrupted, run, wall_yplus
from pipeline.flow.solver import find_solver, run_tool
from pipeline.flow.state import load_state, read_state, save_state
from pipeline.geometry.build import load_shell

pytestmark = pytest.mark.solver

TIGHT = {"standard_error": {"cd": 1e-9, "cl": 1e-9}}


def solver_processes(results: Path) -> list[int]:
    """Process numbers of solvers at work below a results folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            program = (entry / "cmdline").read_bytes().split(b"\0")[0]
            folder = (entry / "cwd").resolve(strict=True)
        except OSError:
            continue
        if program.endswith(b"simpleFoam") and folder == results.resolve():
            found.append(int(entry.name))
    return found


def station(results: Path, run_id: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli.stations", "flow", run_id],
        cwd=results, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip


def wait_for(condition, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def test_a_run_writes_what_the_table_needs(tiny_tunnel: Tunnel) -> None:
    result = tiny_tunnel.run("smooth", 100.0, 0.25)
    folder = tiny_tunnel.results / result["run"]
    assert json.loads((folder / RESULT).read_text()) == result
    assert result["verdict"] == "settled"
    assert result["cd_se"] <= 5e-4
    assert result["solver"] == find_solver().label
    assert (folder / "history.csv").read_text().startswith("iteration,cd,cl,cs,cm\n")
    assert not (folder / "case").exists()
    state = load_state(folder / STATE_FILE)
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
    state = load_state(tiny_tunnel.results / one["run"] / STATE_FILE)
    two = tiny_tunnel.run("smooth", 100.0, 0.25, ranks=2, **TIGHT, iterations=120)
    assert two["ranks"] == 2
    for name in ("cd", "cl", "cm"):
        assert two[name] == pytest.approx(one[name], abs=1e-4)
    # Joined as they are, the ranks' cells are in the order of the whole mesh.
    joined = load_state(tiny_tunnel.results / two["run"] / STATE_FILE)
    np.testing.assert_allclose(joined["U"], state["U"], atol=0.02)
    assert np.abs(joined["U"] - state["U"]).mean() < 1e-4


def test_joined_ranks_are_what_the_solvers_own_tool_joins(tiny_tunnel: Tunnel) -> None:
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **TIGHT, iterations=2000)
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli.stations", "flow", run_id, "--ranks", "2"],
        cwd=tiny_tunnel.results, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    case = tiny_tunnel.results / run_id / "case"
    wait_for(lambda: (case / "processor1/50/phi").exists() and (case / "processor0/100").exists())
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
    assert "SIGKILL" in result["reason"]
    assert result["cd"] is None
    (folder / RESULT).unlink()
    resumed = run(tiny_tunnel.results, run_id)
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
    # No solver survives velocities whose squares overflow.
    wild = tiny_tunnel.results / "runs/wild" / STATE_FILE
    save_state(wild, {"U": np.full((6144, 3), 1e38), "p": np.full(6144, -1e38)})
    result = tiny_tunnel.run("smooth", 1e4, 0.0, starts_from="runs/wild")
    assert result["verdict"] == "diverged"
    assert result["cd"] is None
    assert result["reason"]
    assert any("outside 1 to 270" in warning for warning in result["warnings"])


def test_a_broken_case_is_a_crash_with_the_solvers_own_words(tiny_tunnel: Tunnel) -> None:
    (tiny_tunnel.results / "geometry/smooth/shell/polyMesh/faces").unlink()
    result = tiny_tunnel.run("smooth", 100.0, 0.0)
    assert result["verdict"] == "crashed"
    assert "faces" in result["reason"]
