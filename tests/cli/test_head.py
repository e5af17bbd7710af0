"""The head of a study: killed, started twice, with one bad run among many. The solver is a stub."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from small_study import laminar_study

import pipeline.cli.run
import pipeline.flow.solver.execute
from pipeline.aero.collect import collect
from pipeline.cli.status import run_state
from pipeline.errors import InputError, MissingError
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.run import run as compute
from pipeline.geometry.build import build_layout, build_variant
from pipeline.records.tree import TOTALS
from pipeline.study.file import load_study
from pipeline.study.matrix import runs, variants
from pipeline.workflow.results_lock import locked_results

ROOT = Path(__file__).parents[2]
STUB = ROOT / "tests/stub_solver"


def wait_until(what: Callable[[], object], seconds: float = 120.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.1)


def at_work(results: Path) -> list[bytes]:
    """Stations and solvers whose working folder is a results folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            words, folder = (entry / "cmdline").read_bytes(), (entry / "cwd").resolve(strict=True)
        except OSError:
            continue
        if folder == results and (b"pipeline.workflow.stations" in words or b"stub_solver" in words):
            found.append(words)
    return found


def write_study(folder: Path, reynolds: str) -> Path:
    path = folder / "study.yaml"
    path.write_text(laminar_study("headless", "0.5 mm", reynolds))
    return path


def started_head(study: Path) -> subprocess.Popen[str]:
    """A head that computes a study with the stub, whose settings lie beside the study."""
    folder = study.parent
    environment = os.environ | {
        "PYTHONPATH": str(ROOT), "PATH": f"{STUB}:{os.environ['PATH']}", "WM_PROJECT_DIR": str(STUB),
        "STUB_SETTINGS": str(folder / "stub.json"),
    }  # fmt: skip
    command = [
        sys.executable, "-c", "from pipeline.cli.app import main; main()", "run", str(study),
        "--results", str(folder / "results"), "--cores", "2",
    ]  # fmt: skip
    return subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)


def with_geometry(study: Path) -> Path:
    """Results folder in which the geometry is there."""
    loaded = load_study(study)
    results = study.parent / "results" / loaded.name
    prepare(loaded, results)
    build_layout(results / "geometry/ico")
    for variant in variants(loaded):
        build_variant(results / "geometry/ico" / variant.key)
    return results


def use_stub(monkeypatch: pytest.MonkeyPatch, folder: Path, settings: dict[str, Any]) -> None:
    """Make the stub the solver of this process and of those it starts."""
    (folder / "stub.json").write_text(json.dumps(settings))
    monkeypatch.setenv("PATH", str(STUB), prepend=":")
    monkeypatch.setenv("WM_PROJECT_DIR", str(STUB))
    monkeypatch.setenv("STUB_SETTINGS", str(folder / "stub.json"))


def test_one_head_at_a_time(tmp_path: Path) -> None:
    with locked_results(tmp_path):
        with pytest.raises(InputError, match=rf"process {os.getpid()} on \S+ is at work on this study"):
            with locked_results(tmp_path):
                pass
    with locked_results(tmp_path):
        pass


def test_a_profile_of_an_executor_that_is_not_installed(tmp_path: Path, depthline: Any, demo: Path) -> None:
    (tmp_path / "config.yaml").write_text("executor: carrier-pigeon\n")
    ended = depthline("run", demo, "--profile", tmp_path, "--results", tmp_path / "results")
    assert ended.code == MissingError.exit_code
    assert "carrier-pigeon: its plugin is not installed" in ended.err
    (tmp_path / "config.yaml").write_text("config: {cells_per_cor: 3}\n")
    ended = depthline("run", demo, "--profile", tmp_path, "--results", tmp_path / "results")
    assert ended.code == InputError.exit_code
    assert "config.yaml: profile: config: cells_per_cor: no such key" in ended.err
    assert not (tmp_path / "results").exists()


