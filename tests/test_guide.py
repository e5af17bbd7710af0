"""Every code block of the guide and the README, run in order; the reference of the study file; the build.

Commands work on invented results of the demonstration. Those that would compute flows or install packages are
parsed, and their study files read, and no more.
"""

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from report_studies import make_results

import pipeline.cli.run
import pipeline.cli.verify
from pipeline.cli.app import main
from pipeline.geometry.layout.file import read_layout
from pipeline.study.file import load_study, study_of
from pipeline.study.reference import study_reference
from pipeline.validation.parts import parts

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "docs/guide"
PAGES = [ROOT / "README.md", *sorted(GUIDE.glob("*.md"))]
BLOCK = re.compile(r"^```(\w+|\{[\w-]+\})[^\n]*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
DIRECTIVES = {"{toctree}", "{image}", "{include}"}

BASE = """
name: base
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 4 mm}
    depths: [0.15 mm, 0.20 mm]
flow: {fidelity: steady-rans, level: coarse}
golfers: [{name: one, launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}}]
"""

TUNNEL = "reynolds,spin_ratio,cd,cl\n" + "".join(
    f"{re},{s},{0.24 + 0.1 * s:.3f},{0.08 + 0.7 * s:.3f}\n"
    for re in (6e4, 1.2e5, 2e5)
    for s in (0.08, 0.16, 0.24)
)


def blocks(page: Path) -> list[tuple[str, str]]:
    return [(kind, text) for kind, text in BLOCK.findall(page.read_text()) if kind not in DIRECTIVES]


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clone as the guide's reader has it after the demonstration: cases, its results, a tunnel's table."""
    folder = tmp_path_factory.mktemp("guide")
    (folder / "cases").symlink_to(ROOT / "cases")
    made = make_results(
        folder / "made", (ROOT / "cases/demo/study.yaml").read_text(), lambda run, found: found
    )
    (folder / "results").mkdir()
    made.folder.rename(folder / "results" / "demo")
    (folder / "tunnel.csv").write_text(TUNNEL)
    history = folder / "path/to/case/postProcessing/forceCoeffs/0/coefficient.dat"
    history.parent.mkdir(parents=True)
    values = np.random.default_rng(1).normal(0.25, 0.001, 400)
    history.write_text(
        "# Time Cd Cl\n" + "".join(f"{n} {cd:.6f} 0.15\n" for n, cd in enumerate(values, start=1))
    )
    return folder


@pytest.fixture
def there(tree: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tree)

    def parsed(path: Path, *_: Any) -> int:
        load_study(path)
        return 0

    def named(names: list[str], *_: Any) -> int:
        parts(names)
        return 0

    monkeypatch.setattr(pipeline.cli.run, "run_study", parsed)
    monkeypatch.setattr(pipeline.cli.verify, "verify", named)
    yield tree


def run_line(line: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    words = shlex.split(line, comments=True)
    if words[:2] == ["./run", "study"]:
        words = ["./run", "depthline", "run", *words[2:]]
    if words[:2] == ["./run", "test"] or words[1:3] == ["-m", "pip"]:
        assert not [word for word in words if word.endswith(".txt") and not (ROOT / word).is_file()]
        return
    assert words[:2] == ["./run", "depthline"], line
    monkeypatch.setattr(sys, "argv", words[1:])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code, (line, capsys.readouterr().err)


@pytest.mark.long
@pytest.mark.parametrize("page", PAGES, ids=[page.stem for page in PAGES])
def test_commands_and_programs_run(page, there, monkeypatch, capsys):
    if page.stem == "shelf" and not Path("results/range/invented").exists():  # made on the page before
        test_commands_and_programs_run(GUIDE / "firings.md", there, monkeypatch, capsys)
    for kind, text in blocks(page):
        if kind == "sh":
            for line in filter(None, map(str.strip, text.splitlines())):
                run_line(line, monkeypatch, capsys)
        elif kind == "python":
            exec(compile(text, page.name, "exec"), {})
        else:
            assert kind in ("yaml", "text"), kind


@pytest.mark.parametrize("page", PAGES, ids=[page.stem for page in PAGES])
def test_parts_of_study_files_are_right(page, tmp_path):
    (tmp_path / "cases").mkdir()
    (tmp_path / "shelf").mkdir()
    for kind, text in blocks(page):
        if kind == "text":
            (tmp_path / "layout.csv").write_text(text)
            assert len(read_layout(tmp_path / "layout.csv", 0.0427).directions) > 1
        if kind != "yaml" or "precommand" in text:
            continue
        given = yaml.safe_load(text)
        whole = given if {"ball", "golfers"} <= set(given) else yaml.safe_load(BASE) | given
        for name in [*given.get("references", []), *given.get("measured", [])]:
            (tmp_path / "shelf" / f"{name}.csv").touch()  # reading a study looks whether its balls are there
        path = tmp_path / "cases" / "study.yaml"
        study_of(path, yaml.safe_dump(whole, sort_keys=False), searched=True)


def test_reference_of_the_study_file_is_that_of_the_schema():
    assert (GUIDE / "study-file.md").read_text() == study_reference()


def test_every_page_is_in_the_contents_and_links_resolve():
    listed = set(re.findall(r"^([a-z-]+)$", (GUIDE / "index.md").read_text(), re.MULTILINE))
    assert listed == {page.stem for page in GUIDE.glob("*.md")} - {"index"}
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text()):
            assert (page.parent / target).exists(), (page.name, target)


def test_readme_is_a_front_page():
    text = (ROOT / "README.md").read_text()
    assert len(text) < 8000
    (study,) = [block for kind, block in blocks(ROOT / "README.md") if kind == "yaml"]
    assert len(study.splitlines()) <= 15


@pytest.mark.long
def test_guide_is_built_without_a_warning(tmp_path):
    ended = subprocess.run(
        [sys.executable, "-m", "sphinx", "-q", "-W", "-b", "html", str(GUIDE), str(tmp_path / "built")],
        capture_output=True, text=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"}, check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert "http" not in re.sub(r'href="https?://[^"]*"', "", (tmp_path / "built/index.html").read_text())
