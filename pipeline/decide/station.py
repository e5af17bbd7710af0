"""The decision station: the depth to cut for every golfer and pattern, decision.csv and decision.json."""

import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.patterns import summary
from pipeline.decide.depths import AngleOfDepth, Depths, angle_of_depth, studied_depths
from pipeline.decide.equipment_rules import equipment_rules
from pipeline.decide.flown import Flown, fly_everything, product_of
from pipeline.decide.moulding import moulded_share
from pipeline.decide.next_runs import WORTHLESS_M, NextConditions, NextDepth, next_conditions, next_depths
from pipeline.decide.optimum import best_on_grid, curve, share_best, tolerance_on_grid
from pipeline.decide.place_outcomes import PlaceOutcome, place_outcomes
from pipeline.decide.product import Product, product, rank
from pipeline.decide.state import NOTHING, RUN_MORE, Evidence, State, nothing_to_decide, state_of
from pipeline.decide.wording import advise, product_sentences
from pipeline.decide.worth import GRID, Worth, in_window, outside_cost
from pipeline.errors import InputError
from pipeline.files import write_json, write_text
from pipeline.flight.golfer import draw_shots
from pipeline.flight.population import DRAWS, SHOTS, PatternFlights, carry_per_diameter
from pipeline.flight.station import SEED, scenarios_of
from pipeline.quantities import YARD_M
from pipeline.study import Golfer, Study

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
)
"""Columns of decision.csv, in their order; columns are only ever added."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the draws between which the best depth and the carry curve are given."""

DRAWS_OF_NEXT = 100
"""Draws by which the runs to compute next are ranked, a quarter of the decision's: flights take the time, and
which depth is named hangs little on them; `depthline next` takes all."""

_CURVE_POINTS = 61


