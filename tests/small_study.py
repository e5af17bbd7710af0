"""Small studies for tests of the commands, and the result of a run."""

from typing import Any

from pipeline.records.flow import RunResult

SMALL = """\
name: small
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 3.58 mm}
    depths: [0.15 mm, 0.20 mm]
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""

LAMINAR = """\
name: NAME
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: ico
    layout: {symmetry: icosahedral, count: 32, mirror: true}
    cavity: {chord_diameter: 6 mm}
    depths: [DEPTHS]
flow:
  fidelity: laminar
  level: coarse
  reynolds: [REYNOLDS]
  spin_ratios: [SPIN_RATIOS]
  standard_error: {cd: 0.01, cl: 0.01}
golfers:
  - name: one
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


def laminar_study(
    name: str, depths: str = "0.4 mm, 0.5 mm", reynolds: str = "60", spin_ratios: str = "0.1"
) -> str:
    """Text of a study whose flows take seconds, with the solver or with the stub of it."""
    text = LAMINAR.replace("NAME", name).replace("DEPTHS", depths)
    return text.replace("REYNOLDS", reynolds).replace("SPIN_RATIOS", spin_ratios)


def run_record(**changes: Any) -> dict[str, Any]:
    """A settled run's run.json, with changes; its numbers are invented."""
    return {
        "run": "runs/ico32/d0.200mm/re90000/s0.100", "pattern": "ico32", "depth_m": 2e-4,
        "edge_angle_deg": 12.0, "reynolds": 9e4, "spin_ratio": 0.1, "cd": 0.25, "cd_se": 0.001, "cl": 0.15,
        "cl_se": 0.002, "cm": -0.001, "cm_se": 1e-5, "verdict": "settled", "reason": "",
        "fidelity": "steady-rans", "cells": 1000, "yplus_max": 0.9, "iterations": 240, "core_seconds": 60.0,
        "solver": "invented",
    } | changes  # fmt: skip


def run_result(**changes: Any) -> RunResult:
    """The same as a record."""
    return RunResult.model_validate(run_record(**changes))


FAILED = dict.fromkeys(("cd", "cd_se", "cl", "cl_se", "cm", "cm_se"))
"""Changes of a run without numbers, besides its verdict."""
