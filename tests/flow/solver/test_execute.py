"""How runs end: stopped, deaf to a stop, killed, implausible. The solver is a stub that writes histories."""

import json
import os
import re
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tunnel import Tunnel

import pipeline.flow.solver.execute
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.execute import spent
from pipeline.geometry.shell.mesh import Level
from pipeline.machine import memory_watch
from pipeline.machine import resources as machine
from pipeline.machine.memory_watch import MemoryWatch
from pipeline.machine.processes import start_time
from pipeline.records.tree import CASE, PROGRESS, SPENT, STATE

STUB = Path(__file__).parents[2] / "stub_solver"
RUN = "runs/smooth/re100/s0.1"

Stubbed = Callable[..., Tunnel]


@pytest.fixture
def stubbed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stubbed:
    """A tunnel in which the stub behaves as said, without waiting."""
    monkeypatch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.02)
    monkeypatch.setenv("PATH", str(STUB), prepend=":")
    monkeypatch.setenv("WM_PROJECT_DIR", str(STUB))
    monkeypatch.setenv("STUB_SETTINGS", str(tmp_path / "stub.json"))

    def made(**settings: Any) -> Tunnel:
        (tmp_path / "stub.json").write_text(json.dumps({"runs/": settings}))
        return Tunnel(tmp_path, "laminar", Level(8, 16), 100.0)

    return made