def decide_study(
    study: Study, coefficients: pd.DataFrame, flown: Flown | None = None
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
        than its standard error says. A pattern without a usable depth has no row.
    details : dict
        JSON-ready: study, golfers, patterns, rows (as the frame), curves (golfer, pattern, and lists depth_m,
        carry_m, carry_lo_m, carry_hi_m, peak_height_m), advice (the decision in plain words, as of
        `pipeline.decide.wording.Advice`, one a golfer), scenarios (golfer, pattern, scenario, weight, carry_m
        at the depth named, best_depth_m there; empty without scenarios), product (verdict, why, sentences,
        weights, patterns as of `pipeline.decide.product.PatternOfProduct`, short_list), models (fit and
        leave-one-out of each pattern), next (depths whose runs are worth their price, as of
        `pipeline.decide.next_runs.NextDepth`; empty unless more runs are needed), next_conditions (what to
        add where flights leave the table), notes (what was left out or extrapolated), mesh_error, interval,
        shots, draws.

    Raises
    ------
    InputError
        The coefficients lack a column.
    """
    flown = fly_everything(study, coefficients) if flown is None else flown
    notes = list(flown.notes)
    of, counted = product_of(study, flown)
    ranked = rank(of, flown.worths, counted) if of is not None else []
    studied = studied_depths(study, coefficients)
    angles = {pattern: angle_of_depth(coefficients, pattern) for pattern in flown.models}
    nothing = nothing_to_decide(coefficients, flown.models)
    rows: list[dict[str, Any]] = []
    curves, advice = [], []
    of_all, places_of_all = _state(
        flown, counted, of, product_of(study, flown, placed=True)[0], nothing, studied
    )
    states = {
        golfer.name: _state(
            flown,
            [golfer.name],
            _of_one(flown.worths, golfer),
            _of_one(flown.placed, golfer),
            nothing,
            studied,
        )
        for golfer in study.golfers
    }
    judged = [of_all, *(state for state, _ in states.values())]
    offers = _offers(study, coefficients, flown) if any(state.word == RUN_MORE for state in judged) else []
    missing = _missing(study, flown, judged)
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
        told = asdict(advise(golfer, of_golfer, depths, state, places, offers, missing))
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
            "sentences": product_sentences(of_all, ranked, places_of_all, len(counted), offers, missing),
            "weights": {golfer.name: golfer.weight for golfer in study.golfers},
            "patterns": [asdict(entry) for entry in ranked],
        },
        "equipment_rules": equipment_rules(
            study, flown.models, {entry.pattern: entry.depth_m for entry in ranked}
        ),
        "next": [asdict(offer) for offer in offers],
        "next_conditions": None if missing is None else asdict(missing),
        "models": [summary(model) for model in flown.models.values()],
        "notes": notes,
        "mesh_error": None if study.flow.mesh_error is None else study.flow.mesh_error.model_dump(),
        "interval": list(INTERVAL),
        "shots": SHOTS,
        "draws": DRAWS,
    }
    return pd.DataFrame(rows, columns=list(COLUMNS)), details


def _offers(study: Study, coefficients: pd.DataFrame, flown: Flown) -> list[NextDepth]:
    """Depths whose runs are worth their price; none when a draw does not come down."""
    try:
        ranked = next_depths(study, coefficients, flown.models, DRAWS_OF_NEXT)
    except InputError:  # it says what the decision's own notes say
        return []
    return [offer for offer in ranked if offer.gain_m >= WORTHLESS_M]


def _missing(study: Study, flown: Flown, judged: list[State]) -> NextConditions | None:
    """Conditions to add where flights leave the table, by the tables of the depths named."""
    best = {state.pattern: state.depth_m for state in judged if state.leaves_table}
    if not best:
        return None
    return next_conditions(
        study, {pattern: flown.models[pattern].tables([depth])[0] for pattern, depth in best.items()}
    )


def _of_one(worths: dict[tuple[str, str], Worth], golfer: Golfer) -> Product | None:
    own = {key: of for key, of in worths.items() if key[0] == golfer.name}
    return product(own, {golfer.name: 1.0}) if own else None


def _state(
    flown: Flown,
    golfers: list[str],
    of: Product | None,
    placed: Product | None,
    nothing: str | None,
    studied: dict[str, list[float]],
) -> tuple[State, list[PlaceOutcome]]:
    """State of the decision for one golfer or several, and what the place of the crisis would make best."""
    if of is None:
        why = nothing or "No pattern can be flown by all golfers."
        return State(NOTHING, "", math.nan, math.nan, [why]), []
    flights = {(golfer, pattern): f for golfer in golfers for pattern, f in flown.flights[golfer].items()}
    state = state_of(Evidence(of, placed, flown.models, flights, studied))
    if nothing is not None:
        return replace(state, word=NOTHING, why=[nothing], place_decides=False), []
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
    write_text(Path(folder) / "decision.csv", decision.to_csv(index=False, lineterminator="\n"))
    write_json(Path(folder) / "decision.json", details)


def _decide(
    study: Study, golfer: Golfer, flown: Flown, angles: dict[str, AngleOfDepth | None]
) -> list[dict[str, Any]]:
    worths = {name: flown.worths[golfer.name, name] for name in flown.flights[golfer.name]}
    if not worths:
        return []
    drawn = {name: best_on_grid(of.depth_m, of.value_draws_m) for name, of in worths.items()}
    p_best = share_best([best.carry_m for best in drawn.values()])
    rows = []
    for (name, of), p in zip(worths.items(), p_best, strict=True):
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
                "p_best": float(p),
                "tolerance_m": off,
                "at_edge": bool(best.at_edge[0]),
                "descent_deg": math.degrees(descent),
                "p_edge": float(drawn[name].at_edge.mean()),
                "total_m": total,
                "total_se_m": float(curve(of.depth_m, of.total_draws_m, [depth])[0].std(ddof=1)),
                "carry_lo_m": float(least),
                "carry_hi_m": float(most),
                "crisis_m": float(curve(of.depth_m, of.crisis_m, [depth])[0]),
            }
            | _mould(study, golfer, flown.models[name], of, depth, off, angles[name])
        )
    return rows


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
