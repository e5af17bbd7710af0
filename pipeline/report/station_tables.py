"""Tables of the page on flights, coefficients, geometry and runs."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.flow.forces.verdict import REASONS
from pipeline.records.flow import USABLE, RunResult
from pipeline.report.inputs import Inputs
from pipeline.report.series import CoefficientChart
from pipeline.report.table import Cell, Table
from pipeline.study.matrix import RunSpec
from pipeline.study.trade_units import (
    NOTHING,
    is_number,
    millimetres,
    number,
    plus_minus,
    share,
    whole,
    yards_cell,
)

_COEFFICIENT_NAMES = {"cd": "Drag coefficient Cd", "cl": "Lift coefficient Cl", "cm": "Moment coefficient Cm"}

_MEANINGS = REASONS | {"settled": "", "missing": "left no result; the next run computes it"}


def flight_table(inputs: Inputs, golfer: str) -> Table:
    """Return the flights of one golfer at every pattern and depth."""
    flights = inputs.flights[inputs.flights["golfer"] == golfer]
    rows = [
        [
            Cell(row["pattern"]),
            Cell(millimetres(row["depth_m"])),
            Cell(yards_cell(row["carry_m"], row["carry_se_m"])),
            Cell(yards_cell(row.get("carry_runs_m"))),
            Cell(yards_cell(row.get("crisis_m"))),
            Cell(yards_cell(row["peak_height_m"])),
            Cell(yards_cell(row.get("peak_height_runs_m"))),
            Cell(number(row["descent_deg"], 1)),
            Cell(number(row["time_s"], 2)),
            Cell(yards_cell(row["total_m"])),
            Cell(yards_cell(row["side_m"])),
            Cell(share(row["extrapolated"], 0), "warn" if row["extrapolated"] > 0 else ""),
        ]
        for row in flights.to_dict("records")
    ]
    columns = (
        "Pattern", "Depth", "Carry ± standard error, yd (m)", "Carry by the runs' grid, yd (m)",
        "The crisis takes, yd (m)", "Peak height, yd (m)", "Peak by the runs' grid, yd (m)",
        "Descent angle, deg", "Time, s", "Total distance, yd (m)", "Side (right +), yd (m)",
        "Time outside the table",
    )  # fmt: skip
    return Table(f"Flights of {golfer}, means over the golfer's shots", columns, rows, labels=2)


def coefficient_tables(chart: CoefficientChart) -> list[Table]:
    """Return the coefficients of a pattern with their standard errors: Cd, Cl and, where known, Cm."""
    tables = []
    columns = ("Re", "S", *(millimetres(depth) for depth in chart.depth_m))
    for name, title in _COEFFICIENT_NAMES.items():
        if not np.isfinite(chart.values[name]).any():
            continue
        digits = 6 if name == "cm" else 5
        rows = []
        for r, reynolds in enumerate(chart.reynolds):
            for s, spin_ratio in enumerate(chart.spin_ratio):
                cells = [Cell(whole(reynolds)), Cell(f"{spin_ratio:g}")]
                for d in range(chart.depth_m.size):
                    verdict = chart.verdicts[d, r, s]
                    if verdict not in USABLE:
                        cells.append(Cell(str(verdict), "bad"))
                        continue
                    text = plus_minus(chart.values[name][d, r, s], chart.errors[name][d, r, s], digits)
                    cells.append(Cell(text))
                rows.append(cells)
        tables.append(Table(f"{title} of {chart.pattern} at each depth, ± standard error", columns, rows, 2))
    return tables


def geometry_table(inputs: Inputs) -> Table:
    """Return the totals of every variant."""
    rows = []
    for variant in inputs.variants:
        found = inputs.totals.get((variant.pattern, variant.key))
        label = [Cell(variant.pattern), Cell(variant.key)]
        if found is None:
            rows.append([*label, Cell("geometry was not built", "bad"), *[Cell(NOTHING)] * 7])
            continue
        rows.append(
            [
                *label,
                Cell(_range(found.depth_min_m, found.depth_max_m, 1e3, 3, "mm")),
                Cell(_range(found.edge_angle_min_deg, found.edge_angle_max_deg, 1.0, 2, "deg")),
                Cell(_range(found.chord_diameter_min_m, found.chord_diameter_max_m, 1e3, 3, "mm")),
                Cell(whole(found.count)),
                Cell(f"{found.symmetry}, order {found.order}"),
                Cell(share(found.coverage, 1)),
                Cell(share(found.dimple_volume_share, 3)),
                Cell(millimetres(found.narrowest_land_m)),
            ]
        )
    columns = (
        "Pattern", "Variant", "Surface depth", "Edge angle", "Chord diameter", "Dimples", "Symmetry",
        "Coverage", "Dimple volume share", "Narrowest land",
    )  # fmt: skip
    return Table("Geometry totals", columns, rows, labels=2)


def _range(low: float | None, high: float | None, factor: float, digits: int, unit: str) -> str:
    """Write "LOW UNIT", or "LOW to HIGH UNIT" where they differ."""
    if low is None or high is None:
        return NOTHING
    first, last = number(factor * low, digits), number(factor * high, digits, unit)
    return last if last.split()[0] == first else f"{first} to {last}"


def run_table(inputs: Inputs) -> Table:
    """Return the state of every run."""
    known = {row["run"]: row for row in inputs.coefficients.to_dict("records")}
    rows = [
        _run_row(run, known.get(run.run_id, {"verdict": "missing"}), inputs.runs.get(run.run_id), inputs)
        for run in inputs.plan
    ]
    targets = inputs.study.flow.standard_error
    columns = (
        "Pattern", "Variant", "Re", "S", "Verdict", "Cells", "Iterations", "y+ max",
        f"SE of Cd (target {targets.cd:g})", f"SE of Cl (target {targets.cl:g})",
        "Core seconds", "Started from", "Remarks",
    )  # fmt: skip
    return Table("", columns, rows, labels=2)


def _run_row(run: RunSpec, row: Mapping[Any, Any], details: RunResult | None, inputs: Inputs) -> list[Cell]:
    verdict = str(row["verdict"])
    mark = "good" if verdict == "settled" else ("warn" if verdict in USABLE else "bad")
    targets = inputs.study.flow.standard_error
    return [
        Cell(run.pattern),
        Cell(run.variant_key),
        Cell(whole(run.reynolds)),
        Cell(f"{run.spin_ratio:g}"),
        Cell(verdict, mark),
        Cell(whole(row.get("cells"))),
        Cell(whole(row.get("iterations"))),
        Cell(number(row.get("yplus_max"), 2)),
        _error_cell(row.get("cd_se"), targets.cd),
        _error_cell(row.get("cl_se"), targets.cl),
        Cell(number(row.get("core_seconds"), 0)),
        Cell(_start(run)),
        Cell("; ".join(remarks(verdict, details)), "bad" if mark == "bad" else ""),
    ]


def _start(run: RunSpec) -> str:
    """Describe a run's planned start by what differs from the run itself: its depth or its spin ratio."""
    if run.starts_from is None:
        return "rest"
    _, _, variant_key, _, spin_ratio_key = run.starts_from.split("/")
    return variant_key if variant_key != run.variant_key else f"S {float(spin_ratio_key[1:]):g}"


def _error_cell(error: float | None, target: float) -> Cell:
    if not is_number(error):
        return Cell(NOTHING)
    above = error is not None and error > target
    return Cell(number(error, 5), "warn" if above else "")


def remarks(verdict: str, details: RunResult | None) -> list[str]:
    """Return a run's reason, or what a verdict other than settled means, and its warnings."""
    reason = (details.reason if details else "") or _MEANINGS.get(verdict, "")
    return [text for text in (reason, *(details.warnings if details else ())) if text]
