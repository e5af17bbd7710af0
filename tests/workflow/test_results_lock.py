"""The lock of a results folder when what stands in it is no longer true."""

import fcntl
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import pipeline.workflow.results_lock
from pipeline.errors import InputError
from pipeline.machine.processes import start_time
from pipeline.records.tree import LOCK
from pipeline.workflow import supervise
from pipeline.workflow.results_lock import locked_results


@contextmanager
def locked_by_somebody(results: Path, words: str) -> Iterator[None]:
    with (results / LOCK).open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        lock.write(words)
        lock.flush()
        yield


@pytest.fixture
def gone() -> int:
    """A process number that nobody has."""
    child = subprocess.Popen(["true"])
    child.wait()
    return child.pid


def test_an_engine_that_is_gone_is_no_traceback(
    tmp_path: Path, gone: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(pipeline.workflow.results_lock, "ENDING_SECONDS", 0.1)
    with locked_by_somebody(tmp_path, f"{socket.gethostname()} {gone} {gone} 5 6"):
        with pytest.raises(InputError, match="another process is at work on this study and does not end"):
            with locked_results(tmp_path):
                pass
    assert "whose engine is gone too" in capsys.readouterr().err


def test_a_number_that_is_used_again_is_not_told_to_stop(
    tmp_path: Path, gone: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline.workflow.results_lock, "ENDING_SECONDS", 0.1)
    bystander = subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, start_new_session=True
    )
    started = start_time(bystander.pid)
    assert started is not None
    words = f"{socket.gethostname()} {gone} {bystander.pid} 5 {started - 1}"
    with locked_by_somebody(tmp_path, words), pytest.raises(InputError), locked_results(tmp_path):
        pass
    assert start_time(bystander.pid) == started
    bystander.communicate(b"\n")
    assert bystander.returncode == 0  # an interrupt would have ended it otherwise


def test_a_head_whose_number_is_used_again_is_gone(
    tmp_path: Path, gone: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Process 1 is always there; one that started at another time is not the recorded head.
    monkeypatch.setattr(pipeline.workflow.results_lock, "ENDING_SECONDS", 0.1)
    started = start_time(1)
    assert started is not None
    with locked_by_somebody(tmp_path, f"{socket.gethostname()} 1 {gone} {started + 1} 6"):
        with pytest.raises(InputError, match="does not end"), locked_results(tmp_path):
            pass
    with locked_by_somebody(tmp_path, f"{socket.gethostname()} 1 {gone} {started} 6"):
        with pytest.raises(InputError, match=r"process 1 on \S+ is at work"), locked_results(tmp_path):
            pass


def test_an_interrupt_as_the_engine_ends_is_an_interrupt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(_clock: object, engine: "subprocess.Popen[bytes]") -> None:
        engine.wait()
        raise KeyboardInterrupt

    monkeypatch.setattr(supervise, "show", interrupted)
    with (
        locked_results(tmp_path) as lock,
        (tmp_path / "log").open("wb") as log,
        pytest.raises(KeyboardInterrupt),
    ):
        supervise.supervise(["true"], tmp_path, log, Any, lock)
