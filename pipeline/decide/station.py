"""The decision station: the depth to cut for every golfer and pattern, decision.csv and decision.json."""

import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.patterns import summary
from pipeline.decide.depths import AngleOfDepth, Depths, angle_of_depth, shallowest_depths, studied_depths
from pipeline.decide.equipment_rules import equipment_rules
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.population import DRAWS, SHOTS, PatternFlights, carry_per_diameter
from pipeline.decide.flights.station import SEED, scenarios_of
from pipeline.decide.flown import Flown, fly_everything, product_of
from pipeline.decide.moulding import moulded_share
from pipeline.decide.optimum import best_on_grid, curve, share_best, tolerance_on_grid
from pipeline.decide.place_outcomes import PlaceOutcome, place_outcomes
from pipeline.decide.product import Product, product, rank
from pipeline.decide.run_more import runs_to_add
from pipeline.decide.state import NOTHING, Evidence, State, nothing_to_decide, state_of
from pipeline.decide.wording import advise, not_told_sentences, product_sentences
from pipeline.decide.worth import GRID, Worth, in_window, outside_cost
from pipeline.files.atomic import write_json, write_text
from pipeline.flow.campaign.unresolved import Unresolved
from pipeline.records.tree import DECISION, DECISION_TABLE
from pipeline.study.model import Golfer, Study
from pipeline.study.units import YARD_M

COLUMNS = (
    "golfer",
    "pattern",
    "best_depth_m",
    "best_depth_lo_m",
    "best_depth_hi_m",
    "carry_m",
    "carry_se_m",
    "peak_height_m",
    "in_window",
    "p_best",
    "tolerance_m",
    "at_edge",
    "descent_deg",
    "p_edge",
    "regret_m",
    "tolerance_edge_angle_deg",
    "tolerance_diameter_m",
    "share_within_yard",
    "total_m",
    "total_se_m",
    "state",
    "carry_lo_m",
    "carry_hi_m",
    "crisis_m",
    "moulding_limit",
    "share_without_limit",
    "not_told_from",
)
"""Columns of decision.csv, in their order; columns are only ever added."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the draws between which the best depth and the carry curve are given."""

_CURVE_POINTS = 61


