"""A run killed at 50 random moments has the means of an undisturbed one."""

import json
import os
import re
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

import pipeline.flow.solver.case
import pipeline.flow.solver.execute
from pipeline.flow.campaign.run import run
from pipeline.flow.forces.restarts import merged_rows
from pipeline.geometry.shell.mesh import Level
from pipeline.records.tree import RESULT

KILLS = 50
LATEST_KILL = 0.4
"""Seconds after its start at which a solver dies at the latest: some before they have read the mesh, others
while they write a state."""

SETTINGS = {"standard_error": {"cd": 1e-9, "cl": 1e-9}, "iterations": 150}


def children() -> list[int]:
    """Process numbers of the solvers that this process has started and that are at work."""
    found = []
    for entry in Path(f"/proc/{os.getpid()}/task").iterdir():
        try:
            numbers = (entry / "children").read_text().split()
            found += [n for n in numbers if b"simpleFoam\0-case" in Path(f"/proc/{n}/cmdline").read_bytes()]
        except OSError:
            continue  # a thread or a process that has ended meanwhile
    return [int(number) for number in found]


class Killer(threading.Thread):
    """Kills every solver that this process starts, each after a random time, until there were enough."""

    def __init__(self, seed: int) -> None:
        super().__init__(daemon=True)
        self._rng = np.random.default_rng(seed)
        self.kills = 0
        self.done = threading.Event()

    def run(self) -> None:
        while not self.done.is_set() and self.kills < KILLS:
            for number in children():
                time.sleep(self._rng.uniform(0.0, LATEST_KILL))
                try:
                    os.kill(number, signal.SIGKILL)
                except ProcessLookupError:
                    continue  # it had come to its end
                self.kills += 1
                while number in children():
                    time.sleep(0.01)
            time.sleep(0.01)


@pytest.fixture
def killer() -> Iterator[Killer]:
    thread = Killer(seed=20)
    thread.start()
    yield thread
    thread.done.set()


@pytest.fixture
def exact_restarts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Templates with a fixed pressure far away.

    The solver's freestreamPressure forgets at a restart which faces have outflow until it has solved for the
    pressure once, which moves Cd by some 1e-5 for a few iterations. All else goes on to the last bit.
    """
    templates = tmp_path / "templates"
    shutil.copytree(pipeline.flow.solver.case.TEMPLATES, templates)
    pressure = templates / "shared/0/p"
    text = pressure.read_text()
    changed = re.sub(r"type +freestreamPressure;\s+freestreamValue", "type fixedValue;\n value", text)
    assert changed != text
    pressure.write_text(changed)
    monkeypatch.setattr(pipeline.flow.solver.case, "TEMPLATES", templates)


@pytest.mark.solver
@pytest.mark.usefixtures("exact_restarts")
def test_means_do_not_know_of_50_kills(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    monkeypatch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.05)
    monkeypatch.setattr(pipeline.flow.solver.case, "WRITE_INTERVAL", 5)
    # Two thirds of a second for an undisturbed run, on an idle machine.
    tunnel = Tunnel(tmp_path / "tunnel", "laminar", Level(6, 16), 100.0)
    undisturbed = tunnel.run("smooth", 100.0, 0.25, **SETTINGS)
    assert undisturbed["legs"] == 1
    killer = request.getfixturevalue("killer")
    finished = 0
    while killer.kills < KILLS or not finished:
        assert killer.is_alive() or killer.kills == KILLS
        run_id = move(tunnel, undisturbed["run"], f"runs/killed/{finished}")
        legs, spent = 0, 0.0
        while True:
            result = run(tunnel.results, run_id).content()
            legs += 1
            # Time adds up over legs, whatever ended them.
            assert result["legs"] == legs
            assert result["core_seconds"] >= spent
            spent = result["core_seconds"]
            if result["verdict"] != "killed":
                break
            (tunnel.results / run_id / RESULT).unlink()
        assert result["iterations"] == 150
        assert history(tunnel, run_id) == history(tunnel, undisturbed["run"])
        for name in ("cd", "cl", "cm"):
            assert result[name] == undisturbed[name]
        finished += 1
    assert killer.kills == KILLS


def history(tunnel: Tunnel, run_id: str) -> str:
    return (tunnel.results / run_id / "history.csv").read_text()


def move(tunnel: Tunnel, old: str, new: str) -> str:
    """A spec under another run's name."""
    source, target = tunnel.results / old / "spec.json", tunnel.results / new / "spec.json"
    target.parent.mkdir(parents=True)
    target.write_text(json.dumps(json.loads(source.read_text()) | {"run": new}))
    return new


def test_overlaps_of_any_number_of_starts() -> None:
    # Starts at 0, 20 and 100; the one at 0 went on to 120 before, the last has not written a row yet.
    times = [np.arange(1.0, 121), np.arange(21.0, 61), np.arange(101.0, 131), np.array([])]
    rows = merged_rows(times)
    merged = np.concatenate([time[kept] for time, kept in zip(times, rows, strict=True)])
    assert merged.tolist() == [*range(1, 61), *range(101, 131)]
