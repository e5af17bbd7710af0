"""Observed order, extrapolated values and remaining errors of a dimpled ball on three meshes."""

from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.depth import DEPTHS_M, paired_flows
from pipeline.validation.dimpled import (
    DEPTH_M,
    GOAL_PCT,
    beside_fits,
    dimpled_row,
    published_rows,
)
from pipeline.validation.flows import Flow
from pipeline.validation.grid_convergence import FORMAL_ORDER, grid_convergence
from pipeline.validation.rows import Row


def level_flows() -> list[Flow]:
    """The conventional ball at each mesh level, coarse first: flows of `depth`, whose targets are tight."""
    return [paired_flows(level)[DEPTH_M] for level in DEPTHS_M]


def levels(bench: Bench) -> list[Row]:
    """Observed order, extrapolated value and grid convergence index of drag and lift on three meshes."""
    flows = level_flows()
    outcomes = bench.compute(flows)
    if len(outcomes) < len(flows):
        return []
    rows = [row for flow in flows for row in published_rows(outcomes[flow])]
    for quantity in GOAL_PCT:
        values = [outcomes[flow].result.coefficient(quantity)[0] for flow in reversed(flows)]
        sizes = [1.0 / flow.mesh.level.n for flow in reversed(flows)]
        rows += _convergence_rows(outcomes[flows[-1]], quantity, values, sizes)
    return rows


def _convergence_rows(fine: Outcome, quantity: str, values: list[float], sizes: list[float]) -> list[Row]:
    (h1, h2, h3), (phi1, phi2, phi3) = sizes, values
    try:
        found = grid_convergence((h1, h2, h3), (phi1, phi2, phi3), FORMAL_ORDER)
    except ValueError as none:
        # No order can be observed: the fine mesh's value stands, with what the meshes differ by.
        spread = max(values) - min(values)
        cause = f"no extrapolation: {none}"
        return [dimpled_row(fine, f"{quantity}_spread_of_meshes", spread, None, cause=cause)]
    rows = [
        dimpled_row(fine, f"{quantity}_order", found.order, None, level="extrapolated"),
        dimpled_row(fine, f"{quantity}_gci_pct", 100.0 * found.gci, None, level="extrapolated"),
    ]
    error = abs(found.extrapolated) * found.gci / 2.0
    return rows + beside_fits(fine, quantity, found.extrapolated, error, level="extrapolated")
