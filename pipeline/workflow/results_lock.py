"""Lock of a results folder: one command computes there at a time, whatever became of the one before."""

import os
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from pipeline.ending import complain
from pipeline.errors import InputError
from pipeline.files.lock import take_lock
from pipeline.machine.processes import is_alive, start_time
from pipeline.records.tree import LOCK

ENDING_SECONDS = 180.0
"""How long a workflow may take to end after it was asked to: solvers write their states."""


@contextmanager
def locked_results(results: Path) -> Iterator[TextIO]:
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
        whose `depthline run` was killed is made to end instead.
    """
    with (results / LOCK).open("a+", encoding="utf-8") as lock:
        if not take_lock(lock):
            _take_over(results, lock)
        _write(lock, None)
        yield lock


def name_engine(lock: TextIO, process: int) -> None:
    """Note the process number of the workflow engine, which leads a process group of its own."""
    _write(lock, process)


def _write(lock: TextIO, engine: int | None) -> None:
    """Write host, process numbers of head and engine, and their start times, 0 for no engine."""
    processes = (os.getpid(), engine or 0)
    started = [start_time(process) or 0 if process else 0 for process in processes]
    lock.seek(0)
    lock.truncate()
    lock.write(" ".join([socket.gethostname(), *map(str, processes), *map(str, started)]))
    lock.flush()


def _take_over(results: Path, lock: TextIO) -> None:
    """Wait for an engine whose head is gone to end; refuse where the head is still there.

    A process is made to end only when it is the recorded one: its number may have been used again.
    """
    lock.seek(0)
    words = lock.read().split()
    host = words[0] if words else "?"
    numbers = [int(word) if word.isdigit() else 0 for word in words[1:5]] + [0] * 4
    head, engine, head_started, engine_started = numbers[:4]
    if host != socket.gethostname() or is_alive(head, head_started):
        raise InputError(
            f"{results}: process {head or '?'} on {host} is at work on this study; wait for it or stop it"
        )
    left = f"process {head} was killed and left its workflow at work"
    if is_alive(engine, engine_started):
        complain(f"{left}; ending that first")
        try:
            os.killpg(engine, signal.SIGINT)
        except ProcessLookupError:
            pass  # it has ended meanwhile
    else:
        complain(f"{left}, whose engine is gone too; waiting for what they started")
    end = time.monotonic() + ENDING_SECONDS
    while not take_lock(lock):
        if time.monotonic() > end:
            whom = f"process {engine} is" if is_alive(engine, engine_started) else "another process is"
            raise InputError(f"{results}: {whom} at work on this study and does not end; stop it")
        time.sleep(0.2)
