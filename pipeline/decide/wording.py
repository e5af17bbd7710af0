"""The decision in plain words, for the page, the terminal and decision.json."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.decide.depths import Depths
from pipeline.decide.place_outcomes import PlaceOutcome
from pipeline.decide.product import PatternOfProduct, Prototype
from pipeline.decide.run_more import RunsToAdd
from pipeline.decide.state import DECIDED, NOTHING, PROTOTYPES, RUN_MORE, State
from pipeline.study.model import FlightWindow, Golfer
from pipeline.study.trade_units import NOTHING as DASH
from pipeline.study.trade_units import (
    breakable,
    depth_between,
    depth_digits,
    is_number,
    micrometres,
    millimetres,
    number,
    window,
    yards,
)
from pipeline.study.units import YARD_M


@dataclass(frozen=True)
class Advice:
    """What to do for one golfer.

    Parameters
    ----------
    golfer : str
        Name.
    state : str
        Of the decision, one of `pipeline.decide.state.STATES`.
    headline : str
        What to do.
    sentences : list of str
        What it is worth, and why.
    """

    golfer: str
    state: str
    headline: str
    sentences: list[str]


def advise(
    golfer: Golfer,
    rows: Sequence[Mapping[str, Any]],
    depths: Mapping[str, Depths],
    state: State,
    places: Sequence[PlaceOutcome],
    runs: RunsToAdd,
) -> Advice:
    """Say what to do for one golfer.

    Parameters
    ----------
    golfer : Golfer
        Name, flight window and aim.
    rows : sequence of mapping
        The golfer's rows of decision.csv, by column.
    depths : mapping
        By pattern.
    state : State
        Of the golfer's decision.
    places : sequence of PlaceOutcome
        What would be best, were the critical Reynolds number measured.
    runs : RunsToAdd
        What to compute next.

    Returns
    -------
    Advice
        In trade units, about the pattern that is best on average over the draws.
    """
    row = next((row for row in rows if row["pattern"] == state.pattern), None)
    if row is None:
        return Advice(golfer.name, NOTHING, "Nothing to decide", [breakable(text) for text in state.why])
    of = depths[state.pattern]
    sentences = [*_flight(row, golfer, of), *state.why]
    if state.word != NOTHING and golfer.aim == "total":
        sentences.append(
            f"The depth is chosen for the total distance, {yards(row['total_m'])}, standard error "
            f"{yards(row['total_se_m'])}, which hangs on the turf and is less certain than the carry."
        )
    if state.word in (DECIDED, PROTOTYPES):
        sentences.append(_tolerance(row))
    if state.word == RUN_MORE:
        sentences += next_sentences(runs, state)
    if state.place_decides:
        sentences += place_sentences(places)
    if len(rows) > 1 and state.word != NOTHING:
        sentences.append(
            f"Of the {len(rows)} patterns it carries furthest with a probability of {row['p_best']:.2f}, as "
            "far as the standard errors of the runs go."
        )
    return Advice(
        golfer.name, state.word, breakable(headline(state, row)), [breakable(text) for text in sentences]
    )


def headline(state: State, row: Mapping[str, Any]) -> str:
    """Say in one line what to do.

    Parameters
    ----------
    state : State
        Of the decision.
    row : mapping
        Pattern, best_depth_m, best_depth_lo_m and best_depth_hi_m of what is best on average.
    """
    low, high = row["best_depth_lo_m"], row["best_depth_hi_m"]
    best = f"{state.pattern} at {depth_between(row['best_depth_m'], low, high)}"
    if state.word == DECIDED:
        return f"Decided: cut {best}"
    if state.word == PROTOTYPES:
        return f"Prototypes: {_prototypes(state.short_list, row)}"
    if state.word == RUN_MORE:
        return f"Run more: so far {best}"
    return "Nothing to decide"


def place_sentences(places: Sequence[PlaceOutcome]) -> list[str]:
    """Say which measured critical Reynolds number would settle the depth, and what it would make best."""
    if not places:
        return []
    first = places[0]
    outcomes = ", ".join(
        f"{number(place.reynolds / 1e3, 0)} thousand {millimetres(place.best_depth_m, 2)}" for place in places
    )
    return [
        f"Measure the critical Reynolds number of {first.pattern} {millimetres(first.depth_m, 2)} deep, not "
        f"spinning, and state it in the study (critical_reynolds): the best depth would be, at {outcomes}."
    ]


def next_sentences(runs: RunsToAdd, state: State) -> list[str]:
    """Say which runs to compute next: conditions that flights need, and at most two depths."""
    found = []
    conditions = runs.conditions if state.leaves_table else None
    if conditions is not None and (conditions.reynolds or conditions.spin_ratios):
        listed = [f"Re {value:.3g}" for value in conditions.reynolds]
        listed += [f"S {value:.3g}" for value in conditions.spin_ratios]
        found.append(f"Compute {_and(listed)} too, at every depth (add them to the study's flow).")
    named = [
        f"{offer.pattern} at {millimetres(offer.depth_m, 3)} ({offer.runs} runs, "
        f"{number(offer.core_hours, 1)} core hours, expected gain {offer.gain_m / YARD_M:.1f} yd)"
        for offer in runs.depths[:2]
    ]
    if named:
        found.append(f"Compute next {' and '.join(named)}: depthline next writes that study.")
    return found


def not_told_sentences(pattern: str, ranked_as: Mapping[str, str]) -> list[str]:
    """Say for which patterns a pattern stands that the mesh does not tell from it."""
    others = [name for name, stands in ranked_as.items() if stands == pattern != name]
    if not others:
        return []
    return [
        f"{pattern} stands for {_and(others)} too: the mesh does not tell their surfaces apart, so that they "
        "are not ranked against each other."
    ]


def product_sentences(
    state: State,
    ranked: Sequence[PatternOfProduct],
    places: Sequence[PlaceOutcome],
    golfers: int,
    runs: RunsToAdd,
) -> list[str]:
    """Say what to cut as one product for all golfers.

    Parameters
    ----------
    state : State
        Of the product's decision.
    ranked : sequence of PatternOfProduct
        Every pattern.
    places : sequence of PlaceOutcome
        As of `advise`.
    golfers : int
        How many golfers count.
    runs : RunsToAdd
        As of `advise`.

    Returns
    -------
    list of str
        Plain sentences in trade units, the headline first.
    """
    best = next((entry for entry in ranked if entry.pattern == state.pattern), None)
    if best is None:
        return [breakable(text) for text in ("Nothing to decide.", *state.why)]
    row = {
        "best_depth_m": best.depth_m, "best_depth_lo_m": best.depth_lo_m, "best_depth_hi_m": best.depth_hi_m,
    }  # fmt: skip
    whom = "the golfer" if golfers == 1 else f"the {golfers} golfers together"
    found = [f"{headline(state, row)}.", *state.why]
    if state.word != NOTHING:
        found.append(
            f"For {whom} it gives away {best.regret_m / YARD_M:.1f} yd on average against the best pattern "
            f"and depth, were they known, and {best.regret_hi_m / YARD_M:.1f} yd in one case of twenty."
        )
    if state.word == RUN_MORE:
        found += next_sentences(runs, state)
    if state.place_decides:
        found += place_sentences(places)
    return [breakable(text) for text in found]


def interval_mm(low: float | None, high: float | None) -> str:
    """Write the interval of a best depth [m] in mm; a dash when there is none."""
    if low is None or high is None or not (is_number(low) and is_number(high)):
        return DASH
    digits = depth_digits(low, high)
    return f"{1e3 * low:.{digits}f} to {1e3 * high:.{digits}f}"


def _prototypes(listed: Sequence[Prototype], row: Mapping[str, Any]) -> str:
    digits = depth_digits(row["best_depth_lo_m"], row["best_depth_hi_m"])
    by_pattern: dict[str, list[float]] = {}
    for entry in listed:
        by_pattern.setdefault(entry.pattern, []).append(1e3 * entry.depth_m)
    found = []
    for pattern, depths in by_pattern.items():
        # Two prototypes must not read alike.
        texts = next(
            texts
            for more in (digits, digits + 1, 6)
            if len(set(texts := [number(depth, more) for depth in depths])) == len(depths)
        )
        found.append(f"{pattern} at {_and(texts)} mm")
    return "; ".join(found)


def _and(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def _flight(row: Mapping[str, Any], golfer: Golfer, of: Depths) -> list[str]:
    digits = depth_digits(row["best_depth_lo_m"], row["best_depth_hi_m"])
    angle = None if of.angles is None else of.angles.at(row["best_depth_m"])
    angled = "" if angle is None else f" (edge angle {number(angle, 1 if digits == 2 else 2, 'deg')})"
    peak = f"a peak height of {yards(row['peak_height_m'])}"
    wanted = golfer.flight_window
    where = "no flight window is given" if wanted is None else _in_window(row["peak_height_m"], wanted)
    found = [
        f"At {millimetres(row['best_depth_m'], digits)}{angled} it carries {yards(row['carry_m'])}, "
        f"standard error {yards(row['carry_se_m'])}, with {peak}; {where}."
    ]
    if row["crisis_m"] > 0.5 * YARD_M:
        found.append(
            f"The drag crisis is expected to take {yards(row['crisis_m'])} of that, since it may begin at "
            "a higher Reynolds number on balls that are cut."
        )
    return found


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
