"""`depthline verify`: rows, page, messages and exit codes; the flows are played."""

from functools import partial
from pathlib import Path

import pytest

from pipeline.cli import verify as command
from pipeline.machine import resources as machine
from pipeline.validation import parts
from pipeline.validation.bench import Bench
from pipeline.validation.parts import Part
from pipeline.validation.rows import Row, read_rows
from pipeline.workflow.results_lock import locked_results


def _cheap(bench: Bench) -> list[Row]:
    return [
        Row("cd", "Re 100, S 0", 1.09, 1e-4, 1.087, "a paper", "quoted", 1.0, "16x40"),
        Row(
            "wake_length", "Re 100, S 0", 0.80, None, 0.88, "a paper", "quoted", 5.0, "16x40", "coarse cells"
        ),
    ]


def _failing(bench: Bench) -> list[Row]:
    bench.failures["runs/ball/s0"] = "diverged: floating point exception in the solver"
    return []


@pytest.fixture(autouse=True)
def played(monkeypatch: pytest.MonkeyPatch) -> None:
    found = {
        "cheap": Part("cheap", "a cheap part", 1.0, _cheap),
        "dear": Part("dear", "a dear part", 60.0, _failing),
    }
    for module in (parts, command):
        monkeypatch.setattr(module, "PARTS", found)
    monkeypatch.setattr(command, "find_solver", lambda: None)


def test_the_cheap_parts_are_computed_and_the_others_named(tmp_path: Path, depthline) -> None:
    ended = depthline("verify", "--results", tmp_path)
    assert ended.code == 1 and "1 of 2 judged values are beyond their goals" in ended.err
    assert "cheap: a cheap part" in ended.out
    assert "-9.09 !" in ended.out
    assert "dear (60 core min)" in ended.err
    assert [row.part for row in read_rows(tmp_path / "verification/summary.csv")] == ["cheap", "cheap"]
    assert "1 of 2 judged values" in (tmp_path / "verification/report.html").read_text()


def test_json_is_one_object_with_the_columns_of_the_summary(tmp_path: Path, depthline) -> None:
    ended = depthline("verify", "cheap", "--results", tmp_path, "--json")
    assert ended.code == 1
    found = ended.json()
    assert found["rows"][0]["quantity"] == "cd"
    assert found["rows"][1]["within_goal"] is False
    assert found["rows"][1]["error_pct"] == pytest.approx(100 * (0.80 - 0.88) / 0.88)
    assert found["failed"] == {}
    assert Path(found["report"]).is_file()


def test_a_failed_run_is_told_and_the_rest_goes_on(tmp_path: Path, depthline) -> None:
    ended = depthline("verify", "dear", "cheap", "--results", tmp_path)
    assert ended.code == 1
    assert "runs/ball/s0: diverged: floating point exception in the solver" in ended.err
    assert "1.09" in ended.out


def test_values_within_their_goals_end_with_0(
    tmp_path: Path, depthline, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = Part("good", "a part that agrees", 1.0, lambda bench: _cheap(bench)[:1])
    for module in (parts, command):
        monkeypatch.setattr(module, "PARTS", {"good": good})
    ended = depthline("verify", "good", "--results", tmp_path)
    assert ended.code == 0 and "beyond their goals\n" not in ended.err


def test_an_unknown_part_gets_one_line(tmp_path: Path, depthline) -> None:
    ended = depthline("verify", "sphare", "--results", tmp_path)
    assert ended.code == 2
    assert ended.err == "depthline: verify: sphare: no such part; use some of cheap, dear\n"
    assert list(tmp_path.iterdir()) == []


def test_one_at_a_time(tmp_path: Path, depthline) -> None:
    (tmp_path / "verification").mkdir()
    with locked_results(tmp_path / "verification"):
        ended = depthline("verify", "cheap", "--results", tmp_path)
    assert ended.code == 2
    assert "is at work" in ended.err and "wait for it or stop it" in ended.err


def test_the_limit_of_a_container_is_kept(tmp_path: Path, depthline, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def bench(results: Path, execute: partial, run_study: partial) -> Bench:
        asked.append(execute.args[1])
        return Bench(results, execute, run_study)

    (tmp_path / "cpu.max").write_text("100000 100000\n")
    monkeypatch.setattr(machine, "CONTROL_GROUP", tmp_path)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(16)))
    monkeypatch.setattr(command, "Bench", bench)
    depthline("verify", "--results", tmp_path)
    depthline("verify", "--results", tmp_path, "--cores", 3)
    assert asked == [1, 3]
