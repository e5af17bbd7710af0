"""Compares the steady model with detached eddies on one mesh, and gives the cost of time-accurate runs."""

from dataclasses import replace
from pathlib import Path

from pipeline.flow.forces.averaging import Mean, mean_of
from pipeline.flow.solver.fidelity import FIDELITIES, SAMPLE_TIME
from pipeline.validation.bench import Bench, Outcome, computed
from pipeline.validation.dimpled import DEPTH_M, MIDDLE, MODEL, TARGETS, dimpled_ball, mesh_of
from pipeline.validation.flows import NEVER, Flow, FlowOptions, row_of
from pipeline.validation.rows import Row

DES, LES = "transient-des", "transient-les"

END = 75.0
"""Time to which the flow is computed [D / U]: some four core hours, two hours on two cores."""

PROPER_TIME = 100.0
"""A time-accurate run whose mean is of use [D / U]: some sixteen shedding cycles of a Strouhal number near
0.2 after a transient of twenty. The run of 75 has standard errors of 0.005 in Cd and 0.02 in Cl."""


def reference_flows() -> tuple[Flow, Flow]:
    """Steady flow around the whole ball, without a trip, and the time-accurate one that starts from it."""
    mesh = mesh_of(dimpled_ball(DEPTH_M), mirrored=False)
    reynolds, spin_ratio = MIDDLE
    steady = Flow(mesh, MODEL, reynolds, spin_ratio, None, TARGETS, "turbulent")
    options: FlowOptions = {"iterations": round(END / SAMPLE_TIME), "standard_error": NEVER}
    return steady, Flow(mesh, DES, reynolds, spin_ratio, steady, options)


def transient(bench: Bench) -> list[Row]:
    """Means of both flows, the rate of the time-accurate one, and the cost of proper runs at that rate."""
    flows = reference_flows()
    found = bench.compute(flows)
    if any(flow not in found for flow in flows):
        return []
    steady, resolved = (found[flow] for flow in flows)
    rows = [
        _row(steady, name, *steady.result.coefficient(name)) for name in ("cd", "cl")
    ] + [
        replace(
            _row(resolved, name, mean.value, mean.standard_error),
            published=steady.result.coefficient(name)[0],
            source="our steady-rans on the same mesh (not published)", mark="computed",
        )
        for name, mean in means_in_time(resolved).items()
    ]  # fmt: skip
    return rows + cost_rows(resolved)


def means_in_time(resolved: Outcome) -> dict[str, Mean]:
    """Means of drag and lift, both after the later of their transients.

    The wake of the steady flow gives way once, and drag shows when that is over. Lift, which bursts later
    too, does not: of its own history nothing would be cut.

    Parameters
    ----------
    resolved : Outcome
        A time-accurate run.

    Returns
    -------
    dict of Mean
        By "cd" and "cl"; cuts are counted from the start of the run.
    """
    history = resolved.history()
    start = max(int((resolved.result.averaged_from or {}).get(name, 0)) for name in ("cd", "cl"))
    means = {name: mean_of(history[name][start:]) for name in ("cd", "cl")}
    return {name: replace(mean, cut=start + mean.cut) for name, mean in means.items()}


def computed_reference(results: Path) -> list[Outcome]:
    """The steady and the time-accurate flow, where both are there, for pictures."""
    found = list(computed(results, reference_flows()).values())
    return found if len(found) == 2 else []


def cost_rows(outcome: Outcome) -> list[Row]:
    """Core seconds of a million cells and a step, and core hours of proper runs at that rate.

    Parameters
    ----------
    outcome : Outcome
        A time-accurate run.

    Returns
    -------
    list of Row
        One for the rate; one for each level of both time-accurate fidelities, `PROPER_TIME` long.
    """
    flow = outcome.flow
    model = FIDELITIES[flow.fidelity]
    steps = outcome.result.iterations * model.steps_per_sample(flow.mesh.level.n)
    rate = outcome.result.core_seconds / (steps * flow.mesh.cells)
    rows = [_row(outcome, "core_seconds_per_step_and_million_cells", 1e6 * rate, None)]
    for name in (DES, LES):
        for level_name, level in FIDELITIES[name].levels.items():
            count = FIDELITIES[name].steps_per_sample(level.n) * round(PROPER_TIME / SAMPLE_TIME)
            rows.append(
                Row(
                    "core_hours",
                    f"{name}, {level_name}: {level.cells:,} cells, {count:,} steps",
                    rate * level.cells * count / 3600.0,
                    None,
                    level=f"{level.n}x{level.layers}",
                    cause="from the rate measured here; not run",
                    cells=level.cells,
                )
            )
    return rows


def _row(outcome: Outcome, quantity: str, value: float, error: float | None) -> Row:
    return row_of(outcome.flow, quantity, value, error, f"{outcome.flow.fidelity}, whole ball")
