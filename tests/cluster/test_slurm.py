"""Studies on a real Slurm of one node: with the real solver, and with a stub while everything goes wrong."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from one_node_slurm import PATIENCE, Cluster, wait_until

from pipeline.flow.prepare import prepare
from pipeline.geometry.build import build_layout, build_variant
from pipeline.matrix import variants
from pipeline.study_file import load_study

pytestmark = pytest.mark.solver

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


def write_profile(folder: Path, **config: Any) -> Path:
    """The profile that is delivered, for a node of this size, and looking at the queue more often."""
    settings = yaml.safe_load((ROOT / "profiles/slurm/config.yaml").read_text())
    settings |= {"cores": 8, "slurm-init-seconds-before-status-checks": 2, "latency-wait": 5}
    settings["resources"]["mem_mb"] = 64_000
    settings["default-resources"]["mem_mb"] = 500
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


@pytest.fixture(scope="module")
def real(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Two depths with the real solver, submitted together."""
    folder = tmp_path_factory.mktemp("real")
    study = write_study(folder, "real", "0.4 mm, 0.6 mm", "100")
    head = Head(cluster, study, write_profile(folder / "profile"))
    process = head.start()
    asked = {}
    end = time.monotonic() + PATIENCE
    while process.poll() is None and time.monotonic() < end:
        for line in cluster.say("squeue", "-h", "-o", "%k %C %m %l").splitlines():
            asked[line.split()[0]] = line.split()[1:]
        time.sleep(0.3)
    head.stop()
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

    def test_several_ranks_start_in_a_job_of_one_task(self, cluster: Cluster, real: dict[str, Any]) -> None:
        # As Solver.command starts them, inside a step as the engine makes it.
        launch = ["mpirun", "--oversubscribe", "--bind-to", "none", "-np", "2", "hostname"]
        step = cluster.ask("srun", "-n1", "--cpus-per-task=2", "--mem=500", "env", *ROOT_RANKS, *launch)
        assert step.stdout.split() == [socket.gethostname()] * 2, step.stderr

    def test_every_row_is_traced_to_its_job(self, real: dict[str, Any]) -> None:
        rows = pd.read_csv(real["head"].results / "provenance.csv")
        table = pd.read_csv(real["head"].results / "coefficients.csv")
        assert rows["run"].tolist() == table["run"].tolist()
        assert (
            rows[["key", "solver", "host", "job", "started_at", "finished_at", "case_files"]]
            .notna()
            .all(axis=None)
        )
        assert rows["key"].is_unique


LEAVE_AFTER = 20
"""Seconds after which a run leaves its job of one minute."""

HOLD = 60
"""Iteration at which runs wait for the test; a state is written every 50 anyway."""


def lose_node(cluster: Cluster) -> None:
    """Take the node away while jobs run on it, and give it back."""
    node = socket.gethostname().split(".")[0]
    cluster.halt("slurmd")
    cluster.kill_jobs()
    cluster.ask("scontrol", "update", f"NodeName={node}", "State=DOWN", "Reason=test")
    wait_until(lambda: not cluster.jobs("R"))
    lost = cluster.jobs("PD")
    cluster.start_node(f"NodeName={node}")
    for job in lost:  # the queue waits two minutes before it gives a job another node
        cluster.ask("scontrol", "update", f"JobId={job}", "StartTime=now")


