"""The decision in words: what to cut for each golfer, and the table of all patterns."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.report.trade_units import (
    NOTHING,
    YARD_M,
    is_number,
    launch,
    micrometres,
    millimetres,
    number,
    window,
    yards,
    yards_cell,
)
from pipeline.study import FlightWindow, Golfer


@dataclass(frozen=True)
class Advice:
    """What to do for one golfer.

    Parameters
    ----------
    golfer, shot : str
        Name and mean launch.
    headline : str
        The decision, or that there is none.
    sentences : list of str
        What it is worth.
    decided : bool
        Whether a depth can be cut: the depths studied enclose it, and the runs tell them apart.
    """

    golfer: str
    shot: str
    headline: str
    sentences: list[str]
    decided: bool


def advice(inputs: Inputs) -> list[Advice]:
    """Return the decision for every golfer, in the study's order."""
    return [
        _advice(inputs, golfer, [row for row in inputs.decision["rows"] if row["golfer"] == golfer.name])
        for golfer in inputs.study.golfers
    ]


def _advice(inputs: Inputs, golfer: Golfer, rows: list[dict[str, Any]]) -> Advice:
    if not rows:
        missing = (
            "No pattern has a depth with a full set of usable runs; the runs and their reasons are below."
        )
        return Advice(golfer.name, launch(golfer), "No depth can be named", [missing], False)
    row = max(rows, key=lambda candidate: (candidate["p_best"], candidate["carry_m"]))
    name, depth = row["pattern"], row["best_depth_m"]
    shallowest, deepest = _range(inputs, row)
    sentences = []
    one = shallowest == deepest
    unresolved = _spans(row, shallowest, deepest)
    if one:
        headline = f"No best depth: {name} has one usable depth, {millimetres(depth)}"
        sentences.append(
            f"At {millimetres(depth)}{_angle_text(inputs, row, ', ')} it gives {_flight(row, golfer)}. "
            "Whether another depth is better is not known."
        )
    else:
        among = " among the depths studied" if row["at_edge"] else ""
        interval = f"90 % interval{among} {_interval(row)} mm"
        at = f"{millimetres(depth)} ({interval}{_angle_text(inputs, row, '; ')})"
        if row["at_edge"]:
            headline, why = _at_edge(inputs, row, shallow=depth - shallowest < deepest - depth)
            sentences.append(why)
            sentences.append(f"At {at} the pattern gives {_flight(row, golfer)}.")
        else:
            headline = f"Cut {name} at {millimetres(depth)}"
            if unresolved:
                headline = f"Not resolved: {name} carries furthest at {millimetres(depth)}, but any depth may"
            sentences.append(f"At a surface depth of {at} it gives {_flight(row, golfer)}.")
        if golfer.aim == "total":
            sentences.append(
                f"The depth is chosen for the total distance, {yards(row['total_m'])}, standard error "
                f"{yards(row['total_se_m'])}, which hangs on the turf and is less certain than the carry."
            )
        sentences.append(_tolerance(row))
        if unresolved:
            sentences.append(
                "The interval spans all depths studied: the standard errors of these runs are too large to "
                "tell the depths apart."
            )
    if len(rows) > 1:
        sentences.append(
            f"Of the {len(rows)} patterns it is the one that carries furthest with a probability of "
            f"{row['p_best']:.2f}, as far as the standard errors of the runs go."
        )
    decided = not (one or unresolved or row["at_edge"])
    return Advice(golfer.name, launch(golfer), headline, sentences, decided)


def _at_edge(inputs: Inputs, row: Mapping[str, Any], shallow: bool) -> tuple[str, str]:
    """Return headline and sentence of a best depth at the edge of the usable depths."""
    edge, more = ("shallowest", "shallower") if shallow else ("deepest", "deeper")
    depth = row["best_depth_m"]
    studied = [inputs.depth_m(variant) for variant in inputs.variants if variant.pattern == row["pattern"]]
    lost = [at for at in studied if at is not None and (at < depth - 1e-9 if shallow else at > depth + 1e-9)]
    which = "depths with usable runs" if lost else "depths studied"
    advised = (
        f"Depths studied beyond it have failed or missing runs: mend those first ({len(lost)} of them)"
        if lost
        else f"Study {more} depths before cutting"
    )
    headline = (
        f"Not enclosed: {row['pattern']} carries furthest at the {edge} depth "
        f"{'with usable runs' if lost else 'studied'}, {millimetres(depth)}"
    )
    why = (
        f"The best depth lies at the edge of the {which}: carry still rises towards {more}; the optimum is "
        f"not enclosed. {advised}."
    )
    return headline, why


