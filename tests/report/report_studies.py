"""Studies with invented results for the report: real geometry, coefficients of a published fit with a planted
depth effect, real flights and decisions."""

import json
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.aero.collect import collect, write_coefficients
from pipeline.aero.export import origin_lines, write_tables
from pipeline.aero.published import smits_smith_1994
from pipeline.decide.flights.station import flights_table, write_flights
from pipeline.decide.station import decide_study, write_decision
from pipeline.files.atomic import write_json, write_text
from pipeline.flow.campaign.prepare import prepare
from pipeline.geometry import build
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.layout.file import write_layout
from pipeline.geometry.tooling.skin import skin, write_skin
from pipeline.records import tree
from pipeline.records.geometry import BallTotals, VariantInputs
from pipeline.records.record import read, write
from pipeline.study.file import load_study
from pipeline.study.matrix import RunSpec, runs, variants
from pipeline.study.model import Study
from pipeline.study.points import RunPoint

HOSTILE_ABOUT = "<script>alert('about')</script> & <b>bold</b>"
HOSTILE_GOLFER = "</p><img src=x> $10 & up"

TWO_PATTERNS = f"""
name: invented
about: "{HOSTILE_ABOUT}"
ball: {{diameter: 42.70 mm, mass: 46.5 g}}
patterns:
  - name: ico32
    layout: {{symmetry: icosahedral, count: 32}}
    cavity: {{chord_diameter: 4 mm}}
    depths: [0.15 mm, 0.20 mm, 0.25 mm, 0.30 mm]
  - name: oct14
    layout: {{symmetry: octahedral, count: 14}}
    cavity: {{chord_diameter: 5 mm}}
    edge_angles: [8 deg, 12 deg]
flow:
  {{fidelity: transient-rans, level: coarse, boundary_layer: turbulent, reynolds: [9e4, 1.8e5],
   spin_ratios: [0.08, 0.20]}}
golfers:
  - name: "{HOSTILE_GOLFER}"
    launch: {{ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}}
    flight_window: {{lowest: 25 m, highest: 38 m}}
  - name: "NA"
    launch: {{ball_speed: 120 mph, launch_angle: 14 deg, backspin: 3000 rpm, axis_tilt: 2 deg}}
"""

ONE_PATTERN = """
name: small
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 4 mm}
    depths: [0.15 mm, 0.20 mm, 0.25 mm]
flow:
  {fidelity: transient-rans, level: coarse, boundary_layer: turbulent, reynolds: [9e4, 1.8e5],
   spin_ratios: [0.08, 0.20]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""

NUMBERS = ("cd", "cd_se", "cl", "cl_se", "cm", "cm_se")


class Results(NamedTuple):
    """A study and its results folder."""

    study: Study
    folder: Path


def make_results(
    folder: Path,
    text: str,
    change: Callable[[RunSpec, dict[str, Any]], dict[str, Any] | None],
    points: Sequence[RunPoint] | None = None,
) -> Results:
    """Write the results of a study; `change` may alter a run's run.json, or drop it by returning None.

    With `points` the runs lie there instead of on the study's grid.
    """
    file = folder / "study.yaml"
    folder.mkdir(parents=True, exist_ok=True)
    file.write_text(text)
    study = load_study(file).with_points(points)
    results = folder / "results"
    write_text(results / tree.STUDY_FILE, text)
    prepare(study, results)
    balls = {}
    for pattern in study.patterns:
        at = results / "geometry" / pattern.name
        write_layout(at / tree.LAYOUT, build.make_layout(build.read_layout_spec(at)))
    for variant in variants(study):
        at = results / "geometry" / variant.pattern / variant.key
        ball = build.make_ball(build.load_layout(at.parent), read(at / tree.SPEC, VariantInputs))
        balls[variant.pattern, variant.key] = totals(ball)
        write(at / tree.TOTALS, totals(ball))
        write_skin(at / tree.SKIN_PLY, skin(ball, 24))
    for run in runs(study):
        found = change(run, invented_run(run, balls[run.pattern, run.variant_key]))
        if found is not None:
            write_json(results / run.run_id / "run.json", found)
    decide(Results(study, results))
    return Results(study, results)


def invented_run(run: RunSpec, geometry: BallTotals) -> dict[str, Any]:
    """run.json with the Smits & Smith fit [memory] and a planted drag minimum at 0.22 mm, oct14 worse."""
    fit = smits_smith_1994(run.reynolds, run.spin_ratio)
    depth_m = geometry.depth_m or 0.0
    off = (depth_m - 0.22e-3) / 0.1e-3
    return {
        "pattern": run.pattern,
        "depth_m": depth_m,
        "edge_angle_deg": geometry.edge_angle_deg,
        "reynolds": run.reynolds,
        "spin_ratio": run.spin_ratio,
        "cd": float(fit.cd) + 0.01 * off**2 + (0.01 if run.pattern == "oct14" else 0.0),
        "cd_se": 0.0004,
        "cl": float(fit.cl),
        "cl_se": 0.0008,
        "cm": -0.0006,
        "cm_se": 0.00002,
        "verdict": "settled",
        "fidelity": "transient-rans",
        "boundary_layer": "turbulent",
        "cells": 123456,
        "yplus_max": 0.91,
        "iterations": 177,
        "core_seconds": 450.0,
        "solver": "OpenFOAM 1912",
        "run": run.run_id,
        "warnings": [],
        "reason": "",
        "started_at": "2025-02-03T22:00:00+00:00",
    }


def failed(run: dict[str, Any], verdict: str, reason: str) -> dict[str, Any]:
    """Turn a run.json into that of a run that failed."""
    return run | dict.fromkeys(NUMBERS) | {"verdict": verdict, "reason": reason, "yplus_max": None}


def with_faults(run: RunSpec, found: dict[str, Any]) -> dict[str, Any] | None:
    """Results of a study of `TWO_PATTERNS`: one run diverged, one is noisy, one is missing."""
    if run.run_id == "runs/ico32/d0.250mm/re90000/s0.200":
        return failed(found, "diverged", "Cd beyond its bound at iteration 57")
    if run.run_id == "runs/ico32/d0.300mm/re90000/s0.200":
        return found | {"verdict": "noisy", "cd_se": 0.0042, "warnings": ["started cold: <no state> left"]}
    if run.run_id == "runs/oct14/e12.00deg/re90000/s0.200":
        return None
    return found


def decide(results: Results) -> None:
    """Write coefficients, flights and decision from the run.json files that are there."""
    study, folder = results
    frame = collect(folder, [run.run_id for run in runs(study)])
    write_coefficients(frame, folder / "coefficients.csv")
    decided = decide_study(study, frame)
    write_flights(flights_table(study, decided.flown.every), folder / "flights.csv")
    write_tables(decided.flown.models, folder, origin_lines(study, frame))
    write_decision(folder, decided.decision)


def copy_results(results: Results, folder: Path) -> Results:
    """Copy a results folder, to be spoilt."""
    shutil.copytree(results.folder, folder)
    return Results(results.study, folder)


def change_run(results: Results, part: str, change: Callable[[dict[str, Any]], dict[str, Any]]) -> int:
    """Alter the run.json of every run whose identifier contains `part`; return how many."""
    count = 0
    for run in runs(results.study):
        path = results.folder / run.run_id / "run.json"
        if part in run.run_id:
            write_json(path, change(json.loads(path.read_text())))
            count += 1
    return count
