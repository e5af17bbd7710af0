"""How commands end where their results cannot be written, or nobody listens: one line, never a traceback."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_study import FAILED, run_record

from pipeline.ending import ended_well
from pipeline.study.file import load_study
from pipeline.study.matrix import runs

NOWHERE = {
    "run": ["--results"],
    "draw": ["--depth", "0.15 mm", "--results"],
    "draw --out": ["--depth", "0.15 mm", "--out"],
    "cutlist": ["--depth", "0.15 mm", "--results"],
    "cutlist --out": ["--depth", "0.15 mm", "--out"],
}


@pytest.mark.parametrize("command", NOWHERE)
def test_a_file_in_the_way_of_results_is_one_line(depthline, small, tmp_path, monkeypatch, command):
    monkeypatch.setattr("pipeline.cli.run.find_solver", lambda: None)
    (tmp_path / "taken").write_text("mine")
    ended = depthline(command.split()[0], small, *NOWHERE[command], tmp_path / "taken")
    assert (ended.code, ended.out) == (2, "")
    assert ended.err.startswith(f"depthline: {tmp_path / 'taken'}: is in the way of results (")
    assert len(ended.err.splitlines()) == 1
    assert (tmp_path / "taken").read_text() == "mine"


def test_verify_on_a_file_is_one_line(depthline, tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.cli.verify.find_solver", lambda: None)
    (tmp_path / "taken").write_text("mine")
    ended = depthline("verify", "sphere", "--results", tmp_path / "taken")
    assert ended.code == 2 and len(ended.err.splitlines()) == 1 and "is in the way of results" in ended.err


def limited() -> list[str]:
    """Prefix of a command that has no more rights to files than other people; root needs one."""
    if os.getuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("root without setpriv may write everywhere")
    return ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"]


def called(
    *arguments: object, prefix: list[str] | None = None, **options
) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", "from pipeline.cli.app import main; main()", *map(str, arguments)]
    return subprocess.run(
        [*(prefix or []), *words], text=True, check=False, timeout=300, **{"capture_output": True} | options
    )


@pytest.mark.parametrize("command", ["draw", "cutlist"])
def test_a_folder_that_cannot_be_written_is_one_line(small, tmp_path, command):
    (tmp_path / "closed").mkdir()
    (tmp_path / "closed").chmod(0o555)
    ended = called(command, small, "--depth", "0.15 mm", "--results", tmp_path / "closed", prefix=limited())
    assert (ended.returncode, ended.stdout) == (2, "")
    assert ended.stderr.splitlines()[-1] == (
        f"depthline: {tmp_path / 'closed'}: cannot be written (Permission denied); give another by "
        "--results or --out"
    )
    assert "Traceback" not in ended.stderr and list((tmp_path / "closed").iterdir()) == []


def test_next_beside_a_study_in_a_folder_that_cannot_be_written(tmp_path):
    from test_next import STUDY, invented

    from pipeline.aero.collect import write_coefficients

    folder = tmp_path / "closed"
    folder.mkdir()
    (folder / "study.yaml").write_text(STUDY)
    write_coefficients(invented(0.33e-3), tmp_path / "results" / "small" / "coefficients.csv")
    folder.chmod(0o555)
    ended = called("next", folder / "study.yaml", "--results", tmp_path / "results", prefix=limited())
    assert (ended.returncode, ended.stdout) == (2, "")
    assert len(ended.stderr.splitlines()) == 1
    assert f"{folder}: cannot be written (Permission denied)" in ended.stderr


def test_other_errors_of_the_system_are_not_hidden():
    def app() -> int:
        raise FileNotFoundError(2, "No such file or directory", "a file of ours")

    with pytest.raises(FileNotFoundError):
        ended_well(app)


@pytest.mark.parametrize("arguments", [["check"], ["check", "--json"], ["status"]], ids=" ".join)
def test_a_closed_standard_output_is_no_fault(small, tmp_path, arguments):
    def close() -> None:
        os.close(1)

    ended = called(
        arguments[0], small, *arguments[1:], "--results", tmp_path / "r",
        capture_output=False, stderr=subprocess.PIPE, preexec_fn=close,
    )  # fmt: skip
    assert ended.returncode == 0 and "Traceback" not in ended.stderr
    assert "rror" not in ended.stderr


def test_a_pipe_that_nobody_reads_is_no_traceback(small, tmp_path):
    read, write = os.pipe()
    os.close(read)
    ended = called(
        "check", small, "--json", "--results", tmp_path / "r",
        capture_output=False, stdout=write, stderr=subprocess.PIPE,
    )  # fmt: skip
    os.close(write)
    assert "Traceback" not in ended.stderr and "BrokenPipe" not in ended.stderr


def test_brackets_in_a_reason_are_printed(depthline, small, tmp_path):
    results = tmp_path / "[bold]results" / "small"
    run = results / runs(load_study(small))[0].run_id / "run.json"
    run.parent.mkdir(parents=True)
    reason = "face [/12] of :smile: [red]"
    run.write_text(json.dumps(run_record(verdict="crashed", reason=reason, **FAILED)))
    ended = depthline("status", small, "--results", results.parent)
    assert ended.code == 0 and reason in " ".join(ended.out.split())


def test_brackets_in_a_path_are_printed(depthline, small, tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.cli.draw._view", lambda *_: [])
    folder = tmp_path / "[/red] [bold]"
    ended = depthline("draw", small, "--depth", "0.15 mm", "--out", folder)
    assert ended.code == 0 and str(folder) in ended.err
    assert {path.name for path in Path(folder).iterdir()} >= {"map.png", "sections.png"}
