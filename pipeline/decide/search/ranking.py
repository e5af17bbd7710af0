"""Candidates of a family ranked by runs of some of them: carry, peak height, probability of being best."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.aero.collect import finer_rows
from pipeline.aero.conditions import Points
from pipeline.aero.crisis_place import Criterion
from pipeline.aero.published import published_tables
from pipeline.aero.table import TableBatch
from pipeline.arrays import BoolArray, FloatArray
from pipeline.decide.design import Space
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.passage import passages, pooled
from pipeline.decide.flights.population import SHOTS, SHOTS_OF_A_DRAW
from pipeline.decide.search.belief import FlightBelief, believed
from pipeline.decide.search.candidates import Candidates
from pipeline.decide.search.linear_flights import Fly, node_axes
from pipeline.decide.search.policy import Next, next_runs
from pipeline.decide.search.shared_model import Runs, SharedModel
from pipeline.errors import InputError
from pipeline.flight.trajectory import Launches, fly
from pipeline.flow.campaign.request import price
from pipeline.records.flow import USABLE
from pipeline.study.model import Study
from pipeline.study.points import RunPoint

DEPTHS = 9
"""Depths of the family at which flights are compared."""

DRAWS = 2000

FEWEST_RUNS = 6
"""Usable runs below which nothing is ranked: flights need slopes in depth, Re and S."""

MARGIN = 1.05
"""Factor by which tables reach beyond what flights with published balls pass through."""

FLOWS = 64
"""Flows among which the next runs are chosen."""

NEXT = 8
"""Runs to compute next that are named: as many as of a round of `pipeline.decide.policy`."""


@dataclass(frozen=True)
class Rank:
    """What is known of one candidate.

    Parameters
    ----------
    pattern : str
        Name.
    runs : int
        Usable runs of it.
    best_depth_m : float
        Depth of its greatest expected carry, within its range [m].
    carry_m, carry_se_m, peak_height_m : float
        There, of the golfers' weighted mean shot; the error is that of the carry itself, most of which all
        patterns share [m].
    p_best : float
        Probability that none of the other candidates carries farther.
    next_runs : int
        How many of the next runs are of it.
    """

    pattern: str
    runs: int
    best_depth_m: float
    carry_m: float
    carry_se_m: float
    peak_height_m: float
    p_best: float
    next_runs: int


def rank_candidates(
    study: Study, candidates: Candidates, coefficients: pd.DataFrame
) -> tuple[list[Rank], list[RunPoint]]:
    """Rank all candidates of a family, those without runs by their features.

    Parameters
    ----------
    study : Study
        With a family, and numbers in place of `auto`.
    candidates : Candidates
        Of the family.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`; rows of other patterns and
        of finer meshes are left out.

    Returns
    -------
    ranked : list of Rank
        The greatest expected carry first.
    following : list of RunPoint
        The runs that are worth most for their price, the best first.

    Raises
    ------
    InputError
        Fewer than `FEWEST_RUNS` usable runs are of candidates, they are too few for flights, or no golfer has
        a weight.
    """
    if study.family is None:
        raise ValueError("the study lists its patterns")
    names = [one.pattern.name for one in candidates.found]
    own = coefficients[~finer_rows(coefficients)]
    rows = own[own["pattern"].isin(names) & own["verdict"].isin(USABLE)]
    if len(rows) < FEWEST_RUNS:
        raise InputError(
            f"{study.name}: {len(rows)} usable runs are of candidates of its family; at least {FEWEST_RUNS} "
            "are needed to rank them"
        )
    depth = np.linspace(study.family.depths.shallowest_m, study.family.depths.deepest_m, DEPTHS)
    flights = pooled(passages(study, published_tables()))
    reach = [(of.min() / MARGIN, of.max() * MARGIN) for of in (flights.reynolds, flights.spin_ratio)]
    belief = believed(
        _models(study, candidates, names, rows, depth), depth, node_axes(*reach), flying(study), len(names)
    )
    if not np.isfinite(belief.mean_m).all():
        raise InputError(
            f"{study.name}: with what its runs say of the family a ball does not come down; more usable runs "
            "are needed to rank it"
        )
    can = np.array([_within(one.depth_m, depth) for one in candidates.found])
    following = [
        RunPoint.rounded(
            names[run.pattern],
            float(np.clip(run.depth_m, *candidates.found[run.pattern].depth_m)),
            run.reynolds,
            run.spin_ratio,
        )
        for run in _next(study, belief, can)
    ]
    return _ranked(candidates, belief, can, following), following


def front(ranked: Sequence[Rank]) -> list[Rank]:
    """Candidates that no other one beats in carry at a lower peak, or at a higher one; by peak height.

    From the one that carries farthest the front falls to both sides: to those that carry farthest of all that
    fly lower, and of all that fly higher.
    """
    by_carry = sorted(ranked, key=lambda one: -one.carry_m)
    found = by_carry[:1]
    low = high = by_carry[0].peak_height_m
    for one in by_carry[1:]:
        if not low <= one.peak_height_m <= high:
            found.append(one)
            low, high = min(low, one.peak_height_m), max(high, one.peak_height_m)
    return sorted(found, key=lambda one: one.peak_height_m)


def flying(study: Study) -> Fly:
    """Carry and peak height of the golfers' shots, weighted as the study weighs golfers and scenarios.

    Raises
    ------
    InputError
        No golfer has a weight above 0.
    """
    golfers = [golfer for golfer in study.golfers if golfer.weight > 0]
    if not golfers:
        raise InputError(f"{study.name}: no golfer has a weight above 0; give one a weight")
    scenarios = scenarios_of(study)
    total = sum(golfer.weight for golfer in golfers) * sum(of.weight for of in scenarios)

    def flown(tables: TableBatch) -> tuple[FloatArray, FloatArray]:
        found = np.zeros((2, len(tables)))
        for golfer in golfers:
            shots = draw_shots(golfer, SHOTS, SEED).as_array()[:SHOTS_OF_A_DRAW]
            every = Launches(*np.tile(shots, (len(tables), 1)).T)
            which = np.repeat(np.arange(len(tables)), len(shots))
            for scenario in scenarios:
                of = fly(tables, which, every, scenario.conditions)
                both = np.stack([of.carry_m, of.peak_height_m]).reshape(2, len(tables), len(shots))
                found += golfer.weight * scenario.weight / total * both.mean(axis=2)
        return found[0], found[1]

    return flown


def _models(
    study: Study, candidates: Candidates, names: list[str], rows: pd.DataFrame, depth_m: FloatArray
) -> tuple[SharedModel, SharedModel]:
    """Drag and lift of all candidates."""
    place = {name: at for at, name in enumerate(names)}
    pattern = np.array([place[name] for name in rows["pattern"]], np.intp)
    points, features = Points.of_runs(rows), candidates.feature_table()
    tripped = study.flow.boundary_layer == "tripped" and study.flow.trip_angle_rad is None
    criterion = Criterion(study.ball.diameter_m) if tripped else None

    def model(name: str) -> SharedModel:
        values, errors = (rows[column].to_numpy(float) for column in (name, f"{name}_se"))
        runs = Runs(pattern, points, values, errors)
        middle = float(depth_m[depth_m.size // 2])
        return SharedModel("cd" if name == "cd" else "cl", features, runs, criterion, middle)

    return model("cd"), model("cl")


def _within(ends: tuple[float, float], depth_m: FloatArray) -> BoolArray:
    """Depths within a pattern's range; where none is, the nearest one to its middle stands for it."""
    inside = (depth_m >= ends[0] - 1e-9) & (depth_m <= ends[1] + 1e-9)
    if not inside.any():
        inside[int(np.abs(depth_m - 0.5 * sum(ends)).argmin())] = True
    return np.asarray(inside)


def _next(study: Study, belief: FlightBelief, can: BoolArray) -> list[Next]:
    """Runs to compute next."""
    assert study.family is not None
    ends = (study.family.depths.shallowest_m, study.family.depths.deepest_m)
    flights = passages(study, published_tables())
    space = Space.of_flights({"family": ends}, flights, study.flow.reynolds, study.flow.spin_ratios)
    flows = np.array([(of.reynolds, of.spin_ratio) for of in space.filled("family", FLOWS, SEED)])
    mirror = study.family.layout.mirror
    prices = price(study, mirror, None, False), price(study, mirror, None, True)
    target = study.flow.standard_error
    return next_runs(belief, flows, (target.cd, target.cl), prices, NEXT, can)


def _ranked(
    candidates: Candidates, belief: FlightBelief, can: BoolArray, following: Sequence[RunPoint]
) -> list[Rank]:
    mean = np.where(can, belief.mean_m, -np.inf)
    best = mean.argmax(axis=1)
    every = np.arange(belief.patterns)
    # The best depth of each pattern and those beside it, among which a draw may prefer another.
    choices = np.concatenate(
        [every * belief.depths + np.clip(best + step, 0, belief.depths - 1) for step in (-1, 0, 1)]
    )
    choices = np.unique(choices[can.ravel()[choices]])
    draws = belief.draws_m(choices, DRAWS, SEED)
    wins = np.bincount(choices[draws.argmax(axis=0)] // belief.depths, minlength=belief.patterns) / DRAWS
    peak = FlightBelief(belief.models, belief.flights, belief.patterns, peak=True).mean_m
    deviation = np.sqrt(belief.variance_m2).reshape(mean.shape)
    runs = np.bincount(belief.models[0].runs.pattern, minlength=belief.patterns)
    rows = [
        Rank(
            one.pattern.name,
            int(runs[at]),
            float(np.clip(belief.flights.depth_m[best[at]], *one.depth_m)),
            float(mean[at, best[at]]),
            float(deviation[at, best[at]]),
            float(peak[at, best[at]]),
            float(wins[at]),
            sum(point.pattern == one.pattern.name for point in following),
        )
        for at, one in enumerate(candidates.found)
    ]
    return sorted(rows, key=lambda rank: -rank.carry_m)
