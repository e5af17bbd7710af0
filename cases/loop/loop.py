"""Plays the loop of README.md: compute, cut, fire, correct, decide. All data are invented; no ball was fired.

python cases/loop/loop.py [OUT]      everything goes below OUT, results/loop-case when absent
"""

import csv
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from pipeline.aero.collect import read_coefficients
from pipeline.aero.model import CoefficientModel
from pipeline.aero.patterns import models_from_coefficients
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.aero.table_file import write_table
from pipeline.cli.range import reduce_range, simulate_range
from pipeline.cli.shelf import Given, add
from pipeline.cli.study_input import read_study
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.value import outside_cost
from pipeline.files.atomic import write_json, write_text
from pipeline.flight.trajectory import Launches, fly
from pipeline.flow.campaign.prepare import prepare
from pipeline.records.decision import Decision
from pipeline.records.record import read
from pipeline.records.tree import COEFFICIENTS, DECISION, RESULT
from pipeline.study.matrix import runs
from pipeline.study.model import Study

HERE = Path(__file__).parent
REFERENCES = (("old392", 0.20), ("old252", 0.20))
"""Balls of earlier years, and their depths [mm]."""

MOST_FIRED = 4
"""Prototypes of the short list that are moulded."""

LIFT, DRAG, DEPTH, MIDDLE_M = 1.2, 0.9, 1.3, 2.0e-4
"""The truth against the computation: lift, drag, the effect of depth, and the depth about which it grows."""

PLACE = "range L"
"""An invented range."""
RE, S = np.geomspace(6.0e4, 2.25e5, 12), np.linspace(0.03, 0.42, 14)


class Story(NamedTuple):
    """Pattern and depth named before and after, with what they are worth in truth, and the best one."""

    before: tuple[str, float, float]
    after: tuple[str, float, float]
    best: tuple[str, float, float]
    carry_after_m: float
    decision: Decision


