"""A study on the cluster as its users start it, with the real solver or with the stub."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import yaml
from one_node_slurm import Cluster

from pipeline.flow.campaign.prepare import prepare
from pipeline.geometry.build import build_layout, build_variant
from pipeline.study.file import load_study
from pipeline.study.matrix import variants

ROOT = Path(__file__).parents[2]
STUB = ROOT / "tests/stub_solver"
ROOT_RANKS = ("OMPI_ALLOW_RUN_AS_ROOT=1", "OMPI_ALLOW_RUN_AS_ROOT_CONFIRM=1")
IMPATIENT = os.pathsep.join([str(ROOT), str(ROOT / "tests/cluster/impatient")])

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


def write_profile(folder: Path, account: str | None = None, **config: Any) -> Path:
    """The profile that is delivered, for a node of this size, and looking at the queue more often.

    With an account, the cluster keeps account of its jobs.
    """
    settings = yaml.safe_load((ROOT / "profiles/slurm/config.yaml").read_text())
    settings |= {"cores": 8, "slurm-init-seconds-before-status-checks": 2, "latency-wait": 5}
    settings["resources"]["mem_mb"] = 64_000
    settings["default-resources"]["mem_mb"] = 500
    if account is not None:
        settings["slurm-status-command"] = "sacct"
        settings["default-resources"]["slurm_account"] = f"'{account}'"
    chosen = settings["config"] | config
    settings["config"] = {name: value for name, value in chosen.items() if value is not None}
    folder.mkdir()
    (folder / "config.yaml").write_text(yaml.safe_dump(settings))
    return folder


class Head:
    """`depthline run` on the cluster, as its users call it."""

    def __init__(self, cluster: Cluster, study: Path, profile: Path, **environment: str) -> None:
        self.study, self.results = study, study.parent / "results" / study.stem
        self._environment = cluster.environment | {"PYTHONPATH": IMPATIENT} | environment
        self._command = [
            sys.executable, "-c", "from pipeline.cli.app import main; main()",
        ]  # fmt: skip
        self._arguments = [str(study), "--results", str(study.parent / "results")]
        self.profile = ["--profile", str(profile)]

    def start(self) -> subprocess.Popen[str]:
        self.process = subprocess.Popen(
            [*self._command, "run", *self._arguments, *self.profile], cwd=self.study.parent,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=self._environment,
        )  # fmt: skip
        return self.process

    def stop(self) -> None:
        """End it and its engine, whatever has become of the test."""
        self.process.terminate()
        self.process.wait()

    def call(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*self._command, words[0], *self._arguments, *words[1:]], cwd=self.study.parent,
            capture_output=True, text=True, env=self._environment, check=False,
        )  # fmt: skip

    def path(self, run: str) -> Path:
        return self.results / "runs/ico" / run

    def result(self, run: str) -> dict[str, Any] | None:
        path = self.path(run) / "run.json"
        return json.loads(path.read_text()) if path.is_file() else None

    def iteration(self, run: str) -> float:
        """Iteration at which a run is, by its latest judgement."""
        try:
            progress = (self.path(run) / "case/progress.json").read_text()
        except OSError:
            return 0.0
        return float(json.loads(progress)["iterations"])

    def history(self, run: str) -> pd.Series:
        return pd.read_csv(self.path(run) / "history.csv")["iteration"]


HOLD = 60
"""Iteration at which runs wait for the test; a state is written every 50 anyway."""


def head_of_stub(cluster: Cluster, study: Path, profile: Path, stub: dict[str, Any]) -> Head:
    """Head whose runs are the stub's, with its settings by run and the geometry already made."""
    settings = study.parent / "stub.json"
    settings.write_text(json.dumps(stub))
    head = Head(
        cluster, study, profile,
        PATH=f"{STUB}:{cluster.environment['PATH']}", WM_PROJECT_DIR=str(STUB), STUB_SETTINGS=str(settings),
    )  # fmt: skip
    build_geometry(study, head.results)
    return head


def build_geometry(study: Path, results: Path) -> None:
    loaded = load_study(study)
    prepare(loaded, results)
    build_layout(results / "geometry/ico")
    for variant in variants(loaded):
        build_variant(results / "geometry/ico" / variant.key)
