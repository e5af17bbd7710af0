"""A small study for tests of the commands, and the result of one of its runs."""

from typing import Any

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


def run_record(**changes: Any) -> dict[str, Any]:
    """A settled run's run.json, with changes; its numbers are invented."""
    return {
        "run": "runs/ico32/d0.200mm/re90000/s0.100", "pattern": "ico32", "depth_m": 2e-4,
        "edge_angle_deg": 12.0, "reynolds": 9e4, "spin_ratio": 0.1, "cd": 0.25, "cd_se": 0.001, "cl": 0.15,
        "cl_se": 0.002, "cm": -0.001, "cm_se": 1e-5, "verdict": "settled", "reason": "",
        "fidelity": "steady-rans", "cells": 1000, "yplus_max": 0.9, "iterations": 240, "core_seconds": 60.0,
        "solver": "invented",
    } | changes  # fmt: skip


FAILED = dict.fromkeys(("cd", "cd_se", "cl", "cl_se", "cm", "cm_se"))
"""Changes of a run without numbers, besides its verdict."""
