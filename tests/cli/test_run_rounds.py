"""A study that chooses its runs itself, by the whole workflow; the solver is a stub with invented forces."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from solver_processes import run_files

from pipeline.decide.policy import CHECK, FIRST, FIRST_RUNS
from pipeline.decide.rounds import points_of, read_rounds
from pipeline.study.file import load_study
from pipeline.study.matrix import fingerprint
from pipeline.study.model import Study

ROOT = Path(__file__).parents[2]
STUB = ROOT / "tests/stub_solver"

STUDY = """\
name: rounds
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: a
    layout: {symmetry: icosahedral, count: 32, mirror: true}
    cavity: {chord_diameter: 5 mm}
    depths: [0.16 mm, 0.28 mm]
  - name: b
    layout: {symmetry: icosahedral, count: 32, mirror: true}
    cavity: {chord_diameter: 5.1 mm}
    depths: [0.16 mm, 0.28 mm]
flow: {fidelity: laminar, level: coarse, reynolds: [6e4, 2.2e5], spin_ratios: [0.06, 0.3]}
budget: BUDGET
golfers:
  - name: one
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


def call(folder: Path, *options: str) -> list[str]:
    return [
        sys.executable, "-c", "from pipeline.cli.app import main; main()", "run", str(folder / "study.yaml"),
        "--results", str(folder / "results"), "--cores", "2", *options,
    ]  # fmt: skip


def environment(folder: Path) -> dict[str, str]:
    (folder / "stub.json").write_text(json.dumps({"": {"law": True}}))
    return os.environ | {
        "PYTHONPATH": str(ROOT),
        "PATH": f"{STUB}{os.pathsep}{os.environ['PATH']}",
        "STUB_SETTINGS": str(folder / "stub.json"),
    }


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Killed with all its processes in the first round, called again, and once more."""
    folder = tmp_path_factory.mktemp("rounds")
    (folder / "study.yaml").write_text(STUDY.replace("BUDGET", "1 core hours"))
    results = folder / "results/rounds"
    head = subprocess.Popen(
        call(folder, "--until", "decided"), env=environment(folder), stderr=subprocess.PIPE, text=True,
        cwd=folder,
    )  # fmt: skip
    end = time.monotonic() + 240
    while len(run_files(results)) < 3:
        assert head.poll() is None, head.stderr and head.stderr.read()
        assert time.monotonic() < end
        time.sleep(0.1)
    head.send_signal(signal.SIGKILL)
    head.wait()
    at_kill = (results / "rounds.csv").read_text()
    done = subprocess.run(
        call(folder, "--until", "decided"), env=environment(folder), capture_output=True, text=True,
        check=False, cwd=folder,
    )  # fmt: skip
    times = run_files(results)
    again = subprocess.run(
        call(folder, "--until", "decided"), env=environment(folder), capture_output=True, text=True,
        check=False, cwd=folder,
    )  # fmt: skip
    return {
        "folder": folder, "results": results, "at kill": at_kill, "done": done, "times": times,
        "again": again,
    }  # fmt: skip


@pytest.mark.long
class TestRounds:
    def test_it_ends_and_names_the_planted_best(self, played: dict[str, Any]) -> None:
        done = played["done"]
        assert done.returncode == 0, done.stderr
        product = json.loads((played["results"] / "decision.json").read_text())["product"]
        # The stub's law: pattern a has less drag, least at 0.19 mm, and lift falls with depth.
        assert product["pattern"] == "a"
        assert 0.16e-3 < product["depth_m"] < 0.21e-3

    def test_killed_it_goes_on_with_the_round_it_was_in(self, played: dict[str, Any]) -> None:
        rows = read_rounds(played["results"] / "rounds.csv")
        first = played["at kill"].splitlines()
        assert (played["results"] / "rounds.csv").read_text().splitlines()[: len(first)] == first
        assert sum(row.round == 0 for row in rows) == 2 * FIRST_RUNS

    def test_every_round_is_recorded_with_its_reasons_and_the_decision_then(
        self, played: dict[str, Any]
    ) -> None:
        rows = read_rounds(played["results"] / "rounds.csv")
        assert {row.why for row in rows if row.round == 0} == {FIRST}
        assert any(row.why == CHECK for row in rows if row.round == 1)
        assert all(row.state and row.runs for row in rows if row.round > 0)
        end = rows[-1]
        assert (end.pattern, end.runs) == ("", len(points_of(rows)))
        assert f"rounds: {end.why}" in played["done"].stderr
        runs = json.loads((played["results"] / "study.json").read_text())["points"]
        assert len(runs) == len(
            {(run["pattern"], run["depth_m"], run["reynolds"], run["spin_ratio"]) for run in runs}
        )
        assert len(played["times"]) == len(runs)

    def test_a_further_call_computes_nothing(self, played: dict[str, Any]) -> None:
        assert played["again"].returncode == 0, played["again"].stderr
        assert run_files(played["results"]) == played["times"]

    def test_report_shows_the_rounds_and_the_table_is_of_all_runs(self, played: dict[str, Any]) -> None:
        page = (played["results"] / "report.html").read_text()
        assert "chose its runs itself" in page
        assert (played["results"] / "figures/rounds.png").is_file()
        table = (played["results"] / "coefficients.csv").read_text().splitlines()
        assert len(table) == 1 + len(played["times"])

    def test_status_knows_the_runs_that_were_chosen(self, played: dict[str, Any]) -> None:
        from pipeline.cli.study_input import with_chosen_runs

        study = load_study(played["folder"] / "study.yaml")
        with_runs = with_chosen_runs(study, played["results"])
        assert with_runs.points is not None
        assert len(with_runs.points) == len(played["times"])
        assert fingerprint(with_runs) == fingerprint(Study.from_json(played["results"] / "study.json"))


def test_a_budget_that_pays_for_nothing_is_refused(depthline: Any, tmp_path: Path, monkeypatch: Any) -> None:
    text = STUDY.replace("BUDGET", "1 core min").replace("laminar", "steady-rans").replace("coarse", "fine")
    (tmp_path / "study.yaml").write_text(text)
    monkeypatch.setenv("PATH", f"{STUB}{os.pathsep}{os.environ['PATH']}")
    ended = depthline("run", tmp_path / "study.yaml", "--results", tmp_path / "results")
    assert ended.code == 2
    assert "do not pay for one run of each of its 2 patterns" in ended.err
    assert not (tmp_path / "results/rounds/rounds.csv").exists()


def test_check_prices_the_first_design(depthline: Any, tmp_path: Path) -> None:
    (tmp_path / "study.yaml").write_text(STUDY.replace("BUDGET", "90 core min"))
    found = depthline("check", tmp_path / "study.yaml", "--results", tmp_path / "results", "--json").json()
    assert found["budget_core_hours"] == pytest.approx(1.5)
    assert found["first_runs"] == 2 * FIRST_RUNS
    assert 0.0 < found["first_core_hours"] < 1.5


def test_another_end_is_refused(depthline: Any, small: Path) -> None:
    ended = depthline("run", small, "--until", "tomorrow")
    assert ended.code == 2
    assert "write --until decided" in ended.err


LAMINAR = """\
name: real
about: Laminar flows around an invented ball, to see rounds with the real solver; its flights lie far outside.
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: ico
    layout: {symmetry: icosahedral, count: 72, mirror: true}
    cavity: {chord_diameter: 6 mm}
    depths: [0.4 mm, 0.8 mm]
