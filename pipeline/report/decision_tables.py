"""Tables of the decision: every pattern for every golfer, and what scenarios make of it."""

from collections.abc import Mapping
from typing import Any

from pipeline.decide.depths import angle_of_depth
from pipeline.decide.wording import interval_mm
from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.study import FlightWindow
from pipeline.trade_units import (
    YARD_M,
    micrometres,
    number,
    yards_cell,
)


def decision_table(inputs: Inputs) -> Table:
    """Return the table of every golfer and pattern."""
    golfers = {golfer.name: golfer for golfer in inputs.study.golfers}
    rows = []
    for row in inputs.decision["rows"]:
        angles = angle_of_depth(inputs.coefficients, row["pattern"])
        shallowest, deepest = _range(inputs, row)
        rows.append(
            [
                Cell(row["golfer"]),
                Cell(row["pattern"]),
                Cell(number(1e3 * row["best_depth_m"], 3)),
                Cell(interval_mm(row)),
                Cell(number(None if angles is None else angles.at(row["best_depth_m"]), 2)),
                Cell(yards_cell(row["carry_m"], row["carry_se_m"])),
                Cell(yards_cell(row["peak_height_m"])),
                _window_cell(row, golfers[row["golfer"]].flight_window),
                Cell(micrometres(row["tolerance_m"])),
                Cell(f"{row['p_best']:.2f}"),
                _enclosed_cell(row, shallowest == deepest),
            ]
        )
    columns = (
        "Golfer", "Pattern", "Best depth, mm", "90 % interval, mm", "Edge angle, deg",
        "Carry ± standard error, yd (m)", "Peak height, yd (m)", "Flight window", "One yard buys",
        "Probability best", "Optimum enclosed",
    )  # fmt: skip
    return Table("Best depth of every pattern for every golfer", columns, rows, labels=2)


def scenario_table(inputs: Inputs) -> Table | None:
    """Return what each scenario makes of the depths named; None for a study without scenarios."""
    rows = [
        [
            Cell(row["golfer"]),
            Cell(row["pattern"]),
            Cell(row["scenario"]),
            Cell(f"{row['weight']:g}"),
            Cell(yards_cell(row["carry_m"])),
            Cell(number(1e3 * row["best_depth_m"], 3)),
        ]
        for row in inputs.decision.get("scenarios", ())
    ]
    columns = (
        "Golfer", "Pattern", "Scenario", "Weight", "Carry of the depth named, yd (m)",
        "Depth of greatest carry there, mm",
    )  # fmt: skip
    return Table("Scenarios, whose weighted mean decides", columns, rows, labels=3) if rows else None


def _window_cell(row: Mapping[str, Any], wanted: FlightWindow | None) -> Cell:
    if wanted is None:
        return Cell("none given")
    if row["in_window"]:
        return Cell("in", "good")
    miss = (
        wanted.lowest_m - row["peak_height_m"]
        if row["peak_height_m"] < wanted.lowest_m
        else row["peak_height_m"] - wanted.highest_m
    )
    side = "below" if row["peak_height_m"] < wanted.lowest_m else "above"
    return Cell(f"{miss / YARD_M:.1f} yd {side}", "warn")


def _enclosed_cell(row: Mapping[str, Any], one_depth: bool) -> Cell:
    if one_depth:
        return Cell("one depth only", "warn")
    return Cell("no: at the edge", "warn") if row["at_edge"] else Cell("yes", "good")


def _range(inputs: Inputs, row: Mapping[str, Any]) -> tuple[float, float]:
    """Shallowest and deepest usable depth of a row's pattern for its golfer [m]."""
    for curve in inputs.decision["curves"]:
        if curve["golfer"] == row["golfer"] and curve["pattern"] == row["pattern"]:
            return curve["depth_m"][0], curve["depth_m"][-1]
    return row["best_depth_m"], row["best_depth_m"]
