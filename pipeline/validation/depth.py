"""Smallest difference of depth that the computed forces resolve, with and without paired meshes."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.dimpled import MIDDLE, dimpled_ball, dimpled_row, tripped
from pipeline.validation.flows import Flow, FlowOptions, row_of
from pipeline.validation.rows import Row

DEPTHS_M = {
    "coarse": (1.8e-4, 2.0e-4, 2.2e-4, 2.5e-4),
    "medium": (2.0e-4, 2.2e-4, 2.5e-4),
    "fine": (2.0e-4, 2.2e-4, 2.5e-4),
}
"""Steps of 0.02 and 0.03 mm, which make the 0.05 mm of a usual search."""

JITTERED_DEPTHS_M = (2.0e-4, 2.5e-4)
JITTERED_MESHES = 4

TARGETS: FlowOptions = {"standard_error": {"cd": 2e-4, "cl": 5e-4}, "iterations": 1500}
"""Well below the differences looked for."""


def paired_flows(level: str) -> dict[float, Flow]:
    """Flows of one level on one grid, each depth from the state of the shallower one."""
    found: dict[float, Flow] = {}
    start: Flow | None = None
    for depth in DEPTHS_M[level]:
        flow = tripped(dimpled_ball(depth), *MIDDLE, start, level, **TARGETS)
        found[depth] = start = replace(flow, label="paired")
    return found


def jittered_flows() -> dict[float, list[Flow]]:
    """Flows on the coarse level, each on a grid that is turned by an angle of its own."""
    width = np.pi / 2 / 40  # of a cell along the equator of the coarse grid
    turns = np.random.default_rng(20).uniform(0.0, width, (len(JITTERED_DEPTHS_M), JITTERED_MESHES))
    return {
        depth: [
            tripped(dimpled_ball(depth, float(turn)), *MIDDLE, **TARGETS) for turn in row
        ]
        for depth, row in zip(JITTERED_DEPTHS_M, turns, strict=True)
    }  # fmt: skip


def paired(bench: Bench, levels: tuple[str, ...] = ("coarse", "medium")) -> list[Row]:
    """Differences of drag and lift between neighbouring depths on one grid, level by level."""
    rows: list[Row] = []
    for level in levels:
        flows = paired_flows(level)
        outcomes = bench.compute(flows.values())
        steps = [*pairwise(DEPTHS_M[level]), (2.0e-4, 2.5e-4)]
        for shallow, deep in dict.fromkeys(steps):
            if deep in flows and flows[shallow] in outcomes and flows[deep] in outcomes:
                rows += _difference(outcomes[flows[shallow]], outcomes[flows[deep]], shallow, deep)
    return rows


def paired_fine(bench: Bench) -> list[Row]:
    """The same on the fine mesh."""
    return paired(bench, ("fine",))


def jittered(bench: Bench) -> list[Row]:
    """Scatter of drag and lift between grids, and the error that an unpaired difference has from it."""
    flows = jittered_flows()
    outcomes = bench.compute([flow for row in flows.values() for flow in row])
    shallow, deep = ([outcomes[flow] for flow in flows[depth] if flow in outcomes] for depth in flows)
    if min(len(shallow), len(deep)) < 2:
        return []
    rows = []
    for quantity in ("cd", "cl"):
        low, high = (
            np.array([outcome.result.coefficient(quantity)[0] for outcome in side])
            for side in (shallow, deep)
        )
        scatter = float(np.sqrt(0.5 * (low.var(ddof=1) + high.var(ddof=1))))
        rows.append(dimpled_row(shallow[0], f"{quantity}_mesh_scatter", scatter, None))
        rows.append(
            _step_row(
                shallow[0], f"{quantity}_step_unpaired", float(high.mean() - low.mean()),
                np.sqrt(2.0) * scatter, *JITTERED_DEPTHS_M,
            )
        )  # fmt: skip
    return rows


def _difference(first: Outcome, second: Outcome, shallow: float, deep: float) -> list[Row]:
    rows = []
    for quantity in ("cd", "cl"):
        (before, error), (after, more) = (of.result.coefficient(quantity) for of in (first, second))
        step, both = after - before, float(np.hypot(error, more))
        rows.append(_step_row(second, f"{quantity}_step", step, both, shallow, deep))
    return rows


def _step_row(
    outcome: Outcome, quantity: str, value: float, error: float, shallow: float, deep: float
) -> Row:
    return row_of(outcome.flow, quantity, value, error, f"{shallow * 1e3:.2f} to {deep * 1e3:.2f} mm")
