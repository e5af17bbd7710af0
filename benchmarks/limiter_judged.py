"""Turbulence models beside published balls: CSV on standard output from the runs of bench_limiter.py.

    python benchmarks/limiter_judged.py published|models|depth|best

`published`: computed, and over published less 1, by ball, flow and model. What a model changes against SST
on the coarse mesh is put on the value of SST on the graded mesh (docs/measured/25_published_balls.csv).
`models`: root mean squares of it, with and without what moving dimples add (`pipeline.aero.moving_dimples`).
`depth`: Cd and Cl by depth. `best`: carry by depth of two drives, flown with the tables of cases/crisis
(docs/measured/70_crisis.csv), what a model changes in them, what moving dimples add, and with the slopes with
depth of the finest meshes (pipeline/flow/solver/depth_steps.csv).
"""

import csv
import itertools
import math
import re
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from pipeline.aero.discrepancy import columns
from pipeline.aero.moving_dimples import PAIRS, moving_dimples
from pipeline.aero.table import CoefficientTable
from pipeline.flight.air import air_from
from pipeline.flight.single import fly_single
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.flow.solver import slope_error
from pipeline.flow.solver.boundary_layer import critical_reynolds, tripped_share

MEASURED = Path(__file__).parents[1] / "docs/measured"
GUESSED = ("crabill-2019",)
"""Balls whose depth is not known: shown, not in the root mean squares."""
REPEATED = {"cd": 0.001, "cl": 0.005}
"""Standard errors of a computed coefficient: two settled runs of one flow differ by as much."""
ARCS = {depth: f"crisis {depth:.2f}" for depth in (0.15, 0.26, 0.34)}
ARCS_REYNOLDS, ARCS_SPINS = 1.1e5, (0.08, 0.25)
MODELS = ("sst", "bsl", "a1 0.355", "a1 0.5", "wilcox", "a1 1", "rough", "late trip")

Row = dict[str, str]
Key = tuple[str, float, float, str]


def rows_of(path: Path) -> list[Row]:
    """Rows of a tracked table without its head."""
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("# ")]
    return list(csv.DictReader(lines))


def runs(level: str = "coarse") -> dict[Key, Row]:
    """Rows of limiter.csv on one mesh by ball, Reynolds number, spin ratio and model.

    SST on the coarse mesh is taken from the tracked tables where it was computed before.
    """
    found = {
        (row["ball"], float(row["reynolds"]), float(row["spin_ratio"]), row["model"]): row
        for row in rows_of(Path(__file__).with_name("limiter.csv"))
        if row["level"] == level
    }
    if level == "coarse":
        pairs = {row["pair"]: row for row in rows_of(PAIRS)}
        before = {
            ("aoki-2011", 1.3e5, 0.2): (pairs["deep"]["cd_still"], pairs["deep"]["cl_still"]),
            ("crabill-2019", 1.5e5, 0.15): (pairs["shallow"]["cd_still"], pairs["shallow"]["cl_still"]),
        }
        for row in rows_of(MEASURED / "70_crisis.csv")[:-1]:
            for spin_ratio in ARCS_SPINS:
                cell = row[f"Re 1.1e5, S {spin_ratio:g}"].split(" / ")
                before[ARCS.get(float(row["depth, mm"]), ""), ARCS_REYNOLDS, spin_ratio] = (cell[0], cell[1])
        for flow, (cd, cl) in before.items():
            if (*flow, "bsl") in found:
                found.setdefault((*flow, "sst"), found[(*flow, "bsl")] | {"cd": cd, "cl": cl})
    return found


def graded() -> dict[tuple[str, float, float, str], float]:
    """Coefficients of SST on the graded mesh at the shallower depth: ball, flow and quantity."""
    found: dict[tuple[str, float, float, str], float] = {}
    for row in rows_of(MEASURED / "25_published_balls.csv"):
        reynolds, spin_ratio = map(float, re.findall(r"Re ([\d.e]+), S ([\d.]+)", row["flow"])[0])
        key = (row["ball"], reynolds, spin_ratio, row["quantity"].lower())
        found.setdefault(key, float(row["computed"].split()[0]))  # the shallower depth comes first
    return found


def estimates(quantity: str) -> dict[Key, tuple[float, float, float, float, float]]:
    """Still, moving, published, its standard error and that of moving, by ball, flow and model."""
    of, on_graded, add = runs(), graded(), moving_dimples(["published"])
    found = {}
    for (ball, reynolds, spin_ratio, model), row in of.items():
        if not row[f"published_{quantity}"] or (quantity == "cl" and spin_ratio == 0.0):
            continue
        sst = of[ball, reynolds, spin_ratio, "sst"]
        value, base = float(row[quantity]), float(sst[quantity])
        fine = on_graded.get((ball, reynolds, spin_ratio, quantity), base)
        still = fine + value - base if quantity == "cd" else fine * value / base
        moving, deviation = still, 0.0
        if spin_ratio > 0.0:
            terms = columns(float(row["depth_mm"]) * 1e-3, reynolds, spin_ratio)
            mean, sd = add.mean_at("published", terms), add.deviation_at("published", terms)
            moving = still + mean[0] if quantity == "cd" else still * math.exp(mean[1])
            deviation = float(sd[0] if quantity == "cd" else moving * sd[1])
        published = float(row[f"published_{quantity}"]), float(row[f"published_{quantity}_se"])
        found[ball, reynolds, spin_ratio, model] = (still, float(moving), *published, deviation)
    return found


