"""`depthline status`: states read from the files of the flow station."""

import json
import os
import time

import pytest
from small_study import FAILED, run_record

from pipeline.cli.status import run_state
from pipeline.study.file import load_study
from pipeline.study.matrix import runs


@pytest.fixture
def first(small):
    return runs(load_study(small))[0]


def write(path, content, age=0.0):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    os.utime(path, (time.time() - age,) * 2)


RESULT = run_record()


def test_every_run_starts_as_not_started(depthline, small, tmp_path):
    found = depthline("status", small, "--json", "--results", tmp_path / "results").json()
    assert found["counts"] == {"not started": 8}
    reasons = {state["run"]: state["reason"] for state in found["runs"]}
    assert reasons["runs/ico32/d0.150mm/re90000/s0.100"] == "waits for a free core"
    assert reasons["runs/ico32/d0.200mm/re90000/s0.100"] == "starts from runs/ico32/d0.150mm/re90000/s0.100"
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize(
    "verdict", ["settled", "noisy", "oscillating", "drifting", "diverged", "crashed", "killed"]
)
def test_a_verdict_has_a_reason(tmp_path, first, verdict):
    write(tmp_path / first.run_id / "run.json", RESULT | {"verdict": verdict})
    state = run_state(tmp_path, first)
    assert state["state"] == verdict
    assert state["reason"]
    assert "\n" not in state["reason"]
    assert (state["cd"], state["cd_se"], state["iterations"]) == (0.25, 0.001, 240)


def test_the_reason_of_the_run_comes_first(tmp_path, first):
    write(
        tmp_path / first.run_id / "run.json", RESULT | FAILED | {"verdict": "crashed", "reason": "disk full"}
    )
    state = run_state(tmp_path, first)
    assert (state["state"], state["reason"]) == ("crashed", "disk full")
    assert "cd" not in state


def test_changed_settings_make_a_run_outdated(tmp_path, first):
    write(tmp_path / first.run_id / "run.json", RESULT, age=60)
    write(tmp_path / first.run_id / "spec.json", {}, age=0)
    assert run_state(tmp_path, first)["state"] == "outdated"
    write(tmp_path / first.run_id / "spec.json", {}, age=120)
    assert run_state(tmp_path, first)["state"] == "settled"


def test_a_spoilt_result_is_named(tmp_path, first):
    write(tmp_path / first.run_id / "run.json", '{"verdict": "sett')
    state = run_state(tmp_path, first)
    assert state["state"] == "unreadable"
    assert "run.json: is broken (not JSON, line 1: " in state["reason"]


def test_a_running_run_tells_how_far_it_is(tmp_path, first):
    case = tmp_path / first.run_id / "case"
    write(case / "solver.log", "Time = 1\n")
    assert run_state(tmp_path, first)["reason"] == "no iteration yet"
    write(case / "progress.json", {"iterations": 80.0, "verdict": "short", "cd": 0.27, "cd_se": 0.01})
    state = run_state(tmp_path, first)
    assert (state["state"], state["iterations"], state["cd"]) == ("running", 80, 0.27)
    assert state["reason"] == "80 iterations so far"


def test_a_silent_run_was_stopped(tmp_path, first):
    case = tmp_path / first.run_id / "case"
    write(case / "solver.log", "Time = 80\n", age=600)
    write(case / "progress.json", {"iterations": 80.0, "verdict": "short"})
    state = run_state(tmp_path, first)
    assert state["state"] == "stopped"
    assert state["reason"].startswith("80 iterations so far, silent for 10 min; the next run goes on")


def test_table_counts_the_states(depthline, small, tmp_path, first):
    write(tmp_path / "results" / "small" / first.run_id / "run.json", RESULT)
    ended = depthline("status", small, "--results", tmp_path / "results")
    assert ended.code == 0
    assert "8 runs: 7 not started, 1 settled" in ended.out
    assert "0.2500 ± 0.0010" in ended.out
    assert ended.err == ""


def test_a_study_without_results_says_how_to_get_them(depthline, small, tmp_path):
    ended = depthline("status", small, "--results", tmp_path / "results")
    assert ended.code == 0
    assert "is not there yet; depthline run" in ended.err


def test_watching_without_a_terminal_shows_the_states_once(depthline, small, tmp_path):
    ended = depthline("status", small, "--watch", "--results", tmp_path)
    assert ended.code == 0 and ended.out.count("8 runs: 8 not started") == 1
