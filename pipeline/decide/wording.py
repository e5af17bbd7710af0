"""The decision in plain words, for the page, the terminal and decision.json."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.decide.depths import Depths
from pipeline.decide.product import PatternOfProduct, Prototype
from pipeline.quantities import YARD_M
from pipeline.study import FlightWindow, Golfer
from pipeline.trade_units import (
    NOTHING,
    breakable,
    is_number,
    micrometres,
    millimetres,
    number,
    window,
    yards,
)


@dataclass(frozen=True)
class Advice:
    """What to do for one golfer.

    Parameters
    ----------
    golfer : str
        Name.
    headline : str
        The decision, or that there is none.
    sentences : list of str
        What it is worth.
    decided : bool
        Whether a depth can be cut: the depths studied enclose it, and the runs tell them apart.
    """

    golfer: str
    headline: str
    sentences: list[str]
    decided: bool


def advise(golfer: Golfer, rows: Sequence[Mapping[str, Any]], depths: Mapping[str, Depths]) -> Advice:
    """Say what to cut for one golfer.

    Parameters
    ----------
    golfer : Golfer
        Name, flight window and aim.
    rows : sequence of mapping
        The golfer's rows of decision.csv, by column.
    depths : mapping
        By pattern.

    Returns
    -------
    Advice
        In trade units, about the pattern that is most likely the best.
    """
    if not rows:
        missing = "No pattern has a depth with a full set of usable runs; the reasons stand beside the runs."
        return Advice(golfer.name, "No depth can be named", [missing], False)
    row = max(rows, key=lambda candidate: (candidate["p_best"], candidate["carry_m"]))
    name, depth = row["pattern"], row["best_depth_m"]
    of = depths[name]
    shallowest, deepest = of.shallowest, of.deepest
    sentences = []
    one = shallowest == deepest
    unresolved = _spans(row, shallowest, deepest)
    if one:
        headline = f"No best depth: {name} has one usable depth, {millimetres(depth)}"
        sentences.append(
            f"At {millimetres(depth)}{_angle(of, depth, ', ')} it gives {_flight(row, golfer)}. "
            "Whether another depth is better is not known."
        )
    else:
        among = " among the depths studied" if row["at_edge"] else ""
        interval = f"90 % interval{among} {interval_mm(row)} mm"
        at = f"{millimetres(depth)} ({interval}{_angle(of, depth, '; ')})"
        if row["at_edge"]:
            headline, why = _at_edge(row, of, shallow=depth - shallowest < deepest - depth)
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
    return Advice(golfer.name, breakable(headline), [breakable(text) for text in sentences], decided)


def interval_mm(row: Mapping[str, Any]) -> str:
    """Write the interval of a row's best depth; a dash when there is none."""
    if not (is_number(row["best_depth_lo_m"]) and is_number(row["best_depth_hi_m"])):
        return NOTHING
    return f"{1e3 * row['best_depth_lo_m']:.3f} to {1e3 * row['best_depth_hi_m']:.3f}"


def _at_edge(row: Mapping[str, Any], of: Depths, shallow: bool) -> tuple[str, str]:
    """Return headline and sentence of a best depth at the edge of the usable depths."""
    edge, more = ("shallowest", "shallower") if shallow else ("deepest", "deeper")
    depth = row["best_depth_m"]
    lost = [at for at in of.studied if (at < depth - 1e-9 if shallow else at > depth + 1e-9)]
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


def _spans(row: Mapping[str, Any], shallowest: float, deepest: float) -> bool:
    low, high = row["best_depth_lo_m"], row["best_depth_hi_m"]
    slack = 0.01 * (deepest - shallowest)
    return is_number(low) and is_number(high) and low <= shallowest + slack and high >= deepest - slack


def _angle(of: Depths, depth_m: float, before: str) -> str:
    angle = None if of.angles is None else of.angles.at(depth_m)
    return "" if angle is None else f"{before}edge angle {number(angle, 2, 'deg')}"


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


def product_sentences(
    word: str,
    why: str,
    ranked: Sequence[PatternOfProduct],
    prototypes: Sequence[Prototype],
    golfers: int,
) -> list[str]:
    """Say what to cut as one product for all golfers.

    Parameters
    ----------
    word, why : str
        From `pipeline.decide.product.verdict`.
    ranked : sequence of PatternOfProduct
        Every pattern.
    prototypes : sequence of Prototype
        The short list.
    golfers : int
        How many golfers count.

    Returns
    -------
    list of str
        Plain sentences in trade units.
    """
    found = [f"{word[0].upper()}{word[1:]}. {why}"]
    if ranked:
        best = max(ranked, key=lambda entry: entry.value_m)
        whom = "the golfer" if golfers == 1 else f"the {golfers} golfers together"
        found.append(
            f"For {whom} {best.pattern} at {millimetres(best.depth_m)} is best (90 % interval "
            f"{best.depth_lo_m * 1e3:.3f} to {millimetres(best.depth_hi_m)}); it gives away "
            f"{best.regret_m / YARD_M:.1f} yd on average against the best pattern and depth, were they "
            f"known, and {best.regret_hi_m / YARD_M:.1f} yd in one case of twenty."
        )
    if len(prototypes) > 1 and word != "decided":
        listed = ", ".join(
            f"{entry.pattern} {millimetres(entry.depth_m)} ({entry.p_so_far:.2f})" for entry in prototypes[:8]
        )
        found.append(
            f"Prototypes in the order to cut, with the probability that one so far is the best: {listed}."
        )
    return [breakable(text) for text in found]
