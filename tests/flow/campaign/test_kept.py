"""What is dropped after a run, and what other runs still need."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
from small_study import run_record

from pipeline.flow.campaign.kept import LARGE_STATE, drop_states
from pipeline.flow.solver.fingerprint import case_files, edited
from pipeline.flow.solver.state import load_state, save_state
from pipeline.records.tree import STATE
from pipeline.validation.flows import run_spec


def run_id(depth: str) -> str:
    return f"runs/pattern/{depth}/re90000/s0.080"


def study(results: Path, size: float) -> None:
    """A chain: depths b and c start from a."""
    for name, origin in (("a", None), ("b", run_id("a")), ("c", run_id("a"))):
        folder = results / run_id(name)
        folder.mkdir(parents=True)
        spec = run_spec(run_id(name), "geometry/pattern/x", "steady-rans", 9e4, 0.08)
        (folder / "spec.json").write_text(json.dumps(spec.changed(starts_from=origin).content()))
        with (folder / STATE).open("wb") as stream:
            stream.truncate(int(size))


def finish(results: Path, name: str, verdict: str = "settled") -> None:
    (results / run_id(name) / "run.json").write_text(json.dumps(run_record(verdict=verdict)))
    drop_states(results, run_id(name))


def states(results: Path) -> set[str]:
    return {path.parents[2].name for path in results.rglob(STATE)}


def test_a_large_state_goes_when_its_last_follower_has_finished(tmp_path: Path) -> None:
    study(tmp_path, LARGE_STATE + 1)
    finish(tmp_path, "a")
    assert states(tmp_path) == {"a", "b", "c"}
    finish(tmp_path, "b")
    assert states(tmp_path) == {"a", "c"}
    finish(tmp_path, "c", "killed")  # it will be taken up again, perhaps from the start
    assert "a" in states(tmp_path)
    finish(tmp_path, "c")
    assert states(tmp_path) == set()


def test_a_small_state_stays(tmp_path: Path) -> None:
    study(tmp_path, 1000)
    for name in "abc":
        finish(tmp_path, name)
    assert states(tmp_path) == {"a", "b", "c"}


def test_a_follower_that_is_out_of_date_counts_as_unfinished(tmp_path: Path) -> None:
    study(tmp_path, LARGE_STATE + 1)
    for name in "bc":
        (tmp_path / run_id(name) / "run.json").write_text(json.dumps(run_record()))
        os.utime(tmp_path / run_id(name) / "run.json", (1, 1))
    finish(tmp_path, "a")
    assert "a" in states(tmp_path)


def test_a_state_is_kept_without_loss_of_single_precision(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    state = {"U": rng.normal(size=(500, 3)), "omega": rng.lognormal(5, 5, size=500), "p": np.zeros(500)}
    save_state(tmp_path / STATE, state)
    for name, values in load_state(tmp_path / STATE).items():
        np.testing.assert_array_equal(values, state[name].astype(np.float32).astype(np.float64))


def test_states_from_before_bytes_were_stored_apart(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=(20, 3)).astype(np.float32)
    np.savez(tmp_path / STATE, U=values)
    np.testing.assert_array_equal(load_state(tmp_path / STATE)["U"], values)


@pytest.fixture
def case(tmp_path: Path) -> Path:
    for name in ("system/controlDict", "system/fvSchemes", "constant/turbulenceProperties", "0/U"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(f"{name}: stopAt endTime;")
    mesh = tmp_path / "mesh"
    mesh.mkdir()
    (mesh / "points").write_text("points")
    (tmp_path / "constant/polyMesh").mkdir()
    (tmp_path / "constant/polyMesh/points").symlink_to(mesh / "points")
    (tmp_path / "constant/polyMesh/cellZones").write_text("zones")
    return tmp_path


def test_edits_are_named(case: Path) -> None:
    written = case_files(case)
    assert edited(case, written) == []
    (case / "system/controlDict").write_text("system/controlDict: stopAt writeNow;")  # as we do
    (case / "postProcessing").mkdir()
    (case / "50").mkdir()
    assert edited(case, written) == []
    (case / "system/fvSchemes").write_text("other")
    (case / "system/fvOptions").write_text("new")
    (case / "0/U").unlink()
    (case / "mesh/points").write_text("of another mesh")
    assert edited(case, written) == [
        "0/U", "constant/polyMesh/points", "system/fvOptions", "system/fvSchemes",
    ]  # fmt: skip
    (case / "constant/polyMesh/cellZones").write_text("zones moved")
    assert "constant/polyMesh/cellZones" in edited(case, written)
    (case / "system/controlDict").write_text("system/controlDict: stopAt endTime; deltaT 2;")
    assert "system/controlDict" in edited(case, written)