@pytest.mark.long
def test_a_killed_head_is_taken_over(tmp_path: Path) -> None:
    study = write_study(tmp_path, "60, 70")
    results = with_geometry(study)
    (tmp_path / "stub.json").write_text(json.dumps({"re70/": {"hold": 60, "until": str(tmp_path / "go")}}))
    first = started_head(study)
    quick, held_up = (results / f"runs/ico/d0.500mm/re{number}/s0.100" for number in (60, 70))
    wait_until(lambda: (quick / "run.json").is_file() and (held_up / "case/progress.json").is_file())
    finished = (quick / "run.json").read_text()  # it has the times of its run
    first.kill()
    first.communicate()
    again = started_head(study)
    wait_until(lambda: (results / ".lock").read_text().split()[1:2] == [str(again.pid)])
    (tmp_path / "go").touch()
    _, errors = again.communicate(timeout=180)
    assert again.returncode == 0, errors
    assert f"process {first.pid} was killed and left its workflow at work" in errors
    assert (quick / "run.json").read_text() == finished
    history = pd.read_csv(held_up / "history.csv")["iteration"]
    assert history.tolist() == list(range(1, len(history) + 1))


@pytest.mark.long
def test_station_and_solver_leave_when_the_engine_is_killed(tmp_path: Path) -> None:
    study = write_study(tmp_path, "60")
    results = with_geometry(study)
    (tmp_path / "stub.json").write_text(json.dumps({"re60/": {"hold": 60, "until": str(tmp_path / "go")}}))
    head = started_head(study)
    folder = results / "runs/ico/d0.500mm/re60/s0.100"
    wait_until(lambda: (folder / "case/progress.json").is_file())
    engine = int((results / ".lock").read_text().split()[2])
    os.kill(engine, signal.SIGKILL)
    _, errors = head.communicate(timeout=60)
    assert head.returncode == 1 and "the line did not finish" in errors
    wait_until(lambda: not at_work(results), 15.0)
    assert not (folder / "run.json").exists()
    assert (folder / "case/60/U").is_file()  # the state that it wrote when it was told to stop
    (tmp_path / "go").touch()
    again = started_head(study)
    _, errors = again.communicate(timeout=180)
    assert again.returncode == 0, errors
    history = pd.read_csv(folder / "history.csv")["iteration"]
    assert history.tolist() == list(range(1, len(history) + 1))


@pytest.mark.long
def test_a_study_in_batches_is_the_same_study(
    depthline: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Two patterns, each a batch of its own; a run of the first diverges, which does not stop the next.
    use_stub(monkeypatch, tmp_path, {"ico/d0.500mm/re70/": {"diverge": 30}})
    monkeypatch.setattr(pipeline.cli.run, "MOST_RUNS", 2)
    study = write_study(tmp_path, "60, 70")
    text = study.read_text()
    pattern = text[text.index("  - name: ico") : text.index("flow:")]
    study.write_text(text.replace("flow:", pattern.replace("name: ico", "name: other") + "flow:"))
    ended = depthline("run", study, "--results", tmp_path / "results", "--cores", 2)
    assert ended.code == 1 and "1 of 4 runs failed" in ended.err
    results = tmp_path / "results/headless"
    table = pd.read_csv(results / "coefficients.csv")
    assert table["pattern"].tolist() == ["ico"] * 2 + ["other"] * 2
    assert table["verdict"].tolist() == ["settled", "diverged", "settled", "settled"]
    log = (results / "workflow.log").read_text()
    assert log.count("Building DAG of jobs") == 3
    assert depthline("run", study, "--results", tmp_path / "results", "--cores", 2).code == 1


@pytest.mark.long
def test_a_run_that_diverges_in_the_midst_of_a_hundred(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The station's own code for each run, without an engine and at a poll every 10 ms.
    use_stub(monkeypatch, tmp_path, {"re150/": {"diverge": 30}})
    monkeypatch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.01)
    study = write_study(tmp_path, ", ".join(map(str, range(101, 201))))
    results = with_geometry(study)
    plan = runs(load_study(study))
    for run in plan:
        compute(results, run.run_id)
    table = collect(results, [run.run_id for run in plan])
    assert len(table) == 100
    bad = table["reynolds"] == 150
    assert table.loc[bad, "verdict"].tolist() == ["diverged"]
    assert table.loc[bad, ["cd", "cl"]].isna().all(axis=None)
    assert (table.loc[~bad, "verdict"] == "settled").all()
    assert table.loc[~bad, ["cd", "cd_se", "cl", "cl_se"]].notna().all(axis=None)
    assert (results / "geometry/ico/d0.500mm" / TOTALS).is_file()
    states = {run.reynolds: run_state(results, run) for run in plan}
    assert states[150]["state"] == "diverged"
    assert all(state["reason"] for state in states.values())
