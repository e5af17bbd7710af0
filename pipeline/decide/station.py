"""The decision station: the depth to cut for every golfer and pattern, decision.csv and decision.json."""

import math
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel, models_from_coefficients
from pipeline.decide.depths import AngleOfDepth, Depths, angle_of_depth, studied_depths
from pipeline.decide.equipment_rules import equipment_rules
from pipeline.decide.moulding import moulded_share
from pipeline.decide.optimum import best_on_grid, curve, share_best, tolerance_on_grid
from pipeline.decide.product import Product, product, rank, short_list, verdict
from pipeline.decide.wording import advise, product_sentences
from pipeline.decide.worth import GRID, Worth, in_window, worth
from pipeline.files import write_json, write_text
from pipeline.flight.golfer import draw_shots
from pipeline.flight.population import DRAWS, SHOTS, PatternFlights, carry_per_diameter
from pipeline.flight.station import SEED, fly_golfer, scenarios_of
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
    "moulding_limit",
    "share_without_limit",
)
"""Columns of decision.csv, in their order; columns are only ever added."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the draws between which the best depth and the carry curve are given."""

EXTRAPOLATION_WORTH_A_NOTE = 0.01
_CURVE_POINTS = 61


class Flown(NamedTuple):
    """All flights of a study.

    Parameters
    ----------
    models : dict
        By pattern.
    every : dict
        By golfer and then pattern.
    flights : dict
        The same, depths that do not come down left out.
    worths : dict
        By (golfer, pattern).
    notes : list of str
        What was left out or does not fit.
    """

    models: dict[str, CoefficientModel]
    every: dict[str, dict[str, PatternFlights]]
    flights: dict[str, dict[str, PatternFlights]]
    worths: dict[tuple[str, str], Worth]
    notes: list[str]


def fly_everything(study: Study, coefficients: pd.DataFrame) -> Flown:
    """Fit the coefficients and fly every golfer with every pattern, depth and draw.

    Parameters
    ----------
    study : Study
        Patterns, golfers, ball and air.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    Flown
        Flights, and what they are worth. Draws in which some ball does not come down are left out for all.
    """
    models, notes = models_from_coefficients(coefficients)
    known = set(coefficients["pattern"])
    notes += [f"{pattern.name}: has no runs." for pattern in study.patterns if pattern.name not in known]
    every: dict[str, dict[str, PatternFlights]] = {}
    flights: dict[str, dict[str, PatternFlights]] = {}
    for golfer in study.golfers:
        every[golfer.name] = fly_golfer(study, golfer, models)
        flights[golfer.name] = {
            pattern: landed
            for pattern, flown in every[golfer.name].items()
            if (landed := _landed(flown, pattern, golfer, notes))
        }
        notes += _warnings(golfer, flights[golfer.name])
    finite = np.ones(DRAWS, bool)
    for of_golfer in flights.values():
        for flown in of_golfer.values():
            finite &= np.isfinite(flown.carry_draws_m).all(axis=0)
    worths = {
        (golfer.name, pattern): worth(flown, golfer.flight_window, finite, golfer.aim)
        for golfer in study.golfers
        for pattern, flown in flights[golfer.name].items()
    }
    return Flown(models, every, flights, worths, notes)


