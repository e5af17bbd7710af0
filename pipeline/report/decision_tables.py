"""Tables of the decision: every pattern for every golfer, and what scenarios make of it."""

import math

from pipeline.decide.depths import angle_of_depth
from pipeline.decide.state import MOST_AT_EDGE
from pipeline.records.decision import DecisionRow
from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.study.model import FlightWindow
from pipeline.study.trade_units import (
    depth_digits,
    interval_mm,
    micrometres,
    number,
    share,
    yards_cell,
    yards_only,
)

MOST_ARE_WITHIN = 0.9
"""Shares of moulded balls within a yard below this are marked."""


def decision_table(inputs: Inputs) -> Table:
    """Return the table of every golfer and pattern."""
    golfers = {golfer.name: golfer for golfer in inputs.study.golfers}
    several = len({row.pattern for row in inputs.decision.rows}) > 1
    rows = []
    for row in inputs.decision.rows:
        angles = angle_of_depth(inputs.coefficients, row.pattern)
        shallowest, deepest = _range(inputs, row)
        rows.append(
            [
                Cell(row.golfer),
                Cell(row.pattern),
                Cell(number(1e3 * row.best_depth_m, depth_digits(*_interval(row)))),
                Cell(interval_mm(*_interval(row))),
                Cell(number(None if angles is None else angles.at(row.best_depth_m), 2)),
                Cell(yards_cell(row.carry_m, row.carry_se_m)),
                Cell(yards_cell(row.peak_height_m)),
                _window_cell(row, golfers[row.golfer].flight_window),
                Cell(micrometres(row.tolerance_m)),
                *([_probability_cell(row)] if several else []),
                _enclosed_cell(row, shallowest == deepest),
            ]
        )
    columns = (
        "Golfer", "Pattern", "Best depth, mm", "90 % interval, mm", "Edge angle, deg",
        "Carry ± standard error, yd (m)", "Peak height, yd (m)", "Flight window", "One yard buys",
        *(["Probability best"] if several else []), "At an edge of the depths studied",
    )  # fmt: skip
    return Table("Best depth of every pattern for every golfer", columns, rows, labels=2)


def scenario_table(inputs: Inputs) -> Table | None:
    """Return what each scenario makes of the depths named; None for a study without scenarios."""
    rows = [
        [
            Cell(row.golfer),
            Cell(row.pattern),
            Cell(row.scenario),
            Cell(f"{row.weight:g}"),
            Cell(yards_cell(row.carry_m)),
            Cell(number(1e3 * row.best_depth_m, 3)),
        ]
        for row in inputs.decision.scenarios
    ]
    columns = (
        "Golfer", "Pattern", "Scenario", "Weight", "Carry of the depth named, yd (m)",
        "Depth of greatest carry there, mm",
    )  # fmt: skip
    return Table("Scenarios, whose weighted mean decides", columns, rows, labels=3) if rows else None


def moulding_table(inputs: Inputs) -> Table | None:
    """Return the share of moulded balls within a yard and what limits it; None without a moulding scatter."""
    scatter = inputs.study.moulding
    if scatter is None:
        return None
    rows = []
    for row in inputs.decision.rows:
        within, limit = row.share_within_yard, row.moulding_limit
        if within is None:
            continue
        limited = "nothing: all are within it" if limit is None else f"scatter of the {limit}"
        if limit is not None:
            limited += f"; without it {share(row.share_without_limit, 0)}"
        rows.append(
            [
                Cell(row.golfer),
                Cell(row.pattern),
                Cell(number(1e3 * row.best_depth_m, 3)),
                Cell(share(within, 0), "warn" if within < MOST_ARE_WITHIN else ""),
                Cell(limited),
                Cell("yes: what is lost beyond it is not known" if row.at_edge else "no"),
            ]
        )
    columns = (
        "Golfer", "Pattern", "Depth cut to, mm", "Moulded balls within a yard", "Limited by",
        "At the edge of the depths studied",
    )  # fmt: skip
    spread = ", ".join(
        f"{words} ± {text}"
        for words, value, text in (
            ("depth", scatter.depth_m, micrometres(scatter.depth_m)),
            ("edge angle", scatter.edge_angle_rad, number(math.degrees(scatter.edge_angle_rad), 2, "deg")),
            ("diameter", scatter.diameter_m, micrometres(scatter.diameter_m)),
        )
        if value
    )
    caption = (
        f"Moulded balls that give away less than a yard against a ball as cut ({spread or 'no scatter'})"
    )
    return Table(caption, columns, rows, labels=2) if rows else None


def _probability_cell(row: DecisionRow) -> Cell:
    others, text = row.unresolved_from, number(row.p_best, 2)
    return Cell(f"{text} (not resolved from {others.replace('; ', ', ')})", "warn") if others else Cell(text)


def _window_cell(row: DecisionRow, wanted: FlightWindow | None) -> Cell:
    if wanted is None:
        return Cell("none given")
    if row.in_window:
        return Cell("in", "good")
    miss = (
        wanted.lowest_m - row.peak_height_m
        if row.peak_height_m < wanted.lowest_m
        else row.peak_height_m - wanted.highest_m
    )
    side = "below" if row.peak_height_m < wanted.lowest_m else "above"
    return Cell(f"{yards_only(miss)} {side}", "warn")


def _enclosed_cell(row: DecisionRow, one_depth: bool) -> Cell:
    if one_depth:
        return Cell("one depth only", "warn")
    share_at_edge = row.p_edge or 0.0
    text = f"{share(share_at_edge, 0)} of the draws"
    return Cell(text, "warn" if row.at_edge or share_at_edge >= MOST_AT_EDGE else "good")


def _interval(row: DecisionRow) -> tuple[float | None, float | None]:
    return row.best_depth_lo_m, row.best_depth_hi_m


def _range(inputs: Inputs, row: DecisionRow) -> tuple[float, float]:
    """Shallowest and deepest usable depth of a row's pattern for its golfer [m]."""
    for curve in inputs.decision.curves:
        if curve.golfer == row.golfer and curve.pattern == row.pattern:
            return curve.depth_m[0], curve.depth_m[-1]
    return row.best_depth_m, row.best_depth_m
