"""The decision in plain words."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.decide.product import PatternOfProduct, Prototype
from pipeline.quantities import YARD_M


def sentence(
    golfer: str,
    rows: Sequence[Mapping[str, Any]],
    ranges: Mapping[str, tuple[float, float]],
    aim: str = "carry",
) -> str:
    """Say what to cut for one golfer.

    Parameters
    ----------
    golfer : str
        Name.
    rows : sequence of mapping
        The golfer's rows of decision.csv, by column.
    ranges : mapping
        From each pattern to its shallowest and deepest usable depth [m].
    aim : {"carry", "total"}
        What the depth is chosen for.

    Returns
    -------
    str
        A few plain sentences in trade units, about the pattern that is most likely the best.
    """
    if not rows:
        return f"{golfer}: no depth can be named, since no pattern has a usable run."
    row = max(rows, key=lambda candidate: (candidate["p_best"], candidate["carry_m"]))
    shallowest, deepest = ranges[row["pattern"]]
    carry, error = row["carry_m"], row["carry_se_m"]
    carry_text = f"carry {carry / YARD_M:.1f} yd ({carry:.1f} m, standard error {error:.1f} m)"
    flight = f"{carry_text}, peak height {row['peak_height_m']:.1f} m"
    depth = row["best_depth_m"]
    if shallowest == deepest:
        parts = [
            f"{golfer}: {row['pattern']} has one usable depth, {_mm(depth)}: {flight}; whether "
            "another depth is better is not known"
        ]
    elif row["at_edge"]:
        way, more = ("shallowest", "shallower") if depth == shallowest else ("deepest", "deeper")
        parts = [
            f"{golfer}: {row['pattern']} carries furthest at the {way} depth studied, {_mm(depth)}: "
            f"{flight}; the best depth may lie beyond it, so study {more} ones before cutting"
        ]
    else:
        parts = [
            f"{golfer}: cut {row['pattern']} at {_mm(depth)} (90 % interval "
            f"{row['best_depth_lo_m'] * 1e3:.3f} to {_mm(row['best_depth_hi_m'])}): {flight}"
        ]
        if math.isnan(row["tolerance_m"]):
            parts.append("No depth studied costs a yard")
        else:
            parts.append(f"A depth off by {row['tolerance_m'] * 1e6:.0f} micrometres costs a yard of carry")
    if aim == "total":
        parts.append(
            f"The depth is chosen for the total distance, {row['total_m'] / YARD_M:.1f} yd, which is less "
            "certain than the carry"
        )
    if row["in_window"] is not None:
        parts.append(f"The peak height is {'inside' if row['in_window'] else 'outside'} the flight window")
    if len(rows) > 1:
        parts.append(f"It is the best of the {len(rows)} patterns with probability {row['p_best']:.2f}")
    return ". ".join(parts) + "."


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
            f"For {whom} {best.pattern} at {_mm(best.depth_m)} is best (90 % interval "
            f"{best.depth_lo_m * 1e3:.3f} to "
            f"{_mm(best.depth_hi_m)}); it gives away {best.regret_m / YARD_M:.1f} yd on average against "
            "the best "
            f"pattern and depth, were they known, and {best.regret_hi_m / YARD_M:.1f} yd in one case of "
            "twenty."
        )
    if len(prototypes) > 1 and word != "decided":
        listed = ", ".join(
            f"{entry.pattern} {_mm(entry.depth_m)} ({entry.p_so_far:.2f})" for entry in prototypes[:8]
        )
        found.append(
            f"Prototypes in the order to cut, with the probability that one so far is the best: {listed}."
        )
    return found


def _mm(depth_m: float) -> str:
    return f"{depth_m * 1e3:.3f} mm"