def compared() -> Iterable[list[str]]:
    """Table of `published`: a row a flow and coefficient."""
    yield [
        "ball, depth", "flow", "of", "published", "sst", "bsl", "sst, moving", "bsl, moving", "others, still",
    ]  # fmt: skip
    of = runs()

    def shown(value: float, published: float) -> str:
        return f"{value:.3f} ({value / published - 1.0:+.0%})"

    for quantity in ("cd", "cl"):
        found = estimates(quantity)
        for flow in dict.fromkeys(key[:3] for key in found):
            at = {model: found[(*flow, model)] for model in MODELS if (*flow, model) in found}
            if "bsl" not in at:
                continue
            depth, published = float(of[(*flow, "sst")]["depth_mm"]), at["sst"][2]
            others = [f"{name} {shown(at[name][0], published)}" for name in at if name not in ("sst", "bsl")]
            spinning = flow[2] > 0.0
            yield [
                f"{flow[0]}, {depth:.2f} mm", f"Re {flow[1]:g}, S {flow[2]:g}", quantity.capitalize(),
                f"{published:g} +- {at['sst'][3]:g}",
                *(shown(at[name][0], published) for name in ("sst", "bsl")),
                *(shown(at[name][1], published) if spinning else "" for name in ("sst", "bsl")),
                "; ".join(others),
            ]  # fmt: skip


def models_compared() -> Iterable[list[str]]:
    """Table of `models`: root mean squares over the flows of balls whose depth is known."""
    parts = ("S below 0.15", "S 0.15 and more", "below 0.25 mm", "0.25 mm and more")
    yield [
        "model", "of", "flows", *(f"{what}, {kind}" for what in ("rms", "mean", "rms in joint SE")
        for kind in ("still", "moving")), *(f"mean, moving, {part}" for part in parts),
    ]  # fmt: skip
    of = runs()
    for quantity in ("cd", "cl"):
        found = estimates(quantity)
        flows = [key[:3] for key in found if key[3] == "bsl" and key[0] not in GUESSED]
        for model in ("sst", "bsl"):
            values = np.array([found[(*flow, model)] for flow in flows])
            off = values[:, :2] / values[:, 2:3] - 1.0
            error = REPEATED[quantity]
            added = np.column_stack([np.zeros(len(flows)), values[:, 4]])  # of moving dimples
            joint = np.sqrt(values[:, 3:4] ** 2 + error**2 + added**2)
            joint = (values[:, :2] - values[:, 2:3]) / joint
            slow = np.array([flow[2] < 0.15 for flow in flows])
            deep = np.array([float(of[(*flow, "sst")]["depth_mm"]) >= 0.25 for flow in flows])
            means = [
                f"{off[part, 1].mean():+.0%}" if part.any() else "" for part in (slow, ~slow, ~deep, deep)
            ]
            yield [
                model, quantity.capitalize(), str(len(flows)),
                *(f"{value:.0%}" for value in np.sqrt(np.mean(off**2, axis=0))),
                *(f"{value:+.0%}" for value in off.mean(axis=0)),
                *(f"{value:.1f}" for value in np.sqrt(np.mean(joint**2, axis=0))), *means,
            ]  # fmt: skip


def arcs(model: str, spin_ratio: float) -> dict[float, np.ndarray]:
    """Cd and Cl of the arcs of cases/crisis by depth [mm], where they were computed with a model."""
    of = runs()
    keys = {depth: (ball, ARCS_REYNOLDS, spin_ratio, model) for depth, ball in ARCS.items()}
    return {
        depth: np.array([float(of[key][name]) for name in ("cd", "cl")])
        for depth, key in keys.items()
        if key in of
    }


def by_depth() -> Iterable[list[str]]:
    """Table of `depth`: Cd / Cl by depth, and their change from 0.15 to 0.34 mm for 0.10 mm."""
    yield ["S", "model", *(f"{depth:g} mm" for depth in ARCS), "for 0.10 mm"]
    for spin_ratio in ARCS_SPINS:
        for model in MODELS:
            values = arcs(model, spin_ratio)
            if {0.15, 0.34} <= values.keys():
                cd, cl = (values[0.34] - values[0.15]) / 1.9
                shown = [f"{values[d][0]:.3f} / {values[d][1]:.3f}" if d in values else "" for d in ARCS]
                yield [f"{spin_ratio:g}", model, *shown, f"{cd:+.4f} / {cl:+.4f}"]


