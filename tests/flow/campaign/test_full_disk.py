"""A disk that fills up while the solver writes: a clean stop, and nothing already computed is damaged."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tunnel import Tunnel

from pipeline.flow.campaign.run import run
from pipeline.records.tree import RESULT

pytestmark = pytest.mark.solver

SMALL_DISK = """
mount -t tmpfs -o size=900k none runs && cp -r saved/. runs/ || exit 99
"$@"
code=$?
cp -r runs/. after
exit $code
"""
"""Runs a command where `runs` is a disk of 900 kB, in a name space of its own; copies what it then holds."""


def test_a_full_disk_stops_cleanly_and_damages_nothing(tiny_tunnel: Tunnel) -> None:
    tight = {"standard_error": {"cd": 1e-9, "cl": 1e-9}, "iterations": 130}
    first = tiny_tunnel.run("smooth", 100.0, 0.0)
    run_id = tiny_tunnel.prepare("smooth", 100.0, 0.25, **tight)
    results = tiny_tunnel.results
    (results / "runs").rename(results / "saved")
    (results / "runs").mkdir()
    station = [sys.executable, "-m", "pipeline.workflow.stations", "flow", run_id]
    done = subprocess.run(
        ["unshare", "--map-root-user", "--mount", "sh", "-c", SMALL_DISK, "sh", *station],
        cwd=results, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "No space left on device; make room and run again, nothing is lost" in done.stderr
    assert done.stderr.count("\n") == 1
    after = results / "after"
    finished = Path(first["run"]).relative_to("runs")
    for name in (RESULT, "history.csv", "state.npz", "spec.json"):
        assert (after / finished / name).read_bytes() == (results / "saved" / finished / name).read_bytes()
    assert not (after / Path(run_id).relative_to("runs") / RESULT).exists()
    # With room again, the same command goes on from the last state that was written in full.
    shutil.rmtree(results / "runs")
    after.rename(results / "runs")
    resumed = run(results, run_id).content()
    assert resumed["resumed"]
    undisturbed = tiny_tunnel.run("smooth", 100.0, 0.2501, **tight)
    for name in ("cd", "cl", "cm"):
        assert resumed[name] == pytest.approx(undisturbed[name], abs=2e-4)
