"""Runs on a mesh without nodes on the dimples' edges. The solver is a stub: no numbers matter."""

from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

import pipeline.flow.solver.execute
from pipeline.flow.campaign.provenance import mixed, rows
from pipeline.flow.campaign.run import PLAIN_GRID
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import spread_layout
from pipeline.geometry.shell import edge_nodes
from pipeline.geometry.shell.mesh import Level

STUB = Path(__file__).parents[2] / "stub_solver"
DIAMETER = 0.0427


@pytest.fixture
def tunnel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tunnel:
    """Two depths of a pattern with nodes on the edges, one whose fitting did not converge."""
    monkeypatch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.02)
    monkeypatch.setenv("PATH", str(STUB), prepend=":")
    monkeypatch.setenv("WM_PROJECT_DIR", str(STUB))
    made = Tunnel(tmp_path, "laminar", Level(16, 16), 100.0)
    layout = spread_layout("icosahedral", 32, 6e-3, 1e-4, DIAMETER, seed=1)
    for name, depth, rounds in (("fitted", 4e-4, 25), ("deeper", 5e-4, 25), ("plain", 4e-4, 0)):
        monkeypatch.setattr(edge_nodes, "ROUNDS", rounds)
        made.add_ball(name, DimpledBall(layout, np.full(32, depth), DIAMETER), depth_m=depth)
    return made


def test_a_plain_grid_is_another_mesh(tunnel: Tunnel) -> None:
    first = tunnel.run("fitted", 100.0, 0.1)
    assert first["warnings"] == [] and first["mesh"]["edges_fitted"] is True
    alike = tunnel.run("deeper", 100.0, 0.1, starts_from=first["run"])
    assert alike["warnings"] == []
    assert mixed(rows(tunnel.results, [first["run"], alike["run"]])) is None
    plain = tunnel.run("plain", 100.0, 0.1, starts_from=first["run"])
    cold = f"started cold: one of the meshes of {first['run']} and this run has no nodes on dimples' edges"
    assert plain["warnings"] == [PLAIN_GRID, cold]
    assert plain["mesh"]["edges_fitted"] is False
    said = mixed(rows(tunnel.results, [run["run"] for run in (first, alike, plain)]))
    assert said is not None and said.startswith("1 of 3 runs have no mesh nodes on the dimples' edges")