flow:
  fidelity: laminar
  level: coarse
  reynolds: [60, 200]
  spin_ratios: [0.1, 0.3]
  standard_error: {cd: 0.005, cl: 0.005}
budget: 1 core min
golfers:
  - name: one
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


@pytest.mark.solver
def test_rounds_with_the_real_solver_keep_to_their_budget(tmp_path: Path) -> None:
    (tmp_path / "study.yaml").write_text(LAMINAR)
    done = subprocess.run(
        call(tmp_path), env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
        check=False, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    results = tmp_path / "results/real"
    rows = read_rounds(results / "rounds.csv")
    points = points_of(rows)
    table = pd.read_csv(results / "coefficients.csv")
    assert len(table) == len(points) >= 4
    assert set(table["verdict"]) <= {"settled", "noisy"}
    # Around a sphere, drag falls with the Reynolds number (Clift, Grace & Weber 1978, table 5.2 [memory]:
    # 1.3 at Re 60, 0.77 at Re 200); dimples of 1 % of the diameter change it by a few hundredths.
    ordered = table.sort_values("reynolds")
    assert 0.6 < ordered["cd"].iloc[-1] < ordered["cd"].iloc[0] < 1.7
    assert table["core_seconds"].sum() == pytest.approx(3600.0 * rows[-1].core_hours)
    warm = [run for run in results.rglob("run.json") if json.loads(run.read_text()).get("starts_from")]
    assert len(warm) == len(points) - 1
    assert (results / "report.html").is_file()
