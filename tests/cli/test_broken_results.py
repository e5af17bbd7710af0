"""`depthline run` and `report` on results that somebody spoilt: the whole line. The solver is a stub."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_study import laminar_study

from pipeline.study.model import Study
from pipeline.workflow.repair import set_broken_aside

ROOT = Path(__file__).parents[2]
STUB = ROOT / "tests/stub_solver"

STUDY = laminar_study("spoilt") + "air: {temperature: 20 degC}\n"

FIRST, SECOND = "runs/ico/d0.400mm/re60/s0.100", "runs/ico/d0.500mm/re60/s0.100"
SPOILT = {
    "study.json": b"\xff\xfe",
    "geometry/ico/layout.json": b"[]",
    "geometry/ico/layout.csv": None,
    "geometry/ico/d0.400mm/spec.json": b"7",
    "geometry/ico/d0.400mm/totals.json": b"{}",
    "geometry/ico/d0.500mm/shell/quality.json": b"",
    "geometry/ico/d0.500mm/shell/shell.npz": None,
    f"{FIRST}/spec.json": b"null",
    f"{FIRST}/state.npz": None,
    f"{SECOND}/run.json": None,
    "coefficients.csv": None,
    "flights.csv": b"{}",
    "decision.json": None,
}
"""Files and what stands in them; None cuts them off in the middle."""


def depthline(command: str, study: Path, *options: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {
        "PYTHONPATH": str(ROOT), "PATH": f"{STUB}:{os.environ['PATH']}", "WM_PROJECT_DIR": str(STUB),
    }  # fmt: skip
    return subprocess.run(
        [
            sys.executable, "-c", "from pipeline.cli.app import main; main()", command, str(study),
            "--results", str(study.parent / "results"), *options,
        ],
        env=environment, capture_output=True, text=True, check=False, cwd=study.parent,
    )  # fmt: skip


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study file whose results are there."""
    study = tmp_path_factory.mktemp("finished") / "study.yaml"
    study.write_text(STUDY)
    done = depthline("run", study, "--cores", "2")
    assert done.returncode == 0, done.stderr
    return study


@pytest.fixture
def study(finished: Path, tmp_path: Path) -> Path:
    shutil.copytree(finished.parent, tmp_path / "copy", symlinks=True)
    return tmp_path / "copy/study.yaml"


@pytest.mark.long
def test_all_that_is_broken_is_made_again(study: Path) -> None:
    results = study.parent / "results/spoilt"
    for name, content in SPOILT.items():
        whole = (results / name).read_bytes()
        (results / name).write_bytes(whole[: len(whole) // 2] if content is None else content)
    (entry,) = list((study.parent / "results/.reuse").rglob("*.json"))[:1]
    entry.write_bytes(b"{")
    done = depthline("run", study, "--cores", "2")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr + (results / "workflow.log").read_text()
    for name in SPOILT:
        (line,) = [line for line in done.stderr.splitlines() if f"{results / name}: was broken (" in line]
        assert "made again" in line
        assert (results / f"{name}.broken").is_file()
    assert set_broken_aside(Study.from_json(results / "study.json"), results) == []
    assert json.loads((results / SECOND / "run.json").read_text())["verdict"] == "settled"
    again = depthline("run", study, "--cores", "2")
    assert again.returncode == 0 and "was broken (" not in again.stderr, again.stderr


@pytest.mark.long
def test_bytes_changed_inside_a_shell_are_found_when_it_is_read(study: Path) -> None:
    results = study.parent / "results/spoilt"
    shutil.rmtree(study.parent / "results/.reuse")
    shell = results / "geometry/ico/d0.500mm/shell/shell.npz"
    content = bytearray(shell.read_bytes())
    content[len(content) // 2] ^= 0xFF  # its table of contents is whole
    shell.write_bytes(content)
    (results / SECOND / "run.json").unlink()
    first = depthline("run", study, "--cores", "2")
    assert first.returncode == 1 and "Traceback" not in first.stderr
    assert "shell.npz: was broken (" in first.stderr and "run again, it is made again" in first.stderr
    second = depthline("run", study, "--cores", "2")
    assert second.returncode == 0, second.stderr


@pytest.mark.long
def test_an_edited_study_is_not_taken_for_done(study: Path) -> None:
    """The results are dated an hour ahead, as those of a machine whose clock was wrong."""
    results = study.parent / "results/spoilt"
    old = json.loads((results / "decision.json").read_text())
    same = depthline("report", study)
    assert same.returncode == 0, same.stderr
    study.write_text(study.read_text().replace("20 degC", "5 degC").replace("70 m/s", "60 m/s"))
    page = (results / "report.html").read_bytes()
    refused = depthline("report", study)
    assert refused.returncode == 2 and refused.stderr.count("\n") == 1
    assert "air.temperature_k: 278.15, was 293.15" in refused.stderr
    assert "golfers[0].launch.ball_speed_m_s: 60, was 70" in refused.stderr
    assert (results / "report.html").read_bytes() == page
    ahead = time.time() + 3600
    for path in results.rglob("*"):
        os.utime(path, (ahead, ahead))
    done = depthline("run", study, "--cores", "2")
    assert done.returncode == 0, done.stderr
    assert "files are dated in the future" in done.stderr
    new = json.loads((results / "decision.json").read_text())
    assert new["rows"][0]["carry_m"] < old["rows"][0]["carry_m"] - 10.0
    assert depthline("report", study).returncode == 0


@pytest.mark.long
def test_rows_lost_from_the_table_do_not_change_the_decision(study: Path) -> None:
    results = study.parent / "results/spoilt"
    old = json.loads((results / "decision.json").read_text())
    table = results / "coefficients.csv"
    whole = table.read_text()
    table.write_text("".join(whole.splitlines(keepends=True)[:-1]))
    report = depthline("report", study)
    assert report.returncode == 0, report.stderr
    assert table.read_text() == whole
    table.write_text("".join(whole.splitlines(keepends=True)[:-1]))
    done = depthline("run", study, "--cores", "2")
    assert done.returncode == 0, done.stderr
    assert "1 of 2 runs have no row" in done.stderr and "made again from the runs" in done.stderr
    assert table.read_text() == whole
    assert json.loads((results / "decision.json").read_text())["rows"] == old["rows"]