def computed(out: Path, study: Study) -> Path:
    """Put the tracked coefficients in the place of flows and decide; return the results folder."""
    results = out / "results" / study.name
    prepare(study, results)
    with open(HERE / "coefficients.csv", encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    known = {
        (row["pattern"], float(row["depth_mm"]), float(row["reynolds"]), float(row["spin_ratio"])): row
        for row in rows
    }
    for run in runs(study):
        depth = float(run.variant_key.strip("dm"))
        row = known[run.pattern, depth, run.reynolds, run.spin_ratio]
        write_json(results / run.run_id / RESULT, _record(run.run_id, depth, row))
    for station in ("coefficients", "decision"):
        play(results, station)
    return results


def play(results: Path, station: str) -> None:
    """Run one station of the line in a results folder, as the workflow does."""
    # Small matrices: threads of the linear algebra would only wait for each other.
    environment = os.environ | {"PYTHONPATH": str(HERE.parents[1]), "OMP_NUM_THREADS": "1"}
    subprocess.run(
        [sys.executable, "-m", "pipeline.workflow.stations", station],
        cwd=results, check=True, env=environment,
    )  # fmt: skip


def _record(run_id: str, depth_mm: float, row: dict[str, str]) -> dict[str, Any]:
    return {
        "run": run_id, "pattern": row["pattern"], "depth_m": 1e-3 * depth_mm, "edge_angle_deg": None,
        "reynolds": float(row["reynolds"]), "spin_ratio": float(row["spin_ratio"]), "cd": float(row["cd"]),
        "cd_se": 0.0005, "cl": float(row["cl"]), "cl_se": 0.001, "cm": -0.001, "cm_se": 1e-5,
        "verdict": "settled", "reason": "", "fidelity": "transient-rans", "cells": 0, "yplus_max": 1.0,
        "iterations": 0, "core_seconds": 0.0, "solver": "invented",
    }  # fmt: skip


def true_table(model: CoefficientModel, depth_m: float) -> CoefficientTable:
    """Coefficients that balls of a depth have in truth."""
    re, s = RE[:, None], S[None, :]
    here, middle = (of.at(re, s) for of in model.tables([depth_m, min(MIDDLE_M, model.depth_m[-1])]))
    cd = DRAG * (middle.cd + DEPTH * (here.cd - middle.cd))
    return CoefficientTable(RE, S, cd, LIFT * (middle.cl + DEPTH * (here.cl - middle.cl)))


def worth_m(study: Study, tables: Sequence[CoefficientTable]) -> np.ndarray:
    """What balls are worth to the golfer in truth: carry less what leaving the flight window costs."""
    golfer, shots = study.golfers[0], draw_shots(study.golfers[0], 128, SEED).as_array()
    batch, n = TableBatch.of(tables), len(shots)
    flown = fly(
        batch, np.repeat(np.arange(len(tables)), n), Launches(*np.tile(shots, (len(tables), 1)).T),
        scenarios_of(study)[0].conditions,
    )  # fmt: skip
    carry, peak, descent = (
        of.reshape(-1, n).mean(axis=1) for of in (flown.carry_m, flown.peak_height_m, flown.descent_rad)
    )
    return np.asarray(carry - outside_cost(golfer.flight_window, peak, descent))


def fired(out: Path, truth: dict[tuple[str, float], CoefficientTable], balls: int) -> list[str]:
    """Fire balls down the invented range, reduce, put them on the shelf; return their names there."""
    files = []
    for (pattern, depth_mm), table in truth.items():
        file = out / "truth" / f"{pattern}-{depth_mm:.3f}mm.csv"
        write_table(table, file, ["INVENTED: what a simulated ball does"])
        files.append(file)
    simulate_range(
        out / "firings.csv", "screens", files, balls, 1, 0, "31 38 48 60 72", "2000 2800 3800", 0.02, False, 4
    )
    launch = {"--speed": "165 mph", "--angle": "11 deg", "--spin": "2700 rpm"}
    reduce_range([out / "firings.csv"], None, None, None, launch, out / "reduction", False)
    given = Given(PLACE, None, None, None, None, "5 %", "2026", "INVENTED, simulated by cases/loop")
    add(out / "reduction", out / "shelf", given, True, False)
    return sorted(path.stem for path in (out / "shelf").glob("*.csv"))


def main(out: Path, balls: int = 6) -> Story:
    """Play the whole loop below `out` and print it."""
    out.mkdir(parents=True, exist_ok=True)
    shutil.copy(HERE / "study.yaml", out / "study.yaml")
    study = read_study(out / "study.yaml")
    results = computed(out, study)
    models, _ = models_from_coefficients(read_coefficients(results / COEFFICIENTS))
    product = _product(results)
    named = product["pattern"], float(product["depth_m"])
    listed = product["short_list"][:MOST_FIRED]
    wanted = [(of["pattern"], round(1e3 * of["depth_m"], 3)) for of in listed]
    wanted = list(dict.fromkeys([*wanted, *REFERENCES]))
    truth = {(name, depth): true_table(models[name], 1e-3 * depth) for name, depth in wanted}
    names = fired(out, truth, balls)
    text = (out / "study.yaml").read_text() + f"\nshelf: shelf\nmeasured: [{', '.join(names)}]\n"
    text += f"references: [{', '.join(name for name in names if name.startswith('old'))}]\n"
    write_text(out / "corrected.yaml", text)
    study = read_study(out / "corrected.yaml")
    prepare(study, results)
    for station in ("decision", "report"):
        play(results, station)
    every = [(name, depth) for name, of in models.items() for depth in np.linspace(*of.depth_m[[0, -1]], 41)]
    value = worth_m(study, [true_table(models[name], depth) for name, depth in every])
    after = _product(results)
    places = [named, (after["pattern"], float(after["depth_m"]))]
    of = worth_m(study, [true_table(models[name], depth) for name, depth in places])
    decision = read(results / DECISION, Decision)
    (carry,) = (row.carry_m for row in decision.rows if row.pattern == places[1][0])
    best = every[int(value.argmax())]
    story = Story(
        (*places[0], float(of[0])), (*places[1], float(of[1])), (*best, float(value.max())), carry, decision
    )
    for words, (pattern, depth, metres) in zip(
        ("named before", "named after ", "best in truth"), story[:3], strict=True
    ):
        print(f"{words}: {pattern} at {1e3 * depth:.3f} mm, worth {metres:.1f} m in truth")
    assert decision.correction is not None
    print(f"carry of the depth named: {carry:.1f} m by corrected coefficients")
    print(decision.correction.why)
    print(f"report: {results / 'report.html'}")
    return story


def _product(results: Path) -> dict[str, Any]:
    import json

    found = json.loads((results / DECISION).read_text())["product"]
    return dict(found)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("results/loop-case"))
