"""The decision in plain words, for the page, the terminal and decision.json."""

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType

from pipeline.decide.depths import AngleOfDepth
from pipeline.decide.state import DECIDED, NOTHING, PROTOTYPES, RUN_MORE, State
from pipeline.records.decision import (
    DecisionRow,
    GolferAdvice,
    PatternOfProduct,
    PlaceOutcome,
    Prototype,
    RunsToAdd,
)
from pipeline.records.record import finite
from pipeline.study.model import FlightWindow, Golfer, MeshErrorSpec
from pipeline.study.trade_units import (
    breakable,
    depth_between,
    depth_digits,
    is_number,
    micrometres,
    millimetres,
    number,
    share,
    window,
    yards,
    yards_only,
)
from pipeline.study.units import YARD_M


def advise(
    golfer: Golfer,
    rows: Sequence[DecisionRow],
    angles: Mapping[str, AngleOfDepth | None],
    state: State,
    places: Sequence[PlaceOutcome],
    runs: RunsToAdd,
    by_angle: Collection[str] = (),
) -> GolferAdvice:
    """Say what to do for one golfer.

    Parameters
    ----------
    golfer : Golfer
        Name, flight window and aim.
    rows : sequence of DecisionRow
        The golfer's, of the patterns that are ranked.
    angles : mapping
        Edge angles by pattern, where known.
    state : State
        Of the golfer's decision.
    places : sequence of PlaceOutcome
        What would be best, were the critical Reynolds number measured.
    runs : RunsToAdd
        What to compute next.
    by_angle : collection of str
        Patterns whose study lists edge angles: their headline names those.

    Returns
    -------
    GolferAdvice
        In trade units, about the pattern that is best on average over the draws.
    """
    row = next((row for row in rows if row.pattern == state.pattern), None)
    if row is None:
        said, sentences = "Nothing to decide", list(state.why)
    else:
        named = angles_named(angles, by_angle)
        said = headline(state, row.best_depth_m, row.best_depth_lo_m, row.best_depth_hi_m, named)
        sentences = _sentences(golfer, row, len(rows), angles[state.pattern], state, places, runs)
    return GolferAdvice(
        golfer=golfer.name,
        headline=breakable(said),
        sentences=[breakable(text) for text in sentences],
        state=state.word,
        why=[breakable(text) for text in state.why],
        pattern=state.pattern,
        depth_m=finite(state.depth_m),
        p_within_yard=finite(state.p_within_yard),
        short_list=state.short_list,
        places=list(places),
    )


def _sentences(
    golfer: Golfer,
    row: DecisionRow,
    patterns: int,
    angles: AngleOfDepth | None,
    state: State,
    places: Sequence[PlaceOutcome],
    runs: RunsToAdd,
) -> list[str]:
    sentences = [*_flight(row, golfer, angles), *state.why]
    if state.word != NOTHING and golfer.aim == "total":
        sentences.append(
            f"The depth is chosen for the total distance, {yards(row.total_m)}, standard error "
            f"{yards(row.total_se_m)}, which hangs on the turf and is less certain than the carry."
        )
    if state.word in (DECIDED, PROTOTYPES):
        sentences.append(_tolerance(row))
    if state.word == RUN_MORE:
        sentences += next_sentences(runs, state)
    if state.place_decides:
        sentences += place_sentences(places)
    if patterns > 1 and state.word != NOTHING:
        sentences.append(
            f"Of the {patterns} patterns it carries furthest with a probability of {number(row.p_best, 2)}, "
            "as far as the standard errors of the runs go."
        )
    return sentences


def angles_named(
    angles: Mapping[str, AngleOfDepth | None], by_angle: Collection[str]
) -> dict[str, AngleOfDepth]:
    """Edge angles of the patterns whose study lists edge angles."""
    return {name: of for name, of in angles.items() if of is not None and name in by_angle}


def headline(
    state: State,
    depth_m: float,
    low_m: float | None,
    high_m: float | None,
    named: Mapping[str, AngleOfDepth] = MappingProxyType({}),
) -> str:
    """Say in one line what to do.

    Parameters
    ----------
    state : State
        Of the decision.
    depth_m, low_m, high_m : float
        Depth that is best on average, and the interval of the best depth [m].
    named : mapping
        Edge angles of the patterns that are named by them (`angles_named`).
    """
    of_pattern = named.get(state.pattern)
    best = f"{state.pattern} at {depth_between(depth_m, low_m, high_m)}"
    if of_pattern is not None and (angled := _angle_between(of_pattern, depth_m, low_m, high_m)):
        best = f"{state.pattern} at {angled}"
    if state.word == DECIDED:
        return f"Decided: cut {best}"
    if state.word == PROTOTYPES:
        return f"Prototypes: {_prototypes(state.short_list, depth_digits(low_m, high_m), named)}"
    if state.word == RUN_MORE:
        return f"Run more: so far {best}"
    return "Nothing to decide"


