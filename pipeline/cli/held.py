"""Holding a study's results folder: one `depthline run` at a time, whatever became of the one before."""

import fcntl
import os
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from pipeline.cli.ending import complain
from pipeline.errors import InputError

LOCK = ".lock"

ENDING_SECONDS = 180.0
"""How long a workflow may take to end after it was told to: solvers write their states."""


@contextmanager
def held(results: Path) -> Iterator[TextIO]:
    """Hold a results folder until the block and the workflow engine that it starts have ended.

    Parameters
    ----------
    results : Path
        Results folder of a study.

    Yields
    ------
    file
        The lock; the engine inherits it, so that it also dies with the engine, and `name_engine` writes down
        which one that is.

    Raises
    ------
    InputError
        If another `depthline run` is at work on the study; it names the process and its machine. An engine
        whose `depthline run` was killed is told to end instead.
    """
    with (results / LOCK).open("a+", encoding="utf-8") as lock:
        if not _locked(lock):
            _take_over(results, lock)
        _write(lock, None)
        yield lock


def name_engine(lock: TextIO, process: int) -> None:
    """Note the process number of the workflow engine, which leads a process group of its own."""
    _write(lock, process)


def _write(lock: TextIO, engine: int | None) -> None:
    lock.seek(0)
    lock.truncate()
    lock.write(f"{socket.gethostname()} {os.getpid()} {engine or ''}")
    lock.flush()


def _locked(lock: TextIO) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _take_over(results: Path, lock: TextIO) -> None:
    """Wait for an engine whose head is gone to end; refuse where the head is still there."""
    lock.seek(0)
    words = lock.read().split()
    host, head, engine = (words + ["?"] * 3)[:3]
    if host != socket.gethostname() or not engine.isdigit() or Path(f"/proc/{head}").exists():
        raise InputError(
            f"{results}: process {head} on {host} is at work on this study; wait for it or stop it"
        )
    complain(f"process {head} was killed and left its workflow at work; ending that first")
    os.killpg(int(engine), signal.SIGINT)
    end = time.monotonic() + ENDING_SECONDS
    while not _locked(lock):
        if time.monotonic() > end:
            raise InputError(
                f"{results}: process {engine} is at work on this study and does not end; stop it"
            )
        time.sleep(0.2)
