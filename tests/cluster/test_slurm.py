"""Studies on a real Slurm of one node: with the real solver, and with a stub while everything goes wrong."""

import json
import os
import re
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from one_node_slurm import PATIENCE, Cluster, wait_until
from study_head import HOLD, ROOT_RANKS, Head, head_of_stub, write_profile, write_study

pytestmark = pytest.mark.solver


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
    head = head_of_stub(cluster, study, profile, held | {"re100/": {"diverge": 30}})
    found = {"head": head, "runs": [f"d0.500mm/re{number}/s0.100" for number in range(60, 101, 10)]}
    try:
        _go_through_faults(cluster, head, folder, found)
        yield found
    finally:
        head.stop()


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