def decide_study(
    study: Study,
    coefficients: pd.DataFrame,
    flown: Flown | None = None,
    unresolved: Sequence[Unresolved] = (),
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Find the depth to cut for every golfer and pattern, and one product for all golfers.

    Parameters
    ----------
    study : Study
        Patterns, golfers, ball and air.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    flown : Flown, optional
        From `fly_everything`; flown here when absent.
    unresolved : sequence of Unresolved
        Pairs of patterns that the mesh does not tell apart (`unresolved_patterns`). Of those the first in the
        study's order is ranked, and stands for the others.

    Returns
    -------
    decision : DataFrame
        One row a golfer and pattern, in the study's order, with the columns `COLUMNS`. The best depth is that
        of the greatest carry, or total distance where the golfer aims at that, less what a flight outside a
        preferred or required window costs. Its interval covers 5 to 95 % of the joint draws of the
        coefficients and of the errors that the study states (NaN with one usable depth); p_best is the share
        of draws in which the pattern, at its best depth, is the best; p_edge that in which its best depth is
        the shallowest or deepest; in_window is None without a flight window; regret_m is what the golfer
        gives away, on average over the draws, with the pattern at the depth that is best for all golfers
        against his own best; share_within_yard is NaN without a moulding scatter, moulding_limit the scatter
        that costs the most of it and share_without_limit the share if that were zero; total_m is less certain
        than its standard error says; not_told_from names the patterns, "; " between them, from which the mesh
        does not tell it. One that another stands for has the p_best of that one, and no regret. A pattern
        without a usable depth has no row.
    details : dict
        JSON-ready: study, golfers, patterns, rows (as the frame), curves (golfer, pattern, and lists depth_m,
        carry_m, carry_lo_m, carry_hi_m, peak_height_m), advice (the decision in plain words, as of
        `pipeline.decide.wording.Advice`, one a golfer), scenarios (golfer, pattern, scenario, weight, carry_m
        at the depth named, best_depth_m there; empty without scenarios), product (verdict, why, sentences,
        weights, patterns as of `pipeline.decide.product.PatternOfProduct`, short_list), models (fit and
        leave-one-out of each pattern), next (as of
        `pipeline.decide.run_more.RunsToAdd`), notes (what was left out or extrapolated), not_told_apart
        (pattern, other, and the rest of `Unresolved` with its sentence), mesh_error, interval, shots, draws.

    Raises
    ------
    InputError
        The coefficients lack a column.
    """
    flown = fly_everything(study, coefficients) if flown is None else flown
    flown = flown._replace(unresolved=unresolved)
    notes = list(flown.notes)
    of, counted = product_of(study, flown)
    ranked = rank(of, flown.worths, counted) if of is not None else []
    studied, limits = studied_depths(study, coefficients), shallowest_depths(study)
    angles = {pattern: angle_of_depth(coefficients, pattern) for pattern in flown.models}
    nothing = nothing_to_decide(coefficients, {name: flown.models[name] for name in flown.ranked})
    rows: list[dict[str, Any]] = []
    curves, advice = [], []
    of_all, places_of_all = _state(
        flown, counted, of, product_of(study, flown, placed=True)[0], nothing, studied, limits
    )
    states = {
        golfer.name: _state(
            flown,
            [golfer.name],
            _of_one(flown.worths, golfer, flown.ranked),
            _of_one(flown.placed, golfer, flown.ranked),
            nothing,
            studied,
            limits,
        )
        for golfer in study.golfers
    }
    runs = runs_to_add(study, coefficients, flown, [of_all, *(state for state, _ in states.values())])
    for golfer in study.golfers:
        flights = flown.flights[golfer.name]
        state, places = states[golfer.name]
        of_golfer = _decide(study, golfer, flown, angles)
        for row in of_golfer:
            regrets = [entry.regrets_m for entry in ranked if entry.pattern == row["pattern"]]
            row["regret_m"] = regrets[0].get(golfer.name, math.nan) if regrets else math.nan
            row["state"] = state.word
        rows += of_golfer
        curves += [_curves(golfer, pattern, f) for pattern, f in flights.items()]
        depths = {
            name: Depths(float(f.depth_m[0]), float(f.depth_m[-1]), studied[name], angles[name])
            for name, f in flights.items()
        }
        ranked_rows = [row for row in of_golfer if row["pattern"] in flown.ranked]
        told = asdict(advise(golfer, ranked_rows, depths, state, places, runs))
        advice.append(told | _of_state(state, places))
        notes += _outside_all(golfer, flown)
    notes += [
        f"{pattern}: only one usable depth ({model.depth_m[0] * 1e3:.3f} mm), so that there is no best one "
        "to find."
        for pattern, model in flown.models.items()
        if model.depth_m.size == 1
    ]
    details = {
        "study": study.name,
        "golfers": [golfer.name for golfer in study.golfers],
        "patterns": [pattern.name for pattern in study.patterns],
        "state": of_all.word,
        "rows": [{key: _jsonable(value) for key, value in row.items()} for row in rows],
        "curves": curves,
        "advice": advice,
        "scenarios": _scenarios(study, flown, rows),
        "product": {
            **_of_state(of_all, places_of_all),
            "sentences": product_sentences(of_all, ranked, places_of_all, len(counted), runs),
            "weights": {golfer.name: golfer.weight for golfer in study.golfers},
            "patterns": [asdict(entry) for entry in ranked],
        },
        "equipment_rules": equipment_rules(
            study, flown.models, {entry.pattern: entry.depth_m for entry in ranked}
        ),
        "next": asdict(runs),
        "models": [summary(model) for model in flown.models.values()],
        "notes": notes,
        "not_told_apart": [asdict(pair) | {"sentence": pair.sentence} for pair in unresolved],
        "mesh_error": None if study.flow.mesh_error is None else study.flow.mesh_error.model_dump(),
        "interval": list(INTERVAL),
        "shots": SHOTS,
        "draws": DRAWS,
    }
    return pd.DataFrame(rows, columns=list(COLUMNS)), details


def _of_one(worths: dict[tuple[str, str], Worth], golfer: Golfer, ranked: Sequence[str]) -> Product | None:
    own = {key: of for key, of in worths.items() if key[0] == golfer.name and key[1] in ranked}
    return product(own, {golfer.name: 1.0}) if own else None


def _state(
    flown: Flown,
    golfers: list[str],
    of: Product | None,
    placed: Product | None,
    nothing: str | None,
    studied: dict[str, list[float]],
    limits: dict[str, float],
) -> tuple[State, list[PlaceOutcome]]:
    """State of the decision for one golfer or several, and what the place of the crisis would make best."""
    if of is None:
        why = nothing or "No pattern can be flown by all golfers."
        return State(NOTHING, "", math.nan, math.nan, [why]), []
    flights = {(golfer, pattern): f for golfer in golfers for pattern, f in flown.flights[golfer].items()}
    state = state_of(Evidence(of, placed, flown.models, flights, studied, limits))
    if nothing is not None:
        return replace(state, word=NOTHING, why=[nothing], place_decides=False), []
    state = replace(state, why=[*state.why, *not_told_sentences(state.pattern, flown.ranked_as)])
    model = flown.models[state.pattern]
    if model.criterion is None or not state.place_decides:
        return state, []
    # Draws in which some ball does not come down are missing from the values; without any, numbers agree.
    shift = model.shifts(DRAWS, SEED)
    if shift.size != of.value_draws_m[state.pattern].shape[1]:
        return state, []
    return state, place_outcomes(of, state.pattern, state.depth_m, model.criterion, shift)


def _of_state(state: State, places: list[PlaceOutcome]) -> dict[str, Any]:
    return {
        "state": state.word,
        "why": state.why,
        "pattern": state.pattern,
        "depth_m": _jsonable(state.depth_m),
        "p_within_yard": _jsonable(state.p_within_yard),
        "short_list": [asdict(entry) for entry in state.short_list],
        "places": [asdict(place) for place in places],
    }


def write_decision(folder: Path, decision: pd.DataFrame, details: dict[str, Any]) -> None:
    """Write decision.csv and decision.json into a folder, each atomically."""
    write_text(Path(folder) / DECISION_TABLE, decision.to_csv(index=False, lineterminator="\n"))
    write_json(Path(folder) / DECISION, details)


def _decide(
    study: Study, golfer: Golfer, flown: Flown, angles: dict[str, AngleOfDepth | None]
) -> list[dict[str, Any]]:
    worths = {name: flown.worths[golfer.name, name] for name in flown.flights[golfer.name]}
    if not worths:
        return []
    drawn = {name: best_on_grid(of.depth_m, of.value_draws_m) for name, of in worths.items()}
    ranked = [name for name in worths if name in flown.ranked]
    p_best = dict(zip(ranked, share_best([drawn[name].carry_m for name in ranked]), strict=True))
    rows = []
    for name, of in worths.items():
        best = best_on_grid(of.depth_m, of.value_m[:, None])
        depth, one_depth = float(best.depth_m[0]), of.depth_m.size == 1
        low, high = np.quantile(drawn[name].depth_m, INTERVAL)
        carry, peak, descent, total = (
            float(curve(of.depth_m, values, [depth])[0])
            for values in (of.carry_m, of.peak_m, of.descent_rad, of.total_m)
        )
        off = tolerance_on_grid(of.depth_m, of.value_m)
        least, most = np.quantile(curve(of.depth_m, of.carry_draws_m, [depth])[0], INTERVAL)
        rows.append(
            {
                "golfer": golfer.name,
                "pattern": name,
                "best_depth_m": depth,
                "best_depth_lo_m": math.nan if one_depth else float(low),
                "best_depth_hi_m": math.nan if one_depth else float(high),
                "carry_m": carry,
                "carry_se_m": float(curve(of.depth_m, of.carry_draws_m, [depth])[0].std(ddof=1)),
                "peak_height_m": peak,
                "in_window": in_window(golfer.flight_window, peak, descent),
                "p_best": float(p_best.get(flown.ranked_as[name], math.nan)),
                "tolerance_m": off,
                "at_edge": bool(best.at_edge[0]),
                "descent_deg": math.degrees(descent),
                "p_edge": float(drawn[name].at_edge.mean()),
                "total_m": total,
                "total_se_m": float(curve(of.depth_m, of.total_draws_m, [depth])[0].std(ddof=1)),
                "carry_lo_m": float(least),
                "carry_hi_m": float(most),
                "crisis_m": float(curve(of.depth_m, of.crisis_m, [depth])[0]),
                "not_told_from": "; ".join(_not_told_from(name, flown.unresolved)),
            }
            | _mould(study, golfer, flown.models[name], of, depth, off, angles[name])
        )
    return rows


def _not_told_from(pattern: str, unresolved: Sequence[Unresolved]) -> list[str]:
    pairs = [(pair.pattern, pair.other) for pair in unresolved if pattern in (pair.pattern, pair.other)]
    return [other if pattern == one else one for one, other in pairs]


def _mould(
    study: Study,
    golfer: Golfer,
    model: CoefficientModel,
    of: Worth,
    depth: float,
    off: float,
    angles: AngleOfDepth | None,
) -> dict[str, Any]:
    """Tolerances of edge angle and diameter, and the share of balls within a yard and what limits it."""
    slope = None if angles is None else angles.slope(depth)
    by_diameter = carry_per_diameter(model, depth, draw_shots(golfer, SHOTS, SEED), scenarios_of(study))
    moulded = None
    if study.moulding is not None:
        moulded = moulded_share(of.depth_m, of.value_m, depth, by_diameter, study.moulding, slope)
    return {
        "tolerance_edge_angle_deg": math.nan if slope is None else off * slope,
        "tolerance_diameter_m": abs(YARD_M / by_diameter) if by_diameter else math.nan,
        "share_within_yard": math.nan if moulded is None else moulded.share,
        "moulding_limit": None if moulded is None else moulded.limit,
        "share_without_limit": math.nan if moulded is None else moulded.share_without,
    }


def _scenarios(study: Study, flown: Flown, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What each scenario makes of the depth named, and its own best depth."""
    found = []
    for row in rows if study.scenarios else ():
        of = flown.flights[row["golfer"]][row["pattern"]]
        grid = np.linspace(of.depth_m[0], of.depth_m[-1], GRID) if of.depth_m.size > 1 else of.depth_m
        for spec in study.scenarios:
            carry = curve(of.depth_m, of.by_scenario[spec.name].carry_m, grid)
            found.append(
                {
                    "golfer": row["golfer"],
                    "pattern": row["pattern"],
                    "scenario": spec.name,
                    "weight": spec.weight,
                    "carry_m": float(np.interp(row["best_depth_m"], grid, carry)),
                    "best_depth_m": float(best_on_grid(grid, carry[:, None]).depth_m[0]),
                }
            )
    return found


def _curves(golfer: Golfer, pattern: str, flown: PatternFlights) -> dict[str, Any]:
    depth = flown.depth_m
    at = np.linspace(depth[0], depth[-1], _CURVE_POINTS) if depth.size > 1 else depth
    finite = np.isfinite(flown.carry_draws_m).all(axis=0)
    low, high = np.quantile(curve(depth, flown.carry_draws_m[:, finite], at), INTERVAL, axis=1)
    return {
        "golfer": golfer.name,
        "pattern": pattern,
        "depth_m": at.tolist(),
        "carry_m": curve(depth, flown.mean.carry_m, at).tolist(),
        "carry_lo_m": low.tolist(),
        "carry_hi_m": high.tolist(),
        "peak_height_m": curve(depth, flown.mean.peak_height_m, at).tolist(),
    }


def _outside_all(golfer: Golfer, flown: Flown) -> list[str]:
    """Note the patterns of which no depth fulfils a golfer's required window."""
    window = golfer.flight_window
    if window is None or window.role != "constraint":
        return []
    return [
        f"{pattern}: no depth studied flies in the window that {golfer.name} requires; the nearest is named."
        for pattern in flown.flights[golfer.name]
        for of in [flown.worths[golfer.name, pattern]]
        if (outside_cost(window, of.peak_m, of.descent_rad) > 0.0).all()
    ]


def _jsonable(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
