"""Telling one process from another that has got its number, and ending a session."""

import os
import subprocess
import sys
import time
from pathlib import Path

from pipeline.machine.processes import end_session, is_alive, start_time


def test_a_process_is_known_by_number_and_start() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    started = start_time(child.pid)
    # [computed] seconds since boot (proc(5)) in the kernel's ticks; the child started just now.
    up = float(Path("/proc/uptime").read_text().split()[0])
    assert started is not None and 0 <= up - started / os.sysconf("SC_CLK_TCK") < 30
    assert is_alive(child.pid, started)
    assert not is_alive(child.pid, started - 1)  # somebody who had the number before
    child.communicate(b"\n")
    assert start_time(child.pid) is None and not is_alive(child.pid, started)


def test_a_process_that_nobody_has_waited_for_has_ended() -> None:
    child = subprocess.Popen(["true"])
    end = time.monotonic() + 10
    while start_time(child.pid) is not None:
        assert time.monotonic() < end
        time.sleep(0.01)
    child.wait()


RANKS = """
import os, signal, subprocess, sys, time
ranks = [subprocess.Popen(["sleep", "600"], process_group=0) for _ in range(2)]
print(*(rank.pid for rank in ranks), flush=True)
time.sleep(600)
"""


def test_a_session_ends_with_the_process_groups_in_it() -> None:
    # As an MPI launcher does: each rank in a process group of its own.
    launcher = subprocess.Popen(
        [sys.executable, "-c", RANKS], stdout=subprocess.PIPE, start_new_session=True
    )  # fmt: skip
    assert launcher.stdout is not None
    ranks = [int(word) for word in launcher.stdout.readline().split()]
    assert all(start_time(rank) is not None for rank in ranks)
    end_session(launcher.pid)
    launcher.wait()
    assert [start_time(rank) for rank in ranks] == [None, None]
