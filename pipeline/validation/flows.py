"""Flows to compute for verification: a ball, its mesh, a model, Reynolds number and spin ratio."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypedDict

import numpy as np

from pipeline.flow.solver.case import templates_digest
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry.shell.mesh import FAR_RADIUS, PHANTOM_RADIUS, Level, Shell, build_shell
from pipeline.records.flow import RunInputs, StandardErrors
from pipeline.records.geometry import FlowTotals
from pipeline.validation.rows import Row


class FlowOptions(TypedDict, total=False):
    """Entries of a run's spec that flows set: its ceiling, its targets, its boundary layer, its time step."""

    iterations: int
    standard_error: dict[str, float]
    boundary_layer: str
    courant: float


NEVER = {"cd": -1.0, "cl": -1.0}
"""Target standard errors that let a run go on to its end."""


@dataclass(frozen=True)
class Ball:
    """A ball by name.

    Attributes
    ----------
    name : str
        Of its folder.
    shell : callable
        Gives its solver mesh for a `Mesh`.
    totals : FlowTotals
        Depth and edge angle of its dimples.
    diameter_m : float
        Of the phantom sphere.
    chord_m : float or None
        Mean chord diameter of its dimples; None for a sphere.
    """

    name: str
    shell: Callable[["Mesh"], Shell] = field(compare=False)
    totals: FlowTotals = field(compare=False)
    diameter_m: float = 0.0427
    chord_m: float | None = None


@dataclass(frozen=True)
class Mesh:
    """How a ball is meshed.

    Attributes
    ----------
    ball : Ball
        The ball.
    level : Level
        Resolution.
    first_cell : float
        Height of the first cell in diameters.
    mirrored : bool
        Whether only the half with y >= 0 is meshed.
    far_radius : float
        Radius of the outer boundary in diameters.
    """

    ball: Ball
    level: Level
    first_cell: float
    mirrored: bool = False
    far_radius: float = FAR_RADIUS

    @property
    def level_name(self) -> str:
        """Resolution in words: quadrilaterals along a cube edge x layers, and what else makes a level."""
        wall = f"w{self.level.wall_layers}" if self.level.wall_layers else ""
        coarser = "".join(f"c{layer}" for layer in self.level.coarsen_at)
        return f"{self.level.n}x{self.level.layers}{wall}{coarser}"

    @property
    def folder(self) -> str:
        """Its folder below the results."""
        half = "-half" if self.mirrored else ""
        sizes = f"first{self.first_cell:.4g}-far{self.far_radius:.4g}"
        return f"geometry/{self.ball.name}/{self.level_name}{half}-{sizes}"

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.level.cells // 2 if self.mirrored else self.level.cells

    @property
    def totals(self) -> FlowTotals:
        """Content of its totals.json: that of the ball, and the cells across a dimple."""
        width, chord = self.level.cell_width(self.ball.diameter_m), self.ball.chord_m
        across = None if chord is None else chord / width
        return self.ball.totals.changed(cells_across_dimple=across)


@dataclass(frozen=True)
class Flow:
    """One flow to compute.

    Attributes
    ----------
    mesh : Mesh
        Ball and mesh.
    fidelity : str
        Name of the model.
    reynolds, spin_ratio : float
        The flow.
    starts_from : Flow or None
        Flow on the same mesh whose final state it starts from; from rest for None.
    options : FlowOptions
        Entries of the run's spec other than `run_spec`'s, for instance iterations or standard_error.
    label : str
        Sets it apart from another flow that differs in its options or its start alone.
    """

    mesh: Mesh
    fidelity: str
    reynolds: float
    spin_ratio: float
    starts_from: "Flow | None" = None
    options: FlowOptions = field(default_factory=FlowOptions, hash=False)
    label: str = ""

    @property
    def run_id(self) -> str:
        """Its folder below the results."""
        place = self.mesh.folder.removeprefix("geometry/")
        label = f"-{self.label}" if self.label else ""
        return f"runs/{place}/{self.fidelity}-re{self.reynolds:g}/s{self.spin_ratio:g}{label}"

    def spec(self) -> RunInputs:
        """Its spec.json."""
        start = None if self.starts_from is None else self.starts_from.run_id
        spec = run_spec(self.run_id, self.mesh.folder, self.fidelity, self.reynolds, self.spin_ratio)
        return spec.changed(
            pattern=self.mesh.ball.name,
            level=self.mesh.level_name,
            starts_from=start,
            templates=templates_digest(fidelity(self.fidelity)),
            ball_diameter_m=self.mesh.ball.diameter_m,
            **self.options,
        )


def row_of(
    flow: Flow, quantity: str, ours: float, ours_se: float | None = None, what: str = "", **rest: Any
) -> Row:
    """Row of a computed flow.

    Parameters
    ----------
    flow : Flow
        Gives the condition, the mesh and the columns for plots.
    quantity, ours, ours_se
        As for `Row`.
    what : str
        What else the condition says, such as the ball.
    **rest
        More attributes of `Row`; they come before those of the flow.
    """
    condition = f"Re {flow.reynolds:g}, S {flow.spin_ratio:g}" + (f", {what}" if what else "")
    of_flow: dict[str, Any] = {
        "level": flow.mesh.level_name, "reynolds": flow.reynolds, "spin_ratio": flow.spin_ratio,
        "cells": flow.mesh.cells,
    }  # fmt: skip
    return Row(quantity, condition, ours, ours_se, **(of_flow | rest))


def run_spec(run_id: str, geometry: str, fidelity_name: str, reynolds: float, spin_ratio: float) -> RunInputs:
    """Return a run's spec.json as `pipeline.flow.campaign.prepare` writes it, with plain settings."""
    return RunInputs(
        run=run_id,
        pattern=Path(geometry).name,
        variant=Path(geometry).name,
        geometry=geometry,
        reynolds=reynolds,
        spin_ratio=spin_ratio,
        fidelity=fidelity_name,
        level="test",
        iterations=600,
        standard_error=StandardErrors(cd=5e-4, cl=5e-4),
        starts_from=None,
        templates="test",
        boundary_layer="turbulent",
        trip_angle_rad=None,
        ball_diameter_m=0.0427,
    )


def sphere_shell(mesh: Mesh) -> Shell:
    """Shell around a smooth sphere."""
    return build_shell(
        lambda u: np.full(len(u), PHANTOM_RADIUS), mesh.level, mesh.first_cell, mesh.mirrored, mesh.far_radius
    )


SPHERE = Ball("sphere", sphere_shell, FlowTotals(depth_m=0.0, edge_angle_deg=0.0))