def change(model: str, depth: float, spin_ratio: float) -> tuple[float, float]:
    """What a model adds to Cd and to ln Cl of the arcs; below 0.15 mm as there."""
    of, sst = arcs(model, spin_ratio), arcs("sst", spin_ratio)
    drag = [of[d][0] - sst[d][0] for d in of]
    lift = [math.log(of[d][1] / sst[d][1]) for d in of]
    return float(np.interp(depth, list(of), drag)), float(np.interp(depth, list(of), lift))


def slope_factors() -> tuple[float, float]:
    """Slopes of Cd and Cl with depth on the finest meshes over those on the coarse one."""
    rows = rows_of(Path(slope_error.DEPTH_STEPS))
    found = []
    for name in ("cd_step", "cl_step"):
        finest = [float(row[name]) for row in rows if row["finest"] == "yes"]
        found.append(sum(finest) / len(finest) / float(rows[0][name]))
    return found[0], found[1]


def tables_by_depth() -> dict[float, np.ndarray]:
    """Cd and Cl of cases/crisis by depth [mm], shape (2, Reynolds numbers, spin ratios)."""
    table = {}
    for row in rows_of(MEASURED / "70_crisis.csv"):
        cells = [row[name].split(" / ") for name in list(row)[1:]]
        if all(len(cell) == 2 for cell in cells):
            values = np.array(cells, float).reshape(2, 3, 2)  # spin ratio, Reynolds number, Cd and Cl
            table[float(row["depth, mm"])] = values.transpose(2, 1, 0)
    return table


DRIVES = {
    "165 mph, 11 deg, 2600 rpm": Launches(165 * 0.44704, math.radians(11), 2600 * math.pi / 30),
    "150 mph, 12 deg, 2700 rpm": Launches(150 * 0.44704, math.radians(12), 2700 * math.pi / 30),
}
REYNOLDS = [7.5e4, 1.1e5, 2.1e5]


def carries(launch: Launches, model: str, finest: bool, moves: bool) -> dict[float, float]:
    """Carry [m] by depth [mm] of the tables of cases/crisis, changed as asked."""
    add, spins = moving_dimples(["published"]), list(ARCS_SPINS)
    conditions = Conditions(0.0427, 0.0459, air_from(293.15, 101325.0, 0.5))
    given = tables_by_depth()
    found = {}
    for depth, (cd, cl) in given.items():
        values = np.array([cd, cl])
        for place, spin_ratio in enumerate(spins):
            drag, lift = (np.full(3, value) for value in change(model, depth, spin_ratio))
            if moves:
                mean = add.mean_at("published", columns(depth * 1e-3, REYNOLDS, spin_ratio))
                drag, lift = drag + mean[0], lift + mean[1]
            if finest:
                for of, factor in enumerate(slope_factors()):
                    off = given[depth][of][:, place] - given[0.15][of][:, place]
                    values[of, :, place] -= np.where(depth > 0.15, (1.0 - factor) * off, 0.0)
            # As in the pipeline: faded where the boundary layer is not tripped all round.
            tripped = tripped_share(REYNOLDS, spin_ratio, critical_reynolds(depth * 1e-3, 0.0427))
            values[0, :, place] += drag * tripped
            values[1, :, place] *= np.exp(lift * tripped)
        table = CoefficientTable(REYNOLDS, spins, *values)
        found[depth] = fly_single(table, launch, conditions)["carry_m"]
    return found


def best() -> Iterable[list[str]]:
    """Table of `best`: carry of a drive by depth, and the depth of longest carry between the nodes."""
    yield ["drive", "flow", *(f"{depth:g} mm" for depth in tables_by_depth()), "best, mm"]
    for drive, launch in DRIVES.items():
        for model, finest, moves in itertools.product(("sst", "bsl"), (False, True), (False, True)):
            carry = carries(launch, model, finest, moves)
            depths, values = list(carry), list(carry.values())
            top = int(np.argmax(values))
            place = f"at {depths[top]:g}"
            if 0 < top < len(values) - 1:
                bend, slope, _ = np.polyfit(depths[top - 1 : top + 2], values[top - 1 : top + 2], 2)
                place = f"{-slope / (2.0 * bend):.3f}"
            name = model + (", slopes of the finest meshes" if finest else "") + (", moving" if moves else "")
            yield [drive, name, *(f"{value:.1f}" for value in values), place]


TABLES: dict[str, Callable[[], Iterable[list[str]]]] = {
    "published": compared,
    "models": models_compared,
    "depth": by_depth,
    "best": best,
}

if __name__ == "__main__":
    csv.writer(sys.stdout, lineterminator="\n").writerows(TABLES[sys.argv[1]]())
