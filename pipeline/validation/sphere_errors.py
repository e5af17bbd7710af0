"""Numerical errors of smooth spheres in steady laminar flow: mesh, far field."""

from dataclasses import replace

import numpy as np

from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.geometry.shell.mesh import FAR_RADIUS, PHANTOM_RADIUS, Level, growth_ratio
from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.flows import SPHERE, Flow, FlowOptions, Mesh
from pipeline.validation.grid_convergence import GridConvergence, grid_convergence
from pipeline.validation.published import AT_REST, CELIK
from pipeline.validation.rows import Row
from pipeline.validation.sphere import COARSE, value_of, value_row

REYNOLDS = 100.0
SPIN_RATIO = 0.5

FORMAL_ORDER = 2.0
"""Of central differences on smoothly stretched meshes."""

ORDER_GOAL_PCT = 25.0
"""How far observed orders may be from the formal one: three meshes give it no better [%]."""

EXTRAPOLATED = "extrapolated"
"""Level of a value extrapolated from three meshes."""

FAR_GOAL_PCT = 0.1
"""What the usual distance of the far boundary may change [%]."""

LEVELS = (Level(32, 80), Level(24, 60), COARSE)
"""Fine, medium, coarse: in the same ratio in every direction, as the levels of studies are only roughly."""

TIGHT: FlowOptions = {"standard_error": {"cd": 1e-5, "cl": 1e-5}, "iterations": 1000}
"""Far below the differences between the meshes."""


def _stretching() -> tuple[float, float]:
    """Constants A and B of the radii R + A (exp(B s) - 1), s = 0..1, of the coarse level."""
    first = FIDELITIES["laminar"].first_cell(REYNOLDS)
    growth = growth_ratio(first, FAR_RADIUS - PHANTOM_RADIUS, COARSE.layers)
    return first / (growth - 1.0), COARSE.layers * float(np.log(growth))


def similar_mesh(level: Level) -> Mesh:
    """Half a sphere's mesh that is the coarse one refined: the same stretching, split into more layers."""
    scale, rate = _stretching()
    return Mesh(SPHERE, level, float(scale * np.expm1(rate / level.layers)), mirrored=True)


def longer_mesh(layers: int) -> Mesh:
    """Half a sphere's coarse mesh with layers added or left out at its far end."""
    scale, rate = _stretching()
    first = FIDELITIES["laminar"].first_cell(REYNOLDS)
    far = PHANTOM_RADIUS + float(scale * np.expm1(rate * layers / COARSE.layers))
    far = FAR_RADIUS if layers == COARSE.layers else far
    return Mesh(SPHERE, Level(COARSE.n, layers), first, mirrored=True, far_radius=far)


def _rest_and_spin(mesh: Mesh) -> tuple[Flow, Flow]:
    rest = Flow(mesh, "laminar", REYNOLDS, 0.0, None, TIGHT, label="tight")
    return rest, Flow(mesh, "laminar", REYNOLDS, SPIN_RATIO, rest, TIGHT, label="tight")


def order_flows() -> list[tuple[Flow, Flow]]:
    """Flows at rest and with spin on the meshes of `LEVELS`."""
    return [_rest_and_spin(similar_mesh(level)) for level in LEVELS]


def domain_flows() -> list[tuple[Flow, Flow]]:
    """Flows at rest and with spin with the far boundary nearer, as usual, and farther away."""
    return [_rest_and_spin(longer_mesh(COARSE.layers + more)) for more in (-5, 0, 5)]


def order(bench: Bench) -> list[Row]:
    """Values on three meshes, extrapolated ones, observed orders, and grid convergence indices."""
    pairs = order_flows()
    outcomes = bench.compute([flow for pair in pairs for flow in pair])
    rest = [outcomes[flow] for flow, _ in pairs if flow in outcomes]
    spun = [outcomes[flow] for _, flow in pairs if flow in outcomes]
    rows: list[Row] = []
    for found, names in ((rest, ("cd", "separation_deg", "wake_length")), (spun, ("cd", "cl"))):
        if len(found) == len(LEVELS):
            for name in names:
                rows += _order_rows(found, name)
    return rows


def _order_rows(outcomes: list[Outcome], name: str) -> list[Row]:
    """Rows of one quantity, outcomes from the fine mesh to the coarse one."""
    values = [value_of(outcome, name)[0] for outcome in outcomes]
    fine, medium, coarse = (outcome.flow.mesh.cells ** (-1.0 / 3.0) for outcome in outcomes)
    rows = [value_row(outcome, name) for outcome in reversed(outcomes)]
    try:
        found = grid_convergence((fine, medium, coarse), (values[0], values[1], values[2]), FORMAL_ORDER)
    except ValueError as error:
        return [*rows[:-1], replace(rows[-1], cause=f"nothing to extrapolate: {error}")]
    return rows + _extrapolated_rows(rows[-1], values[0], found)


def _extrapolated_rows(fine: Row, value: float, found: GridConvergence) -> list[Row]:
    at_rest = fine.spin_ratio == 0.0
    published = [known for known in AT_REST if (known.quantity, known.reynolds) == (fine.quantity, REYNOLDS)]
    plain = replace(fine, ours_se=None, level="three meshes", cells=None)
    extrapolated = replace(
        plain, ours=found.extrapolated, ours_se=abs(found.extrapolated - value), level=EXTRAPOLATED
    )
    rows = [
        replace(
            extrapolated, published=known.value, source=known.source, mark=known.mark, goal_pct=known.goal_pct
        )
        for known in published
        if at_rest
    ]
    return [
        *(rows or [extrapolated]),
        replace(
            plain, quantity=f"{fine.quantity}_order", ours=found.order, published=FORMAL_ORDER,
            source="formal order of the schemes", mark="computed", goal_pct=ORDER_GOAL_PCT,
        ),
        replace(plain, quantity=f"{fine.quantity}_gci_pct", ours=100.0 * found.gci, source=CELIK),
    ]  # fmt: skip


def domain(bench: Bench) -> list[Row]:
    """Drag and lift with the far boundary at half the usual distance, there, and at twice the distance."""
    pairs = domain_flows()
    outcomes = bench.compute([flow for pair in pairs for flow in pair])
    rows: list[Row] = []
    for place, names in ((0, ("cd",)), (1, ("cd", "cl"))):
        *near, far = (pair[place] for pair in pairs)
        if far not in outcomes:
            continue
        for flow in near:
            goal = FAR_GOAL_PCT if flow.mesh.far_radius == FAR_RADIUS else None
            source = f"our run with the far boundary at {far.mesh.far_radius:.0f} D (not published)"
            for name in names if flow in outcomes else ():
                row = value_row(
                    outcomes[flow], name, value_of(outcomes[far], name)[0], source, "computed", goal
                )
                rows.append(
                    replace(row, condition=f"{row.condition}, far boundary at {flow.mesh.far_radius:.0f} D")
                )
    return rows
