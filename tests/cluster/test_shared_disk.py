"""The disk that all jobs share runs full: a clean stop, and after room was made the study goes on."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from one_node_slurm import PATIENCE, Cluster, wait_until
from study_head import HOLD, Head, head_of_stub, write_profile, write_study

pytestmark = pytest.mark.solver


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "none", folder], capture_output=True)
    if mounted.returncode != 0:
        pytest.skip("mounting a small disk needs the rights of root")
    yield folder
    subprocess.run(["umount", "--lazy", folder], check=True)


def fill(folder: Path) -> Path:
    """Leave no room on a disk."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as stream:
        try:
            while True:
                stream.write(bytes(4096))
        except OSError:
            return filler


def _ready(head: Head, quick: str, held: str) -> bool:
    """Whether the quick run is finished for the engine too, and the other one waits."""
    log = head.results / "workflow.log"
    finished = log.is_file() and b"(Rule: flow)" in log.read_bytes()
    return finished and head.result(quick) is not None and head.iteration(held) == HOLD


def test_a_full_disk_loses_nothing(cluster: Cluster, small_disk: Path, tmp_path: Path) -> None:
    study = write_study(small_disk, "full", "0.5 mm", "60, 70")
    profile = write_profile(tmp_path / "profile", cells_per_core=10**6, small_minutes=1e-3, attempts=2)
    go = tmp_path / "go"
    head = head_of_stub(cluster, study, profile, {"re70/": {"hold": HOLD, "until": str(go)}})
    quick, held = "d0.500mm/re60/s0.100", "d0.500mm/re70/s0.100"
    process = head.start()
    try:
        wait_until(lambda: process.poll() is not None or _ready(head, quick, held))
        assert process.poll() is None, process.communicate()
        before = (head.path(quick) / "run.json").read_text()
        filler = fill(small_disk)
        go.touch()
        _, errors = process.communicate(timeout=PATIENCE)
        assert process.returncode == 1
        assert "(1 of 2 runs missing): 0 kB are left on its disk; make room and run again" in errors
        assert (head.path(quick) / "run.json").read_text() == before
        filler.unlink()
        again = head.start()
        _, errors = again.communicate(timeout=PATIENCE)
        assert again.returncode == 0, errors
    finally:
        head.stop()
    assert (head.path(quick) / "run.json").read_text() == before
    found = head.result(held)
    assert found is not None and found["verdict"] == "settled"
    history = head.history(held)
    assert history.tolist() == list(range(1, len(history) + 1))
