"""Smooth spheres at Re 300, time-accurate: drag, lift, shedding frequency, regimes with spin, time step."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.flow.forces.averaging import mean_of
from pipeline.flow.solver.fidelity import FIDELITIES, SAMPLE_TIME
from pipeline.geometry.shell.mesh import Level
from pipeline.validation.bench import Bench, Outcome, computed
from pipeline.validation.flows import NEVER, Flow, FlowOptions, row_of
from pipeline.validation.published import (
    AT_REST,
    KIM,
    NIAZMAND,
    SHEDS,
    niazmand_renksizbulut_drag,
    niazmand_renksizbulut_lift,
)
from pipeline.validation.rows import Row
from pipeline.validation.sphere import sphere_mesh
from pipeline.validation.wake import frequency, regime, spectrum

FIDELITY = "transient-laminar"

REYNOLDS = 300.0

LEVEL = Level(20, 50)
"""Cells as long as wide where the wake is, 0.16 D at two diameters from the centre."""

WINDOWS = {0.0: (50.0, 100.0), 0.4: (20.0, 40.0), 0.6: (20.0, 40.0), 1.0: (80.0, 120.0)}
"""Time from which a flow is averaged and to which it goes [D / U], by spin ratio. Cycles grow slowly: at S 1
by some 3 % a D / U, out of nothing."""

STEP_WINDOW = 15.0
"""Time over which two time steps are compared, two cycles [D / U]."""

STEP_GOAL_PCT = 1.0
"""What halving the time step may change [%]."""


@dataclass(frozen=True)
class Lift:
    """Lift history of a computed flow.

    Attributes
    ----------
    spin_ratio : float
        S.
    times, values : ndarray, shape (n,)
        Time [D / U] and Cl.
    start : float
        Time from which it is averaged.
    """

    spin_ratio: float
    times: FloatArray
    values: FloatArray
    start: float

    @property
    def kept(self) -> tuple[FloatArray, FloatArray]:
        """Times and values from the start of the averaging."""
        later = self.times >= self.start
        return self.times[later], self.values[later]

    @property
    def regime(self) -> str:
        """Steady, shedding or irregular."""
        return regime(self.kept[1])

    def spectrum(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies [U / D] and amplitudes of the averaged part."""
        return spectrum(*self.kept)


def shedding_flows() -> list[Flow]:
    """Time-accurate flows at Re 300, by spin ratio, each from a steady one."""
    return [_flow(spin_ratio) for spin_ratio in SHEDS]


def step_flows() -> list[Flow]:
    """Go on from the shedding flow at rest for `STEP_WINDOW`, with the usual time step and half of it."""
    usual = FIDELITIES[FIDELITY].courant or 1.0
    shedding = _flow(0.0)
    return [
        replace(
            shedding,
            starts_from=shedding,
            options=shedding.options | {"iterations": round(STEP_WINDOW / SAMPLE_TIME), "courant": courant},
            label=f"courant{courant:g}",
        )
        for courant in (usual, 0.5 * usual)
    ]


def _flow(spin_ratio: float) -> Flow:
    mesh = sphere_mesh(LEVEL, REYNOLDS)
    options: FlowOptions = {
        "iterations": round(WINDOWS[spin_ratio][1] / SAMPLE_TIME),
        "standard_error": NEVER,
    }
    return Flow(mesh, FIDELITY, REYNOLDS, spin_ratio, _steady(spin_ratio), options)


def _steady(spin_ratio: float) -> Flow:
    """Return a steady flow as a start: at rest one with a little spin, so that the asymmetry can grow."""
    options: FlowOptions = {"standard_error": {"cd": 2e-3, "cl": 2e-3}, "iterations": 300}
    mesh = sphere_mesh(LEVEL, REYNOLDS)
    return Flow(mesh, "laminar", REYNOLDS, spin_ratio or 0.1, None, options, label="start")


def lift_of(outcome: Outcome) -> Lift:
    """Lift history of a computed flow."""
    history, spin_ratio = outcome.history(), outcome.flow.spin_ratio
    return Lift(spin_ratio, history["iteration"], history["cl"], WINDOWS[spin_ratio][0])


def computed_lifts(results: Path) -> list[Lift]:
    """Lift histories of the flows that are there, for pictures."""
    outcomes = computed(results, shedding_flows())
    return [lift_of(outcome) for outcome in outcomes.values()]


def shedding(bench: Bench) -> list[Row]:
    """Means, Strouhal number and regimes at Re 300."""
    rows: list[Row] = []
    for flow, outcome in bench.compute(shedding_flows()).items():
        spin_ratio, lift = flow.spin_ratio, lift_of(outcome)
        rows += _means(outcome, lift)
        plain = row_of(flow, "sheds", float(lift.regime != "steady"))
        rows.append(
            replace(plain, published=float(SHEDS[spin_ratio]), source=KIM, mark="source", goal_pct=0.0)
        )
        if lift.regime != "steady":
            found = frequency(*lift.kept)
            rows += _beside(row_of(flow, "strouhal", found.value, found.standard_error))
    return rows


def _means(outcome: Outcome, lift: Lift) -> list[Row]:
    """Mean drag and lift of the averaged part, beside what is published."""
    flow, rows = outcome.flow, []
    history = outcome.history()
    later = history["iteration"] >= lift.start
    for name in ("cd", "cl"):
        mean = mean_of(history[name][later])
        rows += _beside(row_of(flow, name, mean.value, mean.standard_error))
    return rows


def _beside(row: Row) -> list[Row]:
    """Return a row for each published value of its quantity; the row itself when there is none."""
    spin_ratio = row.spin_ratio or 0.0
    if spin_ratio == 0:
        known = [entry for entry in AT_REST if (entry.quantity, entry.reynolds) == (row.quantity, REYNOLDS)]
        return [
            replace(row, published=entry.value, source=entry.source, mark=entry.mark, goal_pct=entry.goal_pct)
            for entry in known
        ]
    fits = {
        "cd": float(niazmand_renksizbulut_drag(REYNOLDS, spin_ratio)),
        "cl": float(niazmand_renksizbulut_lift(spin_ratio)),
    }
    if row.quantity not in fits:
        return [row]
    return [replace(row, published=fits[row.quantity], source=NIAZMAND, mark="source")]


def time_step(bench: Bench) -> list[Row]:
    """Means and amplitude of the lift over two cycles, beside those with half the time step."""
    flows = step_flows()
    outcomes = bench.compute(flows)
    if any(flow not in outcomes for flow in flows):
        return []
    usual, half = (outcomes[flow].history() for flow in flows)
    measures: dict[str, Callable[[dict[str, FloatArray]], float]] = {
        "cd": lambda history: float(history["cd"].mean()),
        "cl": lambda history: float(history["cl"].mean()),
        "cl_amplitude": lambda history: float(np.sqrt(2.0) * history["cl"].std()),
    }
    source = "our run with half the time step (not published)"
    return [
        replace(
            row_of(flows[0], name, value(usual)),
            published=value(half), source=source, mark="computed", goal_pct=STEP_GOAL_PCT,
        )
        for name, value in measures.items()
    ]  # fmt: skip
