"""Studies on a real Slurm of one node: one with the real solver, one whose solver is a stub and all goes wrong."""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from one_node_slurm import Cluster, wait_until

from pipeline.flow.prepare import prepare
from pipeline.geometry.build import build_layout, build_variant
from pipeline.matrix import variants
from pipeline.study_file import load_study

pytestmark = pytest.mark.solver

ROOT = Path(__file__).parents[2]
STUB = ROOT / "tests/stub_solver"

STUDY = """\
name: {name}
ball: {{diameter: 42.7 mm, mass: 45.9 g}}
patterns:
  - name: ico
    layout: {{symmetry: icosahedral, count: 32, mirror: true}}
    cavity: {{chord_diameter: 6 mm}}
    depths: [{depths}]
flow:
  fidelity: laminar
  level: coarse
  reynolds: [{reynolds}]
  spin_ratios: [0.1]
  standard_error: {{cd: 0.01, cl: 0.01}}
golfers:
  - name: one
    launch: {{ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}}
"""


def write_study(folder: Path, name: str, depths: str, reynolds: str) -> Path:
    path = folder / f"{name}.yaml"
    path.write_text(STUDY.format(name=name, depths=depths, reynolds=reynolds))
    return path


def write_profile(folder: Path, **config: Any) -> Path:
    """The profile that is delivered, for a node of this size, and looking at the queue more often."""
    settings = yaml.safe_load((ROOT / "profiles/slurm/config.yaml").read_text())
    settings |= {"cores": 8, "slurm-init-seconds-before-status-checks": 2, "latency-wait": 5}
    settings["resources"]["mem_mb"] = 4000
    settings["default-resources"]["mem_mb"] = 500
    settings["config"] |= config
    folder.mkdir()
    (folder / "config.yaml").write_text(yaml.safe_dump(settings))
    return folder


class Head:
    """`depthline run` on the cluster, as its users call it."""

    def __init__(self, cluster: Cluster, study: Path, profile: Path, **environment: str) -> None:
        self.study, self.results = study, study.parent / "results" / study.stem
        self._environment = cluster.environment | {"PYTHONPATH": str(ROOT)} | environment
        self._command = [
            sys.executable, "-c", "from pipeline.cli.app import main; main()",
        ]  # fmt: skip
        self._arguments = [str(study), "--results", str(study.parent / "results")]
        self._profile = ["--profile", str(profile)]

    def start(self) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*self._command, "run", *self._arguments, *self._profile], cwd=self.study.parent,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=self._environment,
        )  # fmt: skip

    def call(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*self._command, words[0], *self._arguments, *words[1:]], cwd=self.study.parent,
            capture_output=True, text=True, env=self._environment, check=False,
        )  # fmt: skip

    def result(self, run: str) -> dict[str, Any] | None:
        path = self.results / "runs/ico" / run / "run.json"
        return json.loads(path.read_text()) if path.is_file() else None

    def iteration(self, run: str) -> float:
        """Iteration at which a run is, by its latest judgement."""
        try:
            progress = (self.results / "runs/ico" / run / "case/progress.json").read_text()
        except OSError:
            return 0.0
        return float(json.loads(progress)["iterations"])

    def history(self, run: str) -> pd.Series:
        return pd.read_csv(self.results / "runs/ico" / run / "history.csv")["iteration"]


@pytest.fixture(scope="module")
def real(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Two depths with the real solver, on two ranks each, submitted together."""
    folder = tmp_path_factory.mktemp("real")
    study = write_study(folder, "real", "0.4 mm, 0.6 mm", "100")
    head = Head(cluster, study, write_profile(folder / "profile", cells_per_core=10_000))
    process = head.start()
    asked = {}
    while process.poll() is None:
        for line in cluster.say("squeue", "-h", "-o", "%k %C %m %l").splitlines():
            asked[line.split()[0]] = line.split()[1:]
        time.sleep(0.3)
    output, errors = process.communicate()
    return {"head": head, "code": process.returncode, "output": output, "errors": errors, "asked": asked}


class TestRealSolver:
    def test_the_whole_line_is_one_command(self, real: dict[str, Any]) -> None:
        assert real["code"] == 0, real["errors"]
        assert "report.html" in real["output"]
        table = pd.read_csv(real["head"].results / "coefficients.csv")
        assert table["verdict"].tolist() == ["settled"] * 2
        assert (real["head"].results / "report.html").stat().st_size > 0

    def test_small_runs_and_the_tables_are_one_job_each(self, real: dict[str, Any]) -> None:
        assert len(real["asked"]) == 3
        assert [
            sorted(name for name in real["asked"] if word in name) for word in ("layout", "flow", "report")
        ]

    def test_ranks_follow_from_the_cells(self, real: dict[str, Any]) -> None:
        # Half of 6 x 16 x 16 x 40 cells at 10,000 a core.
        result = real["head"].result("d0.400mm/re100/s0.100")
        assert result["cells"] == 6 * 16 * 16 * 40 // 2
        assert result["ranks"] == 3
        (flow,) = [asked for name, asked in real["asked"].items() if "flow" in name]
        assert flow[0] == "3"

    def test_every_row_is_traced_to_its_job(self, real: dict[str, Any]) -> None:
        rows = pd.read_csv(real["head"].results / "provenance.csv")
        table = pd.read_csv(real["head"].results / "coefficients.csv")
        assert rows["run"].tolist() == table["run"].tolist()
        assert (
            rows[["key", "solver", "host", "job", "started_at", "finished_at", "case_files"]]
            .notna()
            .all(None)
        )
        assert rows["key"].is_unique
