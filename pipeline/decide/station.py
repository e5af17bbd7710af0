"""The station of flights and decision: flies every golfer and names the depth to cut for each and for all."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.aero.patterns import fit_of
from pipeline.decide.correction_effect import correction_record, finer_record, moving_record
from pipeline.decide.depths import AngleOfDepth, StudiedDepths, angle_of_depth, studied_depths
from pipeline.decide.equipment_rules import equipment_rules
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.population import DRAWS, SHOTS, PatternFlights, carry_per_diameter
from pipeline.decide.flights.station import mesh_error, mesh_level
from pipeline.decide.flown import Flown, fly_everything, product_of
from pipeline.decide.moulding import moulded_share
from pipeline.decide.optimum import best_on_grid, curve, share_best, tolerance_on_grid
from pipeline.decide.place_outcomes import place_outcomes
from pipeline.decide.product import Product, product, rank
from pipeline.decide.run_more import runs_to_add
from pipeline.decide.state import DECIDED, NOTHING, Evidence, State, nothing_to_decide, state_of
from pipeline.decide.value import GRID, DepthValues, in_window, outside_cost
from pipeline.decide.wording import (
    advise,
    angles_named,
    mesh_sentences,
    product_sentences,
    unresolved_sentences,
)
from pipeline.files.atomic import write_text
from pipeline.files.clean_numbers import clean_csv
from pipeline.records.decision import (
    Decision,
    DecisionCurve,
    DecisionRow,
    PlaceOutcome,
    ProductAdvice,
    ScenarioRow,
    StatedMeshError,
    Unresolved,
)
from pipeline.records.record import finite, write
from pipeline.records.tree import DECISION, DECISION_TABLE
from pipeline.study.model import Golfer, Study
from pipeline.study.trade_units import breakable, millimetres
from pipeline.study.units import YARD_M

COLUMNS = tuple(DecisionRow.model_fields)
"""Columns of decision.csv, in their order; columns are only ever added."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the draws between which the best depth and the carry curve are given."""

_CURVE_POINTS = 61


@dataclass(frozen=True)
class Decided:
    """What the station computes of a study.

    Parameters
    ----------
    flown : Flown
        Models of the coefficients, flights with them, and their values.
    decision : Decision
        What is made of them.
    """

    flown: Flown
    decision: Decision


def decide_study(study: Study, coefficients: pd.DataFrame, unresolved: Sequence[Unresolved] = ()) -> Decided:
    """Find the depth to cut for every golfer and pattern, and one product for all golfers.

    Parameters
    ----------
    study : Study
        Patterns, golfers, ball and air.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    unresolved : sequence of Unresolved
        As of `fly_everything`.

    Returns
    -------
    Decided
        The decision has one row a golfer and pattern, in the study's order; a pattern without a usable depth
        has none.

    Raises
    ------
    InputError
        The coefficients lack a column.
    """
    flown = fly_everything(study, coefficients, unresolved)
    of, counted = product_of(study, flown)
    ranked = rank(of, flown.valued, counted) if of is not None else []
    studied = studied_depths(study, coefficients)
    angles = {pattern: angle_of_depth(coefficients, pattern) for pattern in flown.models}
    by_angle = {pattern.name for pattern in study.patterns if pattern.edge_angles_rad}
    nothing = nothing_to_decide(coefficients, {name: flown.models[name] for name in flown.ranked})
    flown_with = list(flown.models.values())
    error = mesh_error(study.flow, flown_with)
    mesh = mesh_sentences(error, mesh_level(study.flow, flown_with))
    of_all, places_of_all = _state(
        flown, counted, of, product_of(study, flown, placed=True)[0], nothing, studied, mesh
    )
    states = {
        golfer.name: _state(
            flown,
            [golfer.name],
            _of_one(flown.valued, golfer, flown.ranked),
            _of_one(flown.placed, golfer, flown.ranked),
            nothing,
            studied,
            mesh,
        )
        for golfer in study.golfers
    }
    runs = runs_to_add(study, coefficients, flown, [of_all, *(state for state, _ in states.values())])
    rows: list[DecisionRow] = []
    curves, advice, notes = [], [], list(flown.notes)
    for golfer in study.golfers:
        state, places = states[golfer.name]
        regrets = {entry.pattern: entry.regrets_m.get(golfer.name, math.nan) for entry in ranked}
        of_golfer = _rows(study, golfer, flown, angles, regrets, state.word)
        rows += of_golfer
        curves += [_curves(golfer, pattern, f) for pattern, f in flown.flights[golfer.name].items()]
        ranked_rows = [row for row in of_golfer if row.pattern in flown.ranked]
        advice.append(advise(golfer, ranked_rows, angles, state, places, runs, by_angle))
        notes += _outside_all(golfer, flown)
    notes += [
        breakable(
            f"{pattern}: only one usable depth ({millimetres(float(model.depth_m[0]))}), so that there is no "
            "best one to find."
        )
        for pattern, model in flown.models.items()
        if model.depth_m.size == 1
    ]
    decision = Decision(
        study=study.name,
        golfers=[golfer.name for golfer in study.golfers],
        patterns=[pattern.name for pattern in study.patterns],
        state=of_all.word,
        rows=rows,
        curves=curves,
        advice=advice,
        scenarios=_scenarios(study, flown, rows),
        product=ProductAdvice(
            state=of_all.word,
            why=[breakable(text) for text in of_all.why],
            pattern=of_all.pattern,
            depth_m=finite(of_all.depth_m),
            p_within_yard=finite(of_all.p_within_yard),
            short_list=of_all.short_list,
            places=places_of_all,
            sentences=product_sentences(
                of_all, ranked, places_of_all, len(counted), runs, angles_named(angles, by_angle)
            ),
            weights={golfer.name: golfer.weight for golfer in study.golfers},
            patterns=ranked,
        ),
        equipment_rules=equipment_rules(
            study, flown.models, {entry.pattern: entry.depth_m for entry in ranked}
        ),
        next=runs,
        models=[fit_of(model) for model in flown.models.values()],
        notes=notes,
        correction=correction_record(study, flown),
        moving_dimples=moving_record(study, flown),
        finer_mesh=finer_record(study, coefficients, flown),
        unresolved=list(unresolved),
        mesh_error=StatedMeshError(**error.model_dump()),
        interval=list(INTERVAL),
        shots=SHOTS,
        draws=DRAWS,
    )
    return Decided(flown, decision)