def _range(inputs: Inputs, row: Mapping[str, Any]) -> tuple[float, float]:
    """Shallowest and deepest usable depth of a row's pattern for its golfer [m]."""
    for curve in inputs.decision["curves"]:
        if curve["golfer"] == row["golfer"] and curve["pattern"] == row["pattern"]:
            return curve["depth_m"][0], curve["depth_m"][-1]
    return row["best_depth_m"], row["best_depth_m"]


def _spans(row: Mapping[str, Any], shallowest: float, deepest: float) -> bool:
    low, high = row["best_depth_lo_m"], row["best_depth_hi_m"]
    slack = 0.01 * (deepest - shallowest)
    return is_number(low) and is_number(high) and low <= shallowest + slack and high >= deepest - slack


def _angle_text(inputs: Inputs, row: Mapping[str, Any], before: str) -> str:
    angle = _edge_angle_deg(inputs, row["pattern"], row["best_depth_m"])
    return "" if angle is None else f"{before}edge angle {number(angle, 2, 'deg')}"


def _edge_angle_deg(inputs: Inputs, pattern: str, depth_m: float) -> float | None:
    """Edge angle at a depth, read off the straight line between the depths studied; None when unknown."""
    known = sorted(
        (found["depth_m"], found["edge_angle_deg"])
        for (name, _), found in inputs.totals.items()
        if name == pattern and is_number(found["depth_m"]) and is_number(found["edge_angle_deg"])
    )
    if not known or not known[0][0] - 1e-9 <= depth_m <= known[-1][0] + 1e-9:
        return None
    depths, angles = zip(*known, strict=True)
    return float(np.interp(depth_m, depths, angles))


def _flight(row: Mapping[str, Any], golfer: Golfer) -> str:
    carry = f"a carry of {yards(row['carry_m'])}, standard error {yards(row['carry_se_m'])},"
    peak = f"and a peak height of {yards(row['peak_height_m'])}"
    wanted = golfer.flight_window
    where = "no flight window is given" if wanted is None else _in_window(row["peak_height_m"], wanted)
    return f"{carry} {peak}; {where}"


def _in_window(peak_m: float, wanted: FlightWindow) -> str:
    if peak_m < wanted.lowest_m:
        return f"that is {yards(wanted.lowest_m - peak_m)} below the flight window of {window(wanted)}"
    if peak_m > wanted.highest_m:
        return f"that is {yards(peak_m - wanted.highest_m)} above the flight window of {window(wanted)}"
    return f"that is in the flight window of {window(wanted)}"


def _tolerance(row: Mapping[str, Any]) -> str:
    if not is_number(row["tolerance_m"]):
        return "Within the depths studied no change of depth costs a yard of carry."
    return f"One yard of carry buys a tolerance of {micrometres(row['tolerance_m'])} in depth."


def decision_table(inputs: Inputs) -> Table:
    """Return the table of every golfer and pattern."""
    golfers = {golfer.name: golfer for golfer in inputs.study.golfers}
    rows = []
    for row in inputs.decision["rows"]:
        angle = _edge_angle_deg(inputs, row["pattern"], row["best_depth_m"])
        shallowest, deepest = _range(inputs, row)
        rows.append(
            [
                Cell(row["golfer"]),
                Cell(row["pattern"]),
                Cell(number(1e3 * row["best_depth_m"], 3)),
                Cell(_interval(row)),
                Cell(number(angle, 2)),
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


def _interval(row: Mapping[str, Any]) -> str:
    if not (is_number(row["best_depth_lo_m"]) and is_number(row["best_depth_hi_m"])):
        return NOTHING
    return f"{1e3 * row['best_depth_lo_m']:.3f} to {1e3 * row['best_depth_hi_m']:.3f}"


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