def _angle_between(
    angles: AngleOfDepth, depth_m: float, low_m: float | None, high_m: float | None
) -> str | None:
    """Write a depth by its edge angle, with the interval that it lies in; None where that is not known."""
    angle = angles.at(depth_m)
    if angle is None:
        return None
    digits = 1 if depth_digits(low_m, high_m) == 2 else 2
    ends = [None if of is None else angles.at(of) for of in (low_m, high_m)]
    low, high = ends
    between = ""
    if low is not None and high is not None:
        between = f", between {number(low, digits)} and {number(high, digits, 'deg')}"
    depth = millimetres(depth_m, depth_digits(low_m, high_m))
    return f"an edge angle of {number(angle, digits, 'deg')}{between} (surface depth {depth})"


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
        f"{number(offer.core_hours, 1)} core hours, expected gain {yards_only(offer.gain_m)})"
        for offer in runs.depths[:2]
    ]
    if named:
        found.append(f"Compute next {' and '.join(named)}: depthline next writes that study.")
    return found


def unresolved_sentences(pattern: str, ranked_as: Mapping[str, str]) -> list[str]:
    """Say for which patterns a pattern stands whose surfaces the mesh does not resolve."""
    others = [name for name, stands in ranked_as.items() if stands == pattern != name]
    if not others:
        return []
    return [
        f"{pattern} stands for {_and(others)} too: the mesh does not resolve how their surfaces differ, so "
        "that they are not ranked against each other."
    ]


def mesh_sentences(error: MeshErrorSpec, level: str) -> list[str]:
    """Say how well the mesh level knows the slopes with depth; nothing where no error of them is known."""
    if not (error.cd_slope or error.cl_slope):
        return []
    cd, cl = share(error.cd_slope or 0.0, 0), share(error.cl_slope or 0.0, 0)
    return [
        f"On the {level} mesh the changes of Cd and Cl with depth are known to {cd} and {cl} of themselves, "
        "which is in the interval; a finer level narrows it."
    ]


def product_sentences(
    state: State,
    ranked: Sequence[PatternOfProduct],
    places: Sequence[PlaceOutcome],
    golfers: int,
    runs: RunsToAdd,
    named: Mapping[str, AngleOfDepth] = MappingProxyType({}),
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
    named : mapping
        As of `headline`.

    Returns
    -------
    list of str
        Plain sentences in trade units, the headline first.
    """
    best = next((entry for entry in ranked if entry.pattern == state.pattern), None)
    if best is None:
        return [breakable(text) for text in ("Nothing to decide.", *state.why)]
    whom = "the golfer" if golfers == 1 else f"the {golfers} golfers together"
    found = [
        f"{headline(state, best.depth_m, best.depth_lo_m, best.depth_hi_m, named)}.",
        *state.why,
    ]
    if state.word != NOTHING:
        found.append(
            f"For {whom} it gives away {yards_only(best.regret_m)} on average against the best pattern "
            f"and depth, were they known, and {yards_only(best.regret_hi_m)} in one case of twenty."
        )
    if state.word == RUN_MORE:
        found += next_sentences(runs, state)
    if state.place_decides:
        found += place_sentences(places)
    return [breakable(text) for text in found]


def _prototypes(listed: Sequence[Prototype], digits: int, named: Mapping[str, AngleOfDepth]) -> str:
    by_pattern: dict[str, list[float]] = {}
    for entry in listed:
        by_pattern.setdefault(entry.pattern, []).append(1e3 * entry.depth_m)
    found = []
    for pattern, depths in by_pattern.items():
        of_pattern = named.get(pattern)
        at = [None if of_pattern is None else of_pattern.at(1e-3 * depth) for depth in depths]
        if angles := [angle for angle in at if angle is not None]:
            texts = [number(angle, 2) for angle in angles]
            if len(angles) == len(depths) == len(set(texts)):
                found.append(f"{pattern} at edge angles of {_and(texts)} deg")
                continue
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


def _flight(row: DecisionRow, golfer: Golfer, angles: AngleOfDepth | None) -> list[str]:
    digits = depth_digits(row.best_depth_lo_m, row.best_depth_hi_m)
    angle = None if angles is None else angles.at(row.best_depth_m)
    angled = "" if angle is None else f" (edge angle {number(angle, 1 if digits == 2 else 2, 'deg')})"
    peak = f"a peak height of {yards(row.peak_height_m)}"
    wanted = golfer.flight_window
    where = "no flight window is given" if wanted is None else _in_window(row.peak_height_m, wanted)
    found = [
        f"At {millimetres(row.best_depth_m, digits)}{angled} it carries {yards(row.carry_m)}, "
        f"standard error {yards(row.carry_se_m)}, with {peak}; {where}."
    ]
    if row.crisis_m is not None and row.crisis_m > 0.5 * YARD_M:
        found.append(
            f"The drag crisis is expected to take {yards(row.crisis_m)} of that, since it may begin at "
            "a higher Reynolds number on balls that are cut."
        )
    return found


def _in_window(peak_m: float, wanted: FlightWindow) -> str:
    if peak_m < wanted.lowest_m:
        return f"that is {yards(wanted.lowest_m - peak_m)} below the flight window of {window(wanted)}"
    if peak_m > wanted.highest_m:
        return f"that is {yards(peak_m - wanted.highest_m)} above the flight window of {window(wanted)}"
    return f"that is in the flight window of {window(wanted)}"


def _tolerance(row: DecisionRow) -> str:
    if not is_number(row.tolerance_m):
        return "Within the depths studied no change of depth costs a yard of carry."
    return f"One yard of carry buys a tolerance of {micrometres(row.tolerance_m)} in depth."
