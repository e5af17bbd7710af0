"""Smooth spheres in laminar flow: the flows to compute, and their rows."""

from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.geometry.shell.mesh import Level
from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.flows import SPHERE, Flow, FlowOptions, Mesh, row_of
from pipeline.validation.published import (
    AT_REST,
    BAGCHI,
    DRAG_CORRELATIONS,
    LOTH,
    NIAZMAND,
    OESTERLE,
    bagchi_balachandar_lift,
    loth_lift,
    niazmand_renksizbulut_drag,
    niazmand_renksizbulut_lift,
    oesterle_bui_dinh_lift,
)
from pipeline.validation.rows import Row

COARSE = FIDELITIES["laminar"].levels["coarse"]

LONG_WAKE = Level(24, 60)
LONG_WAKE_REYNOLDS = 250.0
"""Level for a wake that is no longer axisymmetric, and the Reynolds number that such are computed from."""

STEADY: FlowOptions = {"standard_error": {"cd": 3e-4, "cl": 3e-4}}


def sphere_mesh(level: Level, reynolds: float = 100.0) -> Mesh:
    """Mesh of half a smooth sphere, its first cell as the laminar fidelity has it for a Reynolds number.

    The plane y = 0 is one of symmetry of every flow here, spinning and shedding ones at Re 300 too (Johnson &
    Patel 1999).
    """
    return Mesh(SPHERE, level, FIDELITIES["laminar"].first_cell(reynolds), mirrored=True)


def rest_flows() -> list[Flow]:
    """Steady flows at rest, each from the one before it."""
    flows: list[Flow] = []
    for reynolds in (20.0, 50.0, 100.0, 150.0, 200.0):
        start = flows[-1] if flows else None
        flows.append(Flow(sphere_mesh(COARSE), "laminar", reynolds, 0.0, start, STEADY))
    return flows


def at_rest(bench: Bench) -> list[Row]:
    """Drag, separation angle, wake length and lift at rest, against direct simulations and correlations."""
    outcomes = bench.compute([*rest_flows(), asymmetric_flow()])
    return [row for outcome in outcomes.values() for row in rest_rows(outcome)]


def rest_rows(outcome: Outcome) -> list[Row]:
    """Rows of one flow at rest."""
    reynolds = outcome.flow.reynolds
    direct = [
        value_row(outcome, known.quantity, known.value, known.source, known.mark, known.goal_pct)
        for known in AT_REST
        if known.reynolds == reynolds
    ]
    fitted = [
        value_row(outcome, "cd", float(drag(reynolds)), name, "computed")
        for name, drag in DRAG_CORRELATIONS.items()
    ]
    return direct + fitted


def asymmetric_flow() -> Flow:
    """Steady flow at Re 250, which has a plane of symmetry and lift.

    Half a sphere keeps the lift along z; the spin of the flow that it starts from lets the asymmetry grow.
    """
    mesh = sphere_mesh(LONG_WAKE)
    start: FlowOptions = {"standard_error": {"cd": 2e-3, "cl": 2e-3}, "iterations": 300}
    spun = Flow(mesh, "laminar", LONG_WAKE_REYNOLDS, 0.1, None, start)
    return Flow(mesh, "laminar", LONG_WAKE_REYNOLDS, 0.0, spun, STEADY | {"iterations": 1500})


def spin_flows() -> list[Flow]:
    """Steady flows at Re 100 with growing spin, from the flow at rest."""
    flows = rest_flows()[:3]
    for spin_ratio in (0.25, 0.5, 1.0):
        flows.append(Flow(sphere_mesh(COARSE), "laminar", 100.0, spin_ratio, flows[-1], STEADY))
    return flows[3:]


def spinning(bench: Bench) -> list[Row]:
    """Drag and lift of a spinning sphere at Re 100 against published fits, which differ up to threefold."""
    return [row for outcome in bench.compute(spin_flows()).values() for row in spin_rows(outcome)]


def spin_rows(outcome: Outcome) -> list[Row]:
    """Rows of one spinning sphere; goals only where the fits of lift are stated for."""
    reynolds, s = outcome.flow.reynolds, outcome.flow.spin_ratio
    fits = [
        ("cl", float(oesterle_bui_dinh_lift(reynolds, s)), OESTERLE, "quoted", 10.0 if s >= 1.0 else None),
        ("cl", float(bagchi_balachandar_lift(s)), BAGCHI, "memory", 10.0 if s <= 0.5 else None),
        ("cl", float(loth_lift(reynolds, s)), LOTH, "quoted", None),
        ("cl", float(niazmand_renksizbulut_lift(s)), NIAZMAND, "source", None),
        ("cd", float(niazmand_renksizbulut_drag(reynolds, s)), NIAZMAND, "source", None),
    ]
    return [value_row(outcome, *fit) for fit in fits]


def value_of(outcome: Outcome, quantity: str) -> tuple[float, float | None]:
    """Value and standard error of a coefficient, or of a measure of the final state.

    Raises
    ------
    ValueError
        If the final state has no such thing, for instance no wake.
    """
    if quantity not in outcome.measures:
        return outcome.result.coefficient(quantity)
    measured = outcome.measures[quantity]
    if measured is None:
        raise ValueError(f"{outcome.flow.run_id}: it has no {quantity}")
    return measured, None


def value_row(
    outcome: Outcome,
    quantity: str,
    published: float | None = None,
    source: str = "",
    mark: str = "",
    goal_pct: float | None = None,
) -> Row:
    """Row of a coefficient, or of a measure of the final state, of a computed flow."""
    flow = outcome.flow
    ours, error = value_of(outcome, quantity)
    return row_of(
        flow, quantity, ours, error, published=published, source=source, mark=mark, goal_pct=goal_pct
    )
