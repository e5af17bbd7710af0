"""A conventional dimpled ball against published drag and lift, and on three meshes."""

from dataclasses import replace
from functools import cache, partial
from typing import Any, Unpack

import numpy as np

from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.shell.mesh import Shell
from pipeline.records.geometry import FlowTotals
from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.flows import Ball, Flow, FlowOptions, Mesh, row_of
from pipeline.validation.published_dimpled import BANDS, FITS
from pipeline.validation.rows import Row

DIAMETER_M = 0.0427
COUNT, CHORD_M, LAND_M = 332, 0.00358, 1e-4

DEPTH_M = 2.0e-4
"""Of the conventional ball: k/d = 4.7e-3, in the middle of what is made (0.1 to 0.3 mm: common practice, no
source)."""

MODEL = "steady-rans"
HIGHEST_REYNOLDS = 2.1e5
"""For the first cell; all flows share a mesh."""

TRUTH = tuple((reynolds, s) for reynolds in (9e4, 1.5e5, 2.0e5) for s in (0.0, 0.1, 0.2))
MIDDLE = (1.5e5, 0.1)
"""The flow whose meshes, depths, grids and orientations are compared."""

GOAL_PCT = {"cd": 5.0, "cl": 10.0}

TARGETS: FlowOptions = {"standard_error": {"cd": 0.001, "cl": 0.003}, "iterations": 1500}


@cache
def layout() -> Layout:
    """Positions of the conventional ball's dimples."""
    return spread_layout("icosahedral", COUNT, CHORD_M, LAND_M, DIAMETER_M, seed=1, mirror=True)


def dimpled_ball(depth_m: float, grid_turn: float = 0.0, orientation: str = "pole-up") -> Ball:
    """Conventional ball of some depth.

    Parameters
    ----------
    depth_m : float
        Surface depth [m].
    grid_turn : float
        Angle by which the mesh is turned about the axis of backspin [rad].
    orientation : str
        As for `pipeline.geometry.build.solver_shell`.

    Returns
    -------
    Ball
        With its mesh in that orientation; half of it where the flow has a plane of symmetry.
    """
    name = f"dimpled-{depth_m * 1e3:.3f}mm"
    name += f"-turned{np.degrees(grid_turn):.3f}" if grid_turn else ""
    name += f"-{orientation}" if orientation != "pole-up" else ""
    shell = partial(_shell, depth_m=depth_m, grid_turn=grid_turn, orientation=orientation)
    chord = CHORD_M if depth_m else None
    return Ball(name, shell, FlowTotals(depth_m=depth_m, edge_angle_deg=0.0), DIAMETER_M, chord)


def _shell(mesh: Mesh, depth_m: float, grid_turn: float, orientation: str) -> Shell:
    dimples = smooth_layout() if depth_m == 0.0 else layout()
    ball = DimpledBall(dimples, np.full(len(dimples.directions), depth_m), DIAMETER_M)
    whole = not mesh.mirrored
    return solver_shell(ball, mesh.level, mesh.first_cell, whole, orientation, grid_turn)


def mesh_of(ball: Ball, level: str = "coarse", mirrored: bool = True) -> Mesh:
    """Mesh of a ball at a level of steady-rans."""
    model = FIDELITIES[MODEL]
    return Mesh(ball, model.level(level), model.first_cell(HIGHEST_REYNOLDS), mirrored)


def tripped(
    ball: Ball, reynolds: float, spin_ratio: float, start: Flow | None = None, level: str = "coarse",
    **options: Unpack[FlowOptions],
) -> Flow:  # fmt: skip
    """Flow whose boundary layer is tripped where the criterion says."""
    settings = TARGETS | {"boundary_layer": "tripped"} | options
    return Flow(mesh_of(ball, level), MODEL, reynolds, spin_ratio, start, settings)


def tripped_flows() -> list[Flow]:
    """All tripped flows of the validation table, on the coarse mesh, spins from low to high."""
    flows: list[Flow] = []
    ball = dimpled_ball(DEPTH_M)
    for reynolds, spin_ratio in TRUTH:
        same = [flow for flow in flows if flow.reynolds == reynolds]
        flows.append(tripped(ball, reynolds, spin_ratio, same[-1] if same else None))
    return flows


def turbulent_flows() -> list[Flow]:
    """The flows of the validation table without a trip, each from the tripped one."""
    return [
        replace(
            flow, starts_from=flow, options=flow.options | {"boundary_layer": "turbulent"}, label="turbulent"
        )
        for flow in tripped_flows()
    ]


def turbulent_part(bench: Bench) -> list[Row]:
    """Drag and lift without a trip against published fits and values."""
    rows = _rows(bench, turbulent_flows())
    return [replace(row, condition=f"{row.condition}, no trip") for row in rows]


def tripped_part(bench: Bench) -> list[Row]:
    """Drag and lift of the conventional ball against published fits and values."""
    return _rows(bench, tripped_flows())


def _rows(bench: Bench, flows: list[Flow]) -> list[Row]:
    """Rows of all flows, and the root mean square of their errors (`Fidelity.model_error`)."""
    rows = [row for outcome in bench.compute(flows).values() for row in published_rows(outcome)]
    for quantity in GOAL_PCT:
        errors = [row.error_pct for row in rows if row.quantity == quantity and row.error_pct is not None]
        if errors:
            rms = float(np.sqrt(np.mean(np.square(errors))))
            rows.append(Row(f"{quantity}_error_rms_pct", f"{len(errors)} comparisons", rms))
    return rows


def published_rows(outcome: Outcome) -> list[Row]:
    """Rows of one flow against everything published for it."""
    reynolds, s = outcome.flow.reynolds, outcome.flow.spin_ratio
    rows = []
    for quantity in GOAL_PCT:
        rows += beside_fits(outcome, quantity, *outcome.result.coefficient(quantity))
    rows += [
        dimpled_row(
            outcome, "cd", *outcome.result.coefficient("cd"),
            published=band.value, source=band.source, mark=band.mark, goal_pct=GOAL_PCT["cd"],
        )
        for band in BANDS
        if band.lowest <= reynolds <= band.highest and s == 0.0
    ]  # fmt: skip
    return rows


def beside_fits(outcome: Outcome, quantity: str, value: float, error: float | None, **rest: Any) -> list[Row]:
    """Rows of a value of a dimpled flow beside each published fit that covers the flow."""
    rows = []
    for fit in FITS:
        expected = fit.value(quantity, outcome.flow.reynolds, outcome.flow.spin_ratio)
        if expected is not None:
            row = dimpled_row(
                outcome, quantity, value, error,
                published=expected, source=fit.source, mark=fit.mark, goal_pct=GOAL_PCT[quantity], **rest,
            )  # fmt: skip
            rows.append(row)
    return rows


def dimpled_row(outcome: Outcome, quantity: str, value: float, error: float | None, **rest: Any) -> Row:
    """Row of a dimpled flow; the rest as for `pipeline.validation.flows.row_of`."""
    return row_of(outcome.flow, quantity, value, error, outcome.flow.mesh.ball.name, **rest)