def solvers(results: Path) -> list[int]:
    """Process numbers of stubs, and of what they started, in a results folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if str(results).encode() in words and b"stub_solver" in words:
                found.append(int(entry.name))
    return [number for number in found if start_time(number) is not None]


def kill_when(condition: Callable[[], bool], results: Path) -> threading.Thread:
    def wait() -> None:
        end = time.monotonic() + 60
        while not condition() and time.monotonic() < end:
            time.sleep(0.01)
        for number in solvers(results):
            os.kill(number, signal.SIGKILL)

    thread = threading.Thread(target=wait)
    thread.start()
    return thread


def test_a_run_at_its_targets_is_kept_when_the_solver_does_not_stop(
    stubbed: Stubbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline.flow.solver.execute, "STOP_SECONDS", 0.2)
    monkeypatch.setattr(pipeline.flow.solver.execute, "STOP_SAMPLES", 0.0)
    tunnel = stubbed(deaf=True, ranks=2)
    result = tunnel.run("smooth", 100.0, 0.1, iterations=10**6)
    assert result["verdict"] == "settled" and result["reason"] == ""
    assert result["cd"] == pytest.approx(0.25, abs=1e-3)
    assert any(
        warning
        == "after the means had reached their targets, the solver did not end after it was asked to stop, "
        "and was killed"
        for warning in result["warnings"]
    )
    assert solvers(tunnel.results) == []  # its ranks, in process groups of their own, neither


def test_a_run_without_its_targets_says_why_it_was_killed(
    stubbed: Stubbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline.flow.solver.execute, "STOP_SECONDS", 0.5)
    monkeypatch.setattr(pipeline.flow.solver.execute, "STOP_SAMPLES", 0.0)
    tunnel = stubbed(deaf=True)
    never = {"cd": -1.0, "cl": -1.0}
    run_id = tunnel.prepare("smooth", 100.0, 0.1, standard_error=never, iterations=10**6)
    result = run(tunnel.results, run_id, wall_time=4.0).content()
    assert result["verdict"] in ("noisy", "drifting", "oscillating")
    assert result["reason"] == (
        "ceiling of wall time reached (4 s); the solver did not end after it was asked to stop, "
        "and was killed"
    )
    assert "memory" not in result["reason"]


def test_a_solver_killed_after_the_targets_were_reached_is_kept(
    stubbed: Stubbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    tunnel = stubbed(deaf=True)
    controls = tunnel.results / RUN / CASE / "system/controlDict"
    thread = kill_when(lambda: controls.is_file() and "writeNow" in controls.read_text(), tunnel.results)
    result = tunnel.run("smooth", 100.0, 0.1, iterations=10**6)
    thread.join()
    assert result["verdict"] == "settled"
    assert any(
        "reached their targets, the solver was killed (SIGKILL)" in text for text in result["warnings"]
    )


@pytest.mark.parametrize(
    ("forces", "said"),
    [
        ((-25.0, 46.0), r"Cd -25 is outside 0\.05 to 3\.28, Cl 46 is outside -1\.5 to 1\.5"),
        ((0.25, -1.7), r"Cl -1\.7 is outside -1\.5 to 1\.5"),
        ((0.01, 0.1), r"Cd 0\.0(1|09)\d* is outside 0\.05 to 3\.28"),
    ],
)
def test_implausible_means_are_not_settled(stubbed: Stubbed, forces: tuple[float, float], said: str) -> None:
    tunnel = stubbed(forces=forces)
    result = tunnel.run("smooth", 100.0, 0.1, iterations=5000)
    assert result["verdict"] == "implausible"
    assert re.fullmatch(said, result["reason"])
    assert [result[name] for name in ("cd", "cd_se", "cl", "cl_se", "cm")] == [None] * 5
    assert result["attempts"] == 2  # once more from rest, more robust
    assert any(f"implausible at first ({result['reason'][:5]}" in warning for warning in result["warnings"])
    assert result["iterations"] < 5000  # it stopped at its targets, not at the ceiling
    assert not (tunnel.results / RUN / STATE).exists()  # nothing starts from it


def test_a_killed_solver_where_memory_was_not_short(stubbed: Stubbed) -> None:
    tunnel = stubbed(deaf=True)
    progress = tunnel.results / RUN / CASE / PROGRESS
    thread = kill_when(progress.is_file, tunnel.results)
    result = tunnel.run("smooth", 100.0, 0.1, standard_error={"cd": -1.0, "cl": -1.0}, iterations=10**6)
    thread.join()
    assert result["verdict"] == "killed"
    assert result["reason"] == "the solver was killed (SIGKILL)"


@pytest.mark.parametrize(
    ("kills", "free", "said"),
    [
        ((4, 6), (9e9, 9e9), "processes that the system killed for lack of memory: 2; the run needs 2.0 GB"),
        ((0, 0), (1.5e9, 9e9), "1.5 GB of memory were free at its start; the run needs 2.0 GB"),
        ((None, None), (9e9, 5e7), "0.05 GB of memory were left; the run needs 2.0 GB"),
        ((3, 3), (9e9, 9e9), ""),
        ((None, None), (None, None), ""),
    ],
)
def test_what_shows_that_memory_was_short(
    monkeypatch: pytest.MonkeyPatch, kills: tuple[Any, Any], free: tuple[Any, Any], said: str
) -> None:
    counts, amounts = list(kills), list(free)
    monkeypatch.setattr(memory_watch, "out_of_memory_kills", lambda: counts.pop(0))
    monkeypatch.setattr(memory_watch, "memory_available", lambda: amounts.pop(0))
    watch = MemoryWatch(2e9)
    watch.look()
    assert watch.shortage() == said


def test_the_kernels_count_of_this_control_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Files as in the kernel's Documentation/admin-guide/cgroup-v2.rst and proc(5).
    own = tmp_path / "jobs/one"
    own.mkdir(parents=True)
    (tmp_path / "group").write_text("4:memory:/x\n0::/jobs/one\n")
    (tmp_path / "vmstat").write_text("nr_free_pages 1\noom_kill 7\n")
    for name, path in (("CONTROL_GROUP", ""), ("OWN_GROUP", "group"), ("VIRTUAL_MEMORY", "vmstat")):
        monkeypatch.setattr(machine, name, tmp_path / path)
    assert machine.out_of_memory_kills() == 7
    (own / "memory.events").write_text("low 0\nhigh 0\nmax 12\noom 3\noom_kill 2\n")
    assert machine.out_of_memory_kills() == 2
    # Limits hold for all groups inside; the tighter one counts.
    (own.parent / "memory.max").write_text("900000000\n")
    (own.parent / "memory.current").write_text("500000000\n")
    (own.parent / "memory.stat").write_text("anon 1\ninactive_file 100000000\n")
    (own / "memory.max").write_text("max\n")
    (own / "memory.current").write_text("500000000\n")
    assert machine.memory_available() == 500_000_000
    (own / "cpu.max").write_text("max 100000\n")
    (own.parent / "cpu.max").write_text("100000 100000\n")
    assert machine.cores_allowed() == 1


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"7", b"\xff", b'{"wall_seconds": NaN, "legs": 1}'])
def test_a_broken_account_of_the_time_is_started_again(tmp_path: Path, content: bytes) -> None:
    (tmp_path / SPENT).write_bytes(content)
    assert spent(tmp_path) == (0.0, 0)