def decision_table(rows: Sequence[DecisionRow]) -> pd.DataFrame:
    """Rows of a decision as a frame with the columns `COLUMNS`; numbers that are missing are NaN."""
    frame = pd.DataFrame([row.model_dump() for row in rows], columns=list(COLUMNS))
    numbers = [
        name for name, of in DecisionRow.model_fields.items() if of.annotation in (float, float | None)
    ]
    return frame.astype(dict.fromkeys(numbers, float))


def write_decision(folder: Path, decision: Decision) -> None:
    """Write decision.csv and decision.json into a folder, each atomically."""
    table = decision_table(decision.rows)
    write_text(Path(folder) / DECISION_TABLE, clean_csv(table))
    write(Path(folder) / DECISION, decision)


def _of_one(
    valued: dict[tuple[str, str], DepthValues], golfer: Golfer, ranked: Sequence[str]
) -> Product | None:
    own = {key: of for key, of in valued.items() if key[0] == golfer.name and key[1] in ranked}
    return product(own, {golfer.name: 1.0}) if own else None


def _state(
    flown: Flown,
    golfers: list[str],
    of: Product | None,
    placed: Product | None,
    nothing: str | None,
    studied: dict[str, StudiedDepths],
    mesh: list[str],
) -> tuple[State, list[PlaceOutcome]]:
    """State of the decision for one golfer or several, and what the place of the crisis would make best."""
    if of is None:
        why = nothing or "No pattern can be flown by all golfers."
        return State(NOTHING, "", math.nan, math.nan, [why]), []
    flights = {(golfer, pattern): f for golfer in golfers for pattern, f in flown.flights[golfer].items()}
    state = state_of(Evidence(of, placed, flown.models, flights, studied))
    if nothing is not None:
        return replace(state, word=NOTHING, why=[nothing], place_decides=False), []
    also = unresolved_sentences(state.pattern, flown.ranked_as) + (mesh if state.word != DECIDED else [])
    state = replace(state, why=[*state.why, *also])
    model = flown.models[state.pattern]
    if model.criterion is None or not state.place_decides:
        return state, []
    return state, place_outcomes(of, state.pattern, state.depth_m, model.criterion)


