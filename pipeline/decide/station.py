"""The decision station: the depth to cut for every golfer and pattern, decision.csv and decision.json."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.aero.from_runs import tables_from_coefficients
from pipeline.decide.optimum import best_depth, curve, share_best, tolerance
from pipeline.decide.wording import sentence
from pipeline.files import write_json, write_text
from pipeline.flight.population import DRAWS, SHOTS, PatternFlights
from pipeline.flight.station import fly_golfer
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
)
"""Columns of decision.csv, in their order; columns are only ever added."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the draws between which the best depth and the carry curve are given."""

EXTRAPOLATION_WORTH_A_NOTE = 0.01
_CURVE_POINTS = 61


def decide_study(study: Study, coefficients: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Find the depth of greatest carry for every golfer and pattern.

    Parameters
    ----------
    study : Study
        Patterns, golfers, ball and air.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    decision : DataFrame
        One row a golfer and pattern, in the study's order, with the columns `COLUMNS`. The interval of the
        best depth covers 5 to 95 % of the draws of the coefficients within their standard errors (NaN with
        one usable depth); p_best is the share of draws in which the pattern, at its best depth, carries
        furthest; in_window is None without a flight window. A pattern without a usable depth has no row.
    details : dict
        JSON-ready: study, golfers, patterns, rows (as the frame), curves (golfer, pattern, and lists depth_m,
        carry_m, carry_lo_m, carry_hi_m, peak_height_m), sentences (the decision in plain words, one a
        golfer), notes (what was filled, left out or extrapolated), interval, shots, draws.

    Raises
    ------
    InputError
        The coefficients lack a column or have a run twice.
    """
    tables, notes = tables_from_coefficients(coefficients)
    known = set(coefficients["pattern"])
    notes += [f"{pattern.name}: has no runs." for pattern in study.patterns if pattern.name not in known]
    rows: list[dict[str, Any]] = []
    curves, sentences = [], []
    for golfer in study.golfers:
        flown = fly_golfer(study, golfer, tables)
        flown = {
            pattern: landed for pattern, f in flown.items() if (landed := _landed(f, pattern, golfer, notes))
        }
        of_golfer = _decide(golfer, flown)
        rows += of_golfer
        curves += [_curves(golfer, pattern, f) for pattern, f in flown.items()]
        sentences.append(sentence(golfer.name, of_golfer, _ranges(flown)))
        notes += _warnings(golfer, flown)
    notes += [
        f"{pattern}: only one usable depth ({depths[0] * 1e3:.3f} mm), so that there is no best one to find."
        for pattern in dict.fromkeys(name for name, _ in tables)
        if len(depths := [depth for name, depth in tables if name == pattern]) == 1
    ]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    details = {
        "study": study.name,
        "golfers": [golfer.name for golfer in study.golfers],
        "patterns": [pattern.name for pattern in study.patterns],
        "rows": [{key: _jsonable(value) for key, value in row.items()} for row in rows],
        "curves": curves,
        "sentences": sentences,
        "notes": notes,
        "interval": list(INTERVAL),
        "shots": SHOTS,
        "draws": DRAWS,
    }
    return frame, details


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


def _decide(golfer: Golfer, flown: dict[str, PatternFlights]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    if not flown:
        return rows
    # Draws in which some ball does not come down say nothing about the others.
    finite = np.all([np.isfinite(f.carry_draws_m).all(axis=0) for f in flown.values()], axis=0)
    drawn = {pattern: f.carry_draws_m[:, finite] for pattern, f in flown.items()}
    best_drawn = {pattern: best_depth(f.depth_m, drawn[pattern]) for pattern, f in flown.items()}
    p_best = share_best([best.carry_m for best in best_drawn.values()])
    for (pattern, f), p in zip(flown.items(), p_best, strict=True):
        best = best_depth(f.depth_m, f.mean.carry_m)
        depth, one_depth = best.depth_m[0], f.depth_m.size == 1
        low, high = np.quantile(best_drawn[pattern].depth_m, INTERVAL)
        peak = float(curve(f.depth_m, f.mean.peak_height_m, [depth])[0])
        window = golfer.flight_window
        rows.append(
            {
                "golfer": golfer.name,
                "pattern": pattern,
                "best_depth_m": float(depth),
                "best_depth_lo_m": math.nan if one_depth else float(low),
                "best_depth_hi_m": math.nan if one_depth else float(high),
                "carry_m": float(best.carry_m[0]),
                "carry_se_m": float(curve(f.depth_m, drawn[pattern], [depth])[0].std(ddof=1)),
                "peak_height_m": peak,
                "in_window": None if window is None else window.lowest_m <= peak <= window.highest_m,
                "p_best": float(p),
                "tolerance_m": math.nan if one_depth else tolerance(f.depth_m, f.mean.carry_m),
                "at_edge": bool(best.at_edge[0]),
            }
        )
    return rows


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


def _ranges(flown: dict[str, PatternFlights]) -> dict[str, tuple[float, float]]:
    return {pattern: (float(f.depth_m[0]), float(f.depth_m[-1])) for pattern, f in flown.items()}


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