def product_of(study: Study, flown: Flown) -> tuple[Product | None, list[str]]:
    """One product for the golfers with a weight; None when no pattern flies for all of them.

    Returns
    -------
    product : Product or None
        Patterns that all of them can be flown with over the same depths.
    golfers : list of str
        Who counts.
    """
    weights = {golfer.name: golfer.weight for golfer in study.golfers if golfer.weight > 0}
    if not weights:
        return None, []
    shared: dict[tuple[str, str], Worth] = {}
    for pattern in study.patterns:
        of_pattern = [flown.worths.get((golfer, pattern.name)) for golfer in weights]
        grids = [of.depth_m for of in of_pattern if of is not None]
        if len(grids) == len(of_pattern) and all(np.array_equal(grids[0], grid) for grid in grids):
            shared |= {(golfer, pattern.name): flown.worths[golfer, pattern.name] for golfer in weights}
    return (product(shared, weights) if shared else None), list(weights)


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
        leave-one-out of each pattern), notes (what was left out or extrapolated), mesh_error, interval,
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
    rows: list[dict[str, Any]] = []
    curves, advice = [], []
    for golfer in study.golfers:
        flights = flown.flights[golfer.name]
        of_golfer = _decide(study, golfer, flown, angles)
        for row in of_golfer:
            regrets = [entry.regrets_m for entry in ranked if entry.pattern == row["pattern"]]
            row["regret_m"] = regrets[0].get(golfer.name, math.nan) if regrets else math.nan
        rows += of_golfer
        curves += [_curves(golfer, pattern, f) for pattern, f in flights.items()]
        depths = {
            name: Depths(float(f.depth_m[0]), float(f.depth_m[-1]), studied[name], angles[name])
            for name, f in flights.items()
        }
        advice.append(asdict(advise(golfer, of_golfer, depths)))
        notes += _outside_all(golfer, flown)
    notes += [
        f"{pattern}: only one usable depth ({model.depth_m[0] * 1e3:.3f} mm), so that there is no best one "
        "to find."
        for pattern, model in flown.models.items()
        if model.depth_m.size == 1
    ]
    prototypes = short_list(of) if of is not None else []
    word, why = verdict(ranked, prototypes)
    details = {
        "study": study.name,
        "golfers": [golfer.name for golfer in study.golfers],
        "patterns": [pattern.name for pattern in study.patterns],
        "rows": [{key: _jsonable(value) for key, value in row.items()} for row in rows],
        "curves": curves,
        "advice": advice,
        "scenarios": _scenarios(study, flown, rows),
        "product": {
            "verdict": word,
            "why": why,
            "sentences": product_sentences(word, why, ranked, prototypes, len(counted)),
            "weights": {golfer.name: golfer.weight for golfer in study.golfers},
            "patterns": [asdict(entry) for entry in ranked],
            "short_list": [asdict(entry) for entry in prototypes],
        },
        "equipment_rules": equipment_rules(
            study, flown.models, {entry.pattern: entry.depth_m for entry in ranked}
        ),
        "models": [model.summary() for model in flown.models.values()],
        "notes": notes,
        "mesh_error": None if study.flow.mesh_error is None else study.flow.mesh_error.model_dump(),
        "interval": list(INTERVAL),
        "shots": SHOTS,
        "draws": DRAWS,
    }
    return pd.DataFrame(rows, columns=list(COLUMNS)), details


def write_decision(folder: Path, decision: pd.DataFrame, details: dict[str, Any]) -> None:
    """Write decision.csv and decision.json into a folder, each atomically."""
    write_text(Path(folder) / "decision.csv", decision.to_csv(index=False, lineterminator="\n"))
    write_json(Path(folder) / "decision.json", details)


def _landed(flown: PatternFlights, pattern: str, golfer: Golfer, notes: list[str]) -> PatternFlights | None:
    """Leave out depths whose ball does not come down; None when none is left."""
    keep = np.isfinite(flown.mean.carry_m)
    if keep.all():
        return flown
    for depth in flown.depth_m[~keep]:
        notes.append(
            f"{pattern}, depth {depth * 1e3:.3f} mm: the ball of {golfer.name} does not come down with these "
            "coefficients; this depth is left out."
        )
    return flown.at(keep) if keep.any() else None


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
        if (flown.worths[golfer.name, pattern].value_m < flown.worths[golfer.name, pattern].carry_m).all()
    ]


def _warnings(golfer: Golfer, flown: dict[str, PatternFlights]) -> list[str]:
    found = []
    for pattern, f in flown.items():
        share = float(f.mean.extrapolated.max())
        if share >= EXTRAPOLATION_WORTH_A_NOTE:
            found.append(
                f"{pattern}: the shots of {golfer.name} spend up to {100 * share:.0f} % of their time at "
                "Reynolds numbers or spin ratios that were not computed; the nearest "
                "computed values are used there."
            )
        lost = int((~np.isfinite(f.carry_draws_m)).any(axis=0).sum())
        if lost:
            found.append(
                f"{pattern}: {lost} of {f.carry_draws_m.shape[1]} draws for {golfer.name} are left out, "
                "since the ball does not come down in them; the standard errors of its runs are too large."
            )
    return found


def _jsonable(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
