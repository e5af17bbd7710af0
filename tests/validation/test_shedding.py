"""Unsteady wakes: what is made of histories known in closed form, and how the time step is halved."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from played_bench import PlayedBench

from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import Solver
from pipeline.flow.solver.start import Task
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.files import load_shell, write_shell
from pipeline.records.geometry import FlowTotals
from pipeline.records.tree import MESH
from pipeline.validation.flows import Flow
from pipeline.validation.shedding import (
    SAMPLE_TIME,
    WINDOWS,
    shedding,
    shedding_flows,
    step_flows,
    time_step,
)


def played(flow: Flow, lift: float, amplitude: float, strouhal: float) -> dict[str, Any]:
    times = SAMPLE_TIME * np.arange(1, flow.options["iterations"] + 1)
    wave = np.sin(2.0 * np.pi * strouhal * times)
    drag = 0.656 + 0.001 * wave
    return {
        "cd": 0.656,
        "cl": lift,
        "history": {"iteration": times, "cd": drag, "cl": lift + amplitude * wave},
    }


def test_regimes_means_and_frequency(tmp_path: Path) -> None:
    # Kim 2009 [source]: at Re 300 unsteady at rest and at S 1, steady at 0.4 and 0.6.
    cycle = {0.0: (0.069, 0.01, 0.137), 0.4: (0.4, 0.0, 0.2), 0.6: (0.5, 1e-4, 0.2), 1.0: (0.6, 0.005, 0.36)}
    rows = shedding(PlayedBench(tmp_path, lambda flow: played(flow, *cycle[flow.spin_ratio])))
    sheds = {row.spin_ratio: (row.ours, row.within_goal) for row in rows if row.quantity == "sheds"}
    assert sheds == {0.0: (1.0, True), 0.4: (0.0, True), 0.6: (0.0, True), 1.0: (1.0, True)}
    strouhal = {row.spin_ratio: row for row in rows if row.quantity == "strouhal"}
    assert strouhal[0.0].ours == pytest.approx(0.137, rel=0.01)
    assert strouhal[1.0].ours == pytest.approx(0.36, rel=0.01)
    # Johnson & Patel 1999 at Re 300 [quoted]: 0.656, 0.069, 0.137.
    at_rest = [row for row in rows if row.spin_ratio == 0 and row.goal_pct and "Johnson" in row.source]
    assert [(row.quantity, row.within_goal) for row in at_rest] == [
        ("cd", True),
        ("cl", True),
        ("strouhal", True),
    ]


def test_a_wake_of_another_regime_is_off(tmp_path: Path) -> None:
    rows = shedding(PlayedBench(tmp_path, lambda flow: played(flow, 0.069, 0.0, 0.137)))
    off = {row.spin_ratio for row in rows if row.quantity == "sheds" and not row.within_goal}
    assert off == {0.0, 1.0}


def test_windows_hold_cycles_to_average() -> None:
    # Johnson & Patel 1999 at Re 300: a Strouhal number of 0.137 [quoted].
    start, end = WINDOWS[0.0]
    assert (end - start) * 0.137 > 5
    assert [flow.starts_from.spin_ratio for flow in shedding_flows() if flow.starts_from] == [
        0.1,
        0.4,
        0.6,
        1.0,
    ]


def test_halving_the_time_step_is_judged_by_the_change(tmp_path: Path) -> None:
    bench = PlayedBench(
        tmp_path, lambda flow: played(flow, 0.069, 0.01 * flow.options["courant"] ** 0.1, 0.137)
    )
    rows = {row.quantity: row for row in time_step(bench)}
    assert rows["cd"].error_pct == pytest.approx(0.0, abs=1e-6)
    assert rows["cl_amplitude"].error_pct == pytest.approx(100 * (2**0.1 - 1), rel=1e-3)
    assert (rows["cl"].within_goal, rows["cl_amplitude"].within_goal) == (True, False)


def test_the_solver_gets_half_the_time_step(tmp_path: Path) -> None:
    steps = []
    for flow in step_flows():
        geometry = tmp_path / "geometry"
        if not geometry.is_dir():
            write_shell(geometry, flow.mesh.ball.shell(flow.mesh))
        shell = load_shell(geometry)
        task = Task(
            tmp_path,
            tmp_path / flow.label,
            flow.spec(),
            fidelity(flow.fidelity),
            geometry,
            shell,
            FlowTotals(depth_m=0.0, edge_angle_deg=0.0),
        )
        writer = task.writer(Solver("1912", {}, None, "pimpleFoam"), robust=False)
        writer.write(geometry / MESH, wall_velocity(shell, 0.0))
        control = (task.case / "system/controlDict").read_text()
        steps.append(float(re.search(r"deltaT\s+(\S+);", control)[1]))  # type: ignore[index]
    assert steps[1] == pytest.approx(0.5 * steps[0])
