"""`depthline run`: what is refused before anything starts, and the whole line with the real solver."""

import errno
import json
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from small_study import run_record
from solver_processes import run_files, solver_processes

from pipeline.cli.run import _to_retry
from pipeline.ending import ended_well
from pipeline.errors import InputError, MissingError
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.prepare import prepare
from pipeline.study.file import load_study
from pipeline.study.matrix import runs
from pipeline.study.trade_units import unbroken

ROOT = Path(__file__).parents[2]

STUDY = """
name: tiny
about: Laminar flows around an invented ball, to see the whole line work.
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: ico
    layout: {symmetry: icosahedral, count: 72, mirror: true}
    cavity: {chord_diameter: 6 mm}
    depths: [0.4 mm, 0.6 mm, 0.8 mm]
flow:
  fidelity: laminar
  level: coarse
  reynolds: [100]
  spin_ratios: [0.1, 0.3]
  standard_error: {cd: 0.002, cl: 0.002}
golfers:
  - name: one
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


def write_study(folder: Path, text: str = STUDY) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "study.yaml"
    path.write_text(text)
    return path


def command(study: Path, *options: str) -> list[str]:
    return [sys.executable, "-c", "from pipeline.cli.app import main; main()", "run", str(study), *options]


def environment(**changes: str) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)} | changes


def depthline_run(study: Path, *options: str, **how: Any) -> subprocess.CompletedProcess[str]:
    how.setdefault("env", environment())
    return subprocess.run(
        command(study, "--results", str(study.parent / "results"), *options),
        capture_output=True, text=True, check=False, cwd=study.parent, **how,
    )  # fmt: skip


def assert_one_line(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert all(word in done.stderr for word in words)


def test_without_a_solver_nothing_is_written(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    done = depthline_run(study, env=environment(PATH=str(tmp_path), HOME=str(tmp_path)))
    assert_one_line(done, MissingError.exit_code, "OpenFOAM was not found", "apt-get install openfoam")
    assert not (tmp_path / "results").exists()


def test_an_impossible_depth_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    study = write_study(tmp_path, STUDY.replace("0.4 mm,", "0.1 mm,"))
    done = depthline_run(study)
    line = 1 + study.read_text()[: study.read_text().index("depths:")].count("\n")
    assert_one_line(done, InputError.exit_code, f"study.yaml:{line}: patterns[0].depths[0]", "mm")
    assert not (tmp_path / "results").exists()


def test_an_unknown_profile_names_those_there_are(tmp_path: Path) -> None:
    done = depthline_run(write_study(tmp_path), "--profile", "slrum")
    assert_one_line(done, InputError.exit_code, "slrum", "default, slurm")


def test_every_line_of_trouble_carries_our_name(capsys: pytest.CaptureFixture[str]) -> None:
    def app() -> None:
        raise InputError("first\nsecond")

    assert ended_well(app) == 2
    assert capsys.readouterr().err == "depthline: first\ndepthline: second\n"


def test_a_full_disk_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    def app() -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "results/tiny/skin.stl")

    assert ended_well(app) == 1
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "skin.stl: No space left on device" in shown


def test_ctrl_c_is_130(capsys: pytest.CaptureFixture[str]) -> None:
    def app() -> None:
        raise KeyboardInterrupt

    assert ended_well(app) == 130
    assert capsys.readouterr().err.count("\n") == 1


def wait_for_solver(results: Path) -> int:
    end = time.monotonic() + 240
    while not (solvers := solver_processes(results)):
        assert time.monotonic() < end
        time.sleep(0.02)
    return solvers[0]


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The whole line on a tiny study, one solver killed on the way; then the same command again, twice."""
    study = write_study(tmp_path_factory.mktemp("line"))
    results = study.parent / "results/tiny"
    process = subprocess.Popen(
        command(study, "--results", str(study.parent / "results"), "--cores", "2"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(), cwd=study.parent,
    )  # fmt: skip
    assert wait_for_solver(results)
    second = depthline_run(study)
    os.kill(wait_for_solver(results), signal.SIGKILL)
    output, errors = process.communicate()
    found: dict[str, Any] = {"study": study, "results": results, "second": second}
    found["killed"] = (process.returncode, output, errors)
    found["killed runs"] = {
        str(path.parent.relative_to(results)): json.loads(path.read_text())
        for path in results.rglob("run.json")
    }
    found["killed times"] = run_files(results)
    found["killed table"] = pd.read_csv(results / "coefficients.csv")
    found["resumed"] = depthline_run(study)
    found["resumed times"] = run_files(results)
    found["report time"] = (results / "report.html").stat().st_mtime_ns
    found["again"] = depthline_run(study)
    return found


@pytest.mark.solver
class TestWholeLine:
    def test_a_second_head_is_told_who_holds_the_study(self, line: dict[str, Any]) -> None:
        assert line["second"].returncode == InputError.exit_code
        assert line["second"].stderr.count("\n") == 1
        assert "is at work on this study" in line["second"].stderr

    def test_a_killed_solver_loses_only_its_run(self, line: dict[str, Any]) -> None:
        code, output, errors = line["killed"]
        assert code == 1, errors
        verdicts = [run["verdict"] for run in line["killed runs"].values()]
        assert len(verdicts) == 6
        assert verdicts.count("killed") == 1
        assert verdicts.count("settled") == 5
        assert "SIGKILL" in errors
        assert "1 of 6 runs failed" in errors
        assert "report.html" in output
        row = line["killed table"][line["killed table"]["verdict"] == "killed"]
        assert row["cd"].isna().all()

    def test_the_decision_is_printed_as_the_page_words_it(self, line: dict[str, Any]) -> None:
        (told,) = json.loads((line["results"] / "decision.json").read_text())["advice"]
        assert f"one: {told['headline']}\n" in line["again"].stdout
        page = (line["results"] / "report.html").read_text()
        assert unbroken(told["headline"]) in page.replace("&#39;", "'")

    def test_the_same_command_takes_up_only_what_was_killed(self, line: dict[str, Any]) -> None:
        assert line["resumed"].returncode == 0, line["resumed"].stderr
        killed = [run for run, result in line["killed runs"].items() if result["verdict"] == "killed"]
        changed = [run for run, when in line["resumed times"].items() if when != line["killed times"][run]]
        assert changed == killed

    def test_a_third_call_computes_nothing(self, line: dict[str, Any]) -> None:
        assert line["again"].returncode == 0
        assert run_files(line["results"]) == line["resumed times"]
        assert (line["results"] / "report.html").stat().st_mtime_ns == line["report time"]

    def test_everything_the_design_promises_is_there(self, line: dict[str, Any]) -> None:
        results = line["results"]
        for name in (
            "study.json",
            "coefficients.csv",
            "flights.csv",
            "decision.csv",
            "decision.json",
            "report.html",
        ):
            assert (results / name).stat().st_size > 0
        for key in ("d0.400mm", "d0.600mm", "d0.800mm"):
            for name in ("totals.json", "skin.stl", "skin.ply", "shell/polyMesh/boundary"):
                assert (results / "geometry/ico" / key / name).is_file()
        table = pd.read_csv(results / "coefficients.csv")
        assert len(table) == 6
        assert (table["cd_se"] <= 0.002).all()
        assert (table["cd"] > 0.9).all()
        # Flown at Reynolds numbers a thousand times those of the table: all of it outside, and said so.
        flights = pd.read_csv(results / "flights.csv")
        assert (flights["extrapolated"] > 0.99).all()
        assert not list(results.rglob("case"))
        assert not [path for path in results.rglob(".*.*") if path.suffix in (".csv", ".json", ".html")]

    def test_new_golfers_cost_no_new_runs(self, line: dict[str, Any]) -> None:
        study, results = line["study"], line["results"]
        study.write_text(STUDY.replace("70 m/s", "60 m/s"))
        before, flights = run_files(results), (results / "flights.csv").read_text()
        done = depthline_run(study)
        assert done.returncode == 0, done.stderr
        assert run_files(results) == before
        assert (results / "flights.csv").read_text() != flights


@pytest.mark.solver
def test_a_full_results_folder_leaves_nothing_half_written(tmp_path: Path) -> None:
    # A limit on the size of files stands for a full disk: writing stops in the midst of a file.
    study = write_study(tmp_path)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))

    done = depthline_run(study, preexec_fn=limit)
    results = tmp_path / "results/tiny"
    assert done.returncode == 1
    lines = done.stderr.splitlines()
    assert any("File too large; make room and run again, nothing is lost" in text for text in lines)
    assert all(text.startswith("depthline: ") or "runs done" in text for text in lines)
    assert not (results / "report.html").exists()
    assert not list(results.rglob("*.stl")) + list(results.rglob(".skin*"))


def test_killed_runs_are_out_of_date_and_diverged_ones_are_not(tmp_path: Path) -> None:
    study = load_study(write_study(tmp_path))
    prepare(study, tmp_path / "results")
    verdicts = {"killed": True, "crashed": True, "diverged": False, "settled": False, "noisy": False}
    folders = {}
    for verdict, run in zip(verdicts, runs(study), strict=False):
        folders[verdict] = tmp_path / "results" / run.run_id
        write_json(folders[verdict] / "run.json", run_record(verdict=verdict))
        os.utime(folders[verdict] / "spec.json", (1e9, 1e9))
    retried = _to_retry(study, tmp_path / "results")
    assert [path.split("/")[-1] for path in retried] == ["run.json"] * 2
    outdated = {
        verdict: (folder / "spec.json").stat().st_mtime > (folder / "run.json").stat().st_mtime
        for verdict, folder in folders.items()
    }
    assert outdated == verdicts