@pytest.fixture(scope="module")
def faulty(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    """Five runs of the stub solver: one is quick, three meet with everything, one diverges."""
    folder = tmp_path_factory.mktemp("faulty")
    study = write_study(folder, "faulty", "0.5 mm", "60, 70, 80, 90, 100")
    profile = write_profile(
        folder / "profile", cells_per_core=10**6, small_minutes=1e-3, attempts=9, longest_minutes=1,
        leave_seconds=60 - LEAVE_AFTER,
    )  # fmt: skip
    held = {f"re{name}/": {"hold": HOLD, "until": str(folder / str(name))} for name in (70, 80, 90)}
    head = _head_of_stub(cluster, study, profile, held | {"re100/": {"diverge": 30}})
    found = {"head": head, "runs": [f"d0.500mm/re{number}/s0.100" for number in range(60, 101, 10)]}
    try:
        _go_through_faults(cluster, head, folder, found)
        yield found
    finally:
        head.stop()


def _head_of_stub(cluster: Cluster, study: Path, profile: Path, stub: dict[str, Any]) -> Head:
    """Head whose runs are the stub's, with its settings by run and the geometry already made."""
    settings = study.parent / "stub.json"
    settings.write_text(json.dumps(stub))
    head = Head(
        cluster, study, profile,
        PATH=f"{STUB}:{cluster.environment['PATH']}", WM_PROJECT_DIR=str(STUB), STUB_SETTINGS=str(settings),
    )  # fmt: skip
    _build_geometry(study, head.results)
    return head


def _go_through_faults(cluster: Cluster, head: Head, folder: Path, found: dict[str, Any]) -> None:
    quick, killed, lost, slow, diverged = found["runs"]
    process = head.start()
    wait_until(lambda: all(head.iteration(run) == HOLD for run in (killed, lost, slow)))
    jobs = [line.split() for line in cluster.say("squeue", "-h", "-o", "%k %i").splitlines()]
    cluster.ask("scancel", next(job for name, job in jobs if "re70" in name))
    cluster.halt("slurmctld")
    cluster.start_controller()
    (folder / "70").touch()
    found["second"] = head.call("run", *head.profile)
    wait_until(lambda: head.result(killed))
    # A node that goes while a job is being launched makes Slurm hold that job for an administrator.
    wait_until(lambda: _running(cluster, "re80") and _running(cluster, "re90"))
    time.sleep(3.0)
    lose_node(cluster)
    (folder / "80").touch()
    wait_until(lambda: all(map(head.result, (quick, killed, lost, diverged))))
    found["before"] = {run: _result(head, run) for run in (quick, killed, lost)}
    wait_until(lambda: _running(cluster, "re90"))
    found["status"] = json.loads(head.call("status", "--json").stdout)
    engine = int((head.results / ".lock").read_text().split()[2])
    process.kill()
    process.communicate()
    os.killpg(engine, signal.SIGKILL)
    # The run's own job may leave before the next head looks; this one stands for those that still wait.
    found["left"] = cluster.say("sbatch", "--parsable", "--hold", "-D", str(head.results), "--wrap", "true")

    again = head.start()
    # The solver writes a state there only when it is told to leave: what kills a job kills it at once.
    wait_until((head.path(slow) / f"case/{HOLD}").is_dir)
    wait_until(lambda: found["left"] in cluster.jobs("CA"))
    (folder / "90").touch()
    found["output"], found["errors"] = again.communicate(timeout=PATIENCE)
    found["code"] = again.returncode


def _running(cluster: Cluster, word: str) -> bool:
    return word in cluster.say("squeue", "-h", "--states", "R", "-o", "%k")


def _result(head: Head, run: str) -> str:
    """Text of a result, with the times at which it was computed; the engine touches the file itself."""
    return (head.path(run) / "run.json").read_text()


def _build_geometry(study: Path, results: Path) -> None:
    loaded = load_study(study)
    prepare(loaded, results)
    build_layout(results / "geometry/ico")
    for variant in variants(loaded):
        build_variant(results / "geometry/ico" / variant.key)


class TestFaults:
    def test_a_second_call_is_told_who_holds_the_study(self, faulty: dict[str, Any]) -> None:
        assert faulty["second"].returncode == 2
        assert re.search(r"process \d+ on \S+ is at work on this study", faulty["second"].stderr)

    def test_the_study_ends_with_every_run_in_it(self, faulty: dict[str, Any]) -> None:
        assert faulty["code"] == 1, faulty["errors"]  # one diverged
        assert "1 of 5 runs failed" in faulty["errors"]
        table = pd.read_csv(faulty["head"].results / "coefficients.csv")
        assert table["verdict"].tolist() == ["settled"] * 4 + ["diverged"]

    def test_killed_jobs_and_those_of_a_lost_node_go_on_from_their_last_state(
        self, faulty: dict[str, Any]
    ) -> None:
        for run in faulty["runs"][1:3]:
            result = faulty["head"].result(run)
            assert result["resumed"]
            assert result["legs"] >= 2
            # Each iteration once: none is missing, none is there twice.
            history = faulty["head"].history(run)
            assert history.tolist() == list(range(1, len(history) + 1))

    def test_a_run_leaves_before_its_limit_and_the_next_job_goes_on(self, faulty: dict[str, Any]) -> None:
        result = faulty["head"].result(faulty["runs"][3])
        assert result["verdict"] == "settled"
        assert result["resumed"]
        assert result["wall_seconds"] > LEAVE_AFTER
        history = faulty["head"].history(faulty["runs"][3])
        assert history.tolist() == list(range(1, len(history) + 1))

    def test_finished_results_are_not_computed_again(self, faulty: dict[str, Any]) -> None:
        head = faulty["head"]
        assert {run: _result(head, run) for run in faulty["before"]} == faulty["before"]
        assert head.result(faulty["runs"][0])["legs"] == 1

    def test_jobs_of_a_head_that_died_are_cancelled_first(self, faulty: dict[str, Any]) -> None:
        assert "of an earlier call are still in the queue; cancelling them first" in faulty["errors"]

    def test_status_tells_of_every_run_on_the_way(self, faulty: dict[str, Any]) -> None:
        states = {state["run"].split("/")[-2]: state for state in faulty["status"]["runs"]}
        assert [states[f"re{number}"]["state"] for number in (60, 70, 80)] == ["settled"] * 3
        assert states["re90"]["state"] == "running"
        assert states["re100"]["state"] == "diverged"
        assert all(state["reason"] for state in states.values())


def test_a_job_that_the_queue_cuts_off_at_its_limit_goes_on_in_the_next(
    cluster: Cluster, tmp_path: Path
) -> None:
    # No timer of ours: Slurm itself ends the job of one minute.
    study = write_study(tmp_path, "limit", "0.5 mm", "60")
    profile = write_profile(
        tmp_path / "profile",
        cells_per_core=10**6,
        small_minutes=1e-3,
        attempts=9,
        longest_minutes=1,
        leave_seconds=None,
    )
    go = tmp_path / "go"
    head = _head_of_stub(cluster, study, profile, {"re60/": {"hold": HOLD, "until": str(go)}})
    run = "d0.500mm/re60/s0.100"
    process = head.start()
    try:
        wait_until(lambda: process.poll() is not None or head.iteration(run) == HOLD, 60)
        assert process.poll() is None, process.communicate()
        jobs = [line.split() for line in cluster.say("squeue", "-h", "-o", "%k %i").splitlines()]
        job = next(number for name, number in jobs if "re60" in name)
        wait_until(lambda: job in cluster.jobs("TO"), 120)
        go.touch()
        _, errors = process.communicate(timeout=PATIENCE)
    finally:
        head.stop()
    assert process.returncode == 0, errors
    result, history = head.result(run), head.history(run)
    assert result is not None and result["verdict"] == "settled" and result["resumed"]
    assert result["legs"] >= 2
    assert history.tolist() == list(range(1, len(history) + 1))