def _rows(
    study: Study,
    golfer: Golfer,
    flown: Flown,
    angles: Mapping[str, AngleOfDepth | None],
    regrets_m: Mapping[str, float],
    state: str,
) -> list[DecisionRow]:
    valued = {name: flown.valued[golfer.name, name] for name in flown.flights[golfer.name]}
    if not valued:
        return []
    drawn = {name: best_on_grid(of.depth_m, of.value_draws_m) for name, of in valued.items()}
    ranked = [name for name in valued if name in flown.ranked]
    p_best = dict(zip(ranked, share_best([drawn[name].carry_m for name in ranked]), strict=True))
    shots = draw_shots(golfer, SHOTS, SEED)
    rows = []
    for name, of in valued.items():
        best = best_on_grid(of.depth_m, of.value_m[:, None])
        depth, one_depth = float(best.depth_m[0]), of.depth_m.size == 1
        low, high = np.quantile(drawn[name].depth_m, INTERVAL)
        carry, peak, descent, total = (
            float(curve(of.depth_m, values, [depth])[0])
            for values in (of.carry_m, of.peak_m, of.descent_rad, of.total_m)
        )
        off = tolerance_on_grid(of.depth_m, of.value_m)
        carries = curve(of.depth_m, of.carry_draws_m, [depth])[0]
        least, most = np.quantile(carries, INTERVAL)
        of_angles = angles[name]
        slope = None if of_angles is None else of_angles.slope(depth)
        by_diameter = carry_per_diameter(flown.models[name], depth, shots, scenarios_of(study))
        moulded = None
        if study.moulding is not None:
            moulded = moulded_share(of.depth_m, of.value_m, depth, by_diameter, study.moulding, slope)
        rows.append(
            DecisionRow(
                golfer=golfer.name,
                pattern=name,
                best_depth_m=depth,
                best_depth_lo_m=None if one_depth else float(low),
                best_depth_hi_m=None if one_depth else float(high),
                carry_m=carry,
                carry_se_m=finite(carries.std(ddof=1)),
                peak_height_m=peak,
                in_window=in_window(golfer.flight_window, peak, descent),
                p_best=finite(p_best.get(flown.ranked_as[name], math.nan)),
                tolerance_m=finite(off),
                at_edge=bool(best.at_edge[0]),
                descent_deg=finite(math.degrees(descent)),
                p_edge=finite(drawn[name].at_edge.mean()),
                regret_m=finite(regrets_m.get(name, math.nan)),
                tolerance_edge_angle_deg=None if slope is None else finite(off * slope),
                tolerance_diameter_m=finite(abs(YARD_M / by_diameter)) if by_diameter else None,
                share_within_yard=None if moulded is None else finite(moulded.share),
                total_m=finite(total),
                total_se_m=finite(curve(of.depth_m, of.total_draws_m, [depth])[0].std(ddof=1)),
                state=state,
                carry_lo_m=finite(least),
                carry_hi_m=finite(most),
                crisis_m=finite(curve(of.depth_m, of.crisis_m, [depth])[0]),
                moulding_limit=None if moulded is None else moulded.limit,
                share_without_limit=None if moulded is None else finite(moulded.share_without),
                unresolved_from="; ".join(_unresolved_from(name, flown.unresolved)),
            )
        )
    return rows


def _unresolved_from(pattern: str, unresolved: Sequence[Unresolved]) -> list[str]:
    pairs = [(pair.pattern, pair.other) for pair in unresolved if pattern in (pair.pattern, pair.other)]
    return [other if pattern == one else one for one, other in pairs]


def _scenarios(study: Study, flown: Flown, rows: Sequence[DecisionRow]) -> list[ScenarioRow]:
    """What each scenario makes of the depth named, and its own best depth."""
    found = []
    for row in rows if study.scenarios else ():
        of = flown.flights[row.golfer][row.pattern]
        grid = np.linspace(of.depth_m[0], of.depth_m[-1], GRID) if of.depth_m.size > 1 else of.depth_m
        for spec in study.scenarios:
            carry = curve(of.depth_m, of.by_scenario[spec.name].carry_m, grid)
            found.append(
                ScenarioRow(
                    golfer=row.golfer,
                    pattern=row.pattern,
                    scenario=spec.name,
                    weight=spec.weight,
                    carry_m=float(np.interp(row.best_depth_m, grid, carry)),
                    best_depth_m=float(best_on_grid(grid, carry[:, None]).depth_m[0]),
                )
            )
    return found


def _curves(golfer: Golfer, pattern: str, flown: PatternFlights) -> DecisionCurve:
    depth = flown.depth_m
    at = np.linspace(depth[0], depth[-1], _CURVE_POINTS) if depth.size > 1 else depth
    finite = np.isfinite(flown.carry_draws_m).all(axis=0)
    low, high = np.quantile(curve(depth, flown.carry_draws_m[:, finite], at), INTERVAL, axis=1)
    return DecisionCurve(
        golfer=golfer.name,
        pattern=pattern,
        depth_m=at.tolist(),
        carry_m=curve(depth, flown.mean.carry_m, at).tolist(),
        carry_lo_m=low.tolist(),
        carry_hi_m=high.tolist(),
        peak_height_m=curve(depth, flown.mean.peak_height_m, at).tolist(),
    )


def _outside_all(golfer: Golfer, flown: Flown) -> list[str]:
    """Note the patterns of which no depth fulfils a golfer's required window."""
    window = golfer.flight_window
    if window is None or window.role != "constraint":
        return []
    return [
        f"{pattern}: no depth studied flies in the window that {golfer.name} requires; the nearest is named."
        for pattern in flown.flights[golfer.name]
        for of in [flown.valued[golfer.name, pattern]]
        if (outside_cost(window, of.peak_m, of.descent_rad) > 0.0).all()
    ]
