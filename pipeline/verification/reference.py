"""The steady model against detached eddies on the same mesh, and what time-accurate runs cost."""

from pipeline.flow.fidelity import FIDELITIES, SAMPLE_TIME
from pipeline.verification.bench import Bench, Outcome
from pipeline.verification.dimpled import DEPTH_M, MIDDLE, MODEL, TARGETS, dimpled_ball, mesh_of
from pipeline.verification.flows import NEVER, Flow, row_of
from pipeline.verification.rows import Row

DES, LES = "transient-des", "transient-les"

END = 60.0
"""Time to which the flow is computed [D / U]; four core hours at the measured rate."""

PROPER_TIME = 100.0
"""Time that a mean with a standard error of about a hundredth needs [D / U]: some fourteen shedding cycles of
a Strouhal number near 0.2, after twenty D / U of transient."""


def reference_flows() -> tuple[Flow, Flow]:
    """Steady flow around the whole ball, the model alone, and the time-accurate one that starts from it."""
    mesh = mesh_of(dimpled_ball(DEPTH_M), mirrored=False)
    reynolds, spin_ratio = MIDDLE
    steady = Flow(mesh, MODEL, reynolds, spin_ratio, None, TARGETS, "alone")
    options = {"iterations": round(END / SAMPLE_TIME), "standard_error": NEVER}
    return steady, Flow(mesh, DES, reynolds, spin_ratio, steady, options)


def transient(bench: Bench) -> list[Row]:
    """Means of both flows, the rate of the time-accurate one, and the cost of proper runs at that rate."""
    flows = reference_flows()
    found = bench.compute(flows)
    rows: list[Row] = []
    for flow, outcome in found.items():
        rows += [
            _row(outcome, name, outcome.result[name], outcome.result[f"{name}_se"]) for name in ("cd", "cl")
        ]
        if flow.fidelity == DES:
            rows += cost_rows(outcome)
    return rows


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
    steps = outcome.result["iterations"] * model.steps_per_sample(flow.mesh.level.n)
    rate = outcome.result["core_seconds"] / (steps * flow.mesh.cells)
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
