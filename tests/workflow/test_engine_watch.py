"""Stations whose engine is gone. A process that leads a session stands for the engine."""

import os
import subprocess
import sys
import time
from pathlib import Path

from pipeline.machine.processes import start_time
from pipeline.workflow.engine_watch import STARTED_BY_ENGINE

ROOT = Path(__file__).parents[2]

ENGINE = """
import subprocess, sys
station = subprocess.Popen([sys.executable, "-c", sys.argv[1]])
print(station.pid, flush=True)
station.wait()
"""

STATION = """
import sys, time
from pipeline.workflow.engine_watch import leave_with_engine
leave_with_engine()
time.sleep(SECONDS)
"""


def engine(station: str, environment: dict[str, str]) -> tuple["subprocess.Popen[str]", int]:
    started = subprocess.Popen(
        [sys.executable, "-c", ENGINE, station], stdout=subprocess.PIPE, text=True, start_new_session=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
    )  # fmt: skip
    assert started.stdout is not None
    return started, int(started.stdout.readline())


def has_ended(process: int, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while start_time(process) is not None and time.monotonic() < end:
        time.sleep(0.05)
    return start_time(process) is None


def test_a_station_leaves_within_seconds_of_its_engine() -> None:
    started, station = engine(STATION.replace("SECONDS", "600"), {STARTED_BY_ENGINE: "1"})
    time.sleep(1.0)
    assert start_time(station) is not None  # it stays as long as its engine does
    started.kill()
    started.wait()
    assert has_ended(station, 10.0)


def test_a_station_that_somebody_started_by_hand_goes_on() -> None:
    started, station = engine(STATION.replace("SECONDS", "4"), {})
    time.sleep(1.0)
    started.kill()
    started.wait()
    assert not has_ended(station, 2.0)
    assert has_ended(station, 10.0)
