"""The time limit of the queue itself; apart from the others, since it waits for more than a minute."""

from pathlib import Path

import pytest
from one_node_slurm import PATIENCE, Cluster, wait_until
from study_head import HOLD, head_of_stub, write_profile, write_study

pytestmark = pytest.mark.solver


def test_a_job_that_the_queue_cuts_off_at_its_limit_goes_on_in_the_next(
    cluster: Cluster, tmp_path: Path
) -> None:
    # Slurm itself ends the job of one minute.
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
    head = head_of_stub(cluster, study, profile, {"re60/": {"hold": HOLD, "until": str(go)}})
    run = "d0.500mm/re60/s0.100"
    process = head.start()
    try:
        wait_until(lambda: process.poll() is not None or head.iteration(run) == HOLD)
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
