"""The command as a whole: help, version, exit codes, streams."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline.files.atomic import write_json
from pipeline.study.file import load_study
from pipeline.study.schema import study_schema

ROOT = Path(__file__).parents[2]
COMMANDS = ["check", "run", "status", "report", "fly", "draw", "cutlist", "schema"]


def python(code):
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "200"}
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, timeout=60
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command_has_an_example(depthline, command):
    ended = depthline(command, "--help")
    assert ended.code == 0
    assert f"Example: depthline {command}" in " ".join(ended.out.split())


def test_help_lists_the_commands(depthline):
    listed = depthline("--help").out
    assert all(command in listed for command in COMMANDS)


def test_help_imports_none_of_the_numerical_libraries():
    heavy = "numpy scipy pandas numba matplotlib pyvista pint pydantic snakemake".split()
    code = (
        "import sys; from pipeline.cli.app import app\n"
        "sys.argv = ['depthline', '--help']\n"
        "try: app()\n"
        "except SystemExit: pass\n"
        f"sys.exit(' '.join(name for name in {heavy!r} if name in sys.modules))"
    )
    ended = python(code)
    assert ended.stderr.strip() == ""
    assert "Commands" in ended.stdout


def test_schema_prints_the_exported_file(depthline):
    ended = depthline("schema")
    assert ended.code == 0
    assert ended.err == ""
    assert ended.json() == study_schema()
    assert ended.out == (ROOT / "cases" / "study.schema.json").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["check", "run", "status", "report"])
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "study.yaml: there is no such file"),
        ("name: [", "study.yaml:1: is not YAML"),
        ("nam: x", "did you mean"),
    ],
)
def test_a_wrong_study_ends_with_2_and_writes_nothing(
    depthline, tmp_path, monkeypatch, command, content, words
):
    monkeypatch.chdir(tmp_path)
    if content is not None:
        Path("study.yaml").write_text(content)
    before = sorted(tmp_path.rglob("*"))
    ended = depthline(command, "study.yaml")
    assert ended.code == 2
    assert ended.out == ""
    assert words in ended.err
    assert "Traceback" not in ended.err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    "arguments", [["nope"], ["check"], ["check", "x", "--jso"], ["run", "x", "--cores", "0"], ["fly", "x"]]
)
def test_a_wrong_command_line_ends_with_2(depthline, arguments):
    ended = depthline(*arguments)
    assert ended.code == 2
    assert ended.out == ""
    assert "Traceback" not in ended.err


def test_an_interrupt_ends_with_130(depthline, demo, monkeypatch):
    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.cli.status.show_status", interrupt)
    assert depthline("status", demo).code == 130


def test_a_report_without_results_says_what_to_do(depthline, small, tmp_path):
    ended = depthline("report", small, "--results", tmp_path / "results")
    assert ended.code == 2
    assert "has no decision.json yet; depthline run" in ended.err
    assert len(ended.err.splitlines()) == 1


def test_a_report_is_written_from_what_is_there(depthline, small, tmp_path, monkeypatch):
    results = tmp_path / "results" / "small"
    results.mkdir(parents=True)
    (results / "decision.json").write_text("{}")
    write_json(results / "study.json", load_study(small).to_json())
    asked = []
    monkeypatch.setattr("pipeline.report.page.write_report", lambda *given: asked.append(given))
    ended = depthline("report", small, "--results", tmp_path / "results")
    assert (ended.code, ended.out) == (0, "")
    assert asked == [(load_study(small), results, None)]
    assert "report.html" in ended.err


def test_version_is_that_of_the_package(depthline):
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    ended = depthline("--version")
    assert (ended.code, ended.out) == (0, f"depthline {declared}\n")


def test_json_and_tables_go_to_standard_output_only(small, tmp_path):
    """In a pipe, as a script sees it."""
    code = f"import sys; sys.argv = ['depthline', 'status', {str(small)!r}, '--json', '--results', "
    ended = python(code + f"{str(tmp_path)!r}]; from pipeline.cli.app import main; main()")
    assert ended.returncode == 0
    assert json.loads(ended.stdout)["study"] == "small"
    assert ended.stderr == ""
