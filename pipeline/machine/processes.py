"""Identifies processes by number and start time, and ends all processes of a session.

A process number is used again once its process has ended; together with the time at which the process
started, which the kernel counts in ticks since boot, it names one process only.
"""

import os
import signal
import time
from pathlib import Path

PROC = Path("/proc")

ENDING_SECONDS = 10.0
"""How long the processes of a session may take to disappear after SIGKILL."""

POLL_SECONDS = 0.02


def start_time(process: int) -> int | None:
    """Start of a process in clock ticks since boot; None when there is no such process, or it has ended."""
    fields = _stat(process)
    return None if fields is None or fields[0] in ("Z", "X") else int(fields[19])


def is_alive(process: int, started: int | None) -> bool:
    """Whether the process of that number is there and is the one that started at that time."""
    return started is not None and start_time(process) == started


def end_session(session: int) -> None:
    """Kill every process of a session, those that it starts meanwhile too.

    An MPI launcher gives each of its ranks a process group of its own, so that a signal to the launcher's
    group does not reach them; the session is common.

    Parameters
    ----------
    session : int
        Process number of the session's leader, which may have ended.
    """
    end = time.monotonic() + ENDING_SECONDS
    while (members := _members(session)) and time.monotonic() < end:
        for process in members:
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                continue
        time.sleep(POLL_SECONDS)


def _members(session: int) -> list[int]:
    found = []
    for entry in PROC.iterdir():
        if not entry.name.isdigit():
            continue
        fields = _stat(int(entry.name))
        if fields is not None and fields[0] not in ("Z", "X") and int(fields[3]) == session:
            found.append(int(entry.name))
    return found


def _stat(process: int) -> list[str] | None:
    """Fields of /proc/PROCESS/stat (proc(5)) from the third, the state, on; None without such a process."""
    try:
        text = (PROC / str(process) / "stat").read_text(errors="replace")
    except OSError:
        return None
    # The second field, the program's name, is in brackets and may hold anything.
    return text[text.rindex(")") + 1 :].split()
