"""A golfer's shots with the balls of one pattern: means over the shots, and their uncertainty."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np

from pipeline.aero.model import CoefficientModel
from pipeline.aero.stated_error import StatedError
from pipeline.aero.table import TableBatch
from pipeline.arrays import BoolArray, FloatArray
from pipeline.flight.trajectory import Conditions, Launches, fly

SHOTS = 128
"""Shots of a golfer with spread.

Where the carry of single shots scatters by 4 m, their mean is within 0.06 m (one standard error) of that of
endless shots; between depths, which are flown with the same shots, this cancels."""

DRAWS = 400
"""Draws of the coefficients from their posterior."""

SHOTS_OF_A_DRAW = 16
"""Shots that are flown with every draw.

Only the change of their mean carry against the undrawn table is used, and that is nearly the same for every
shot: the scatter over draws with 16 is within 1 % of that with 128."""

STEPS_OVER_DEPTH = 12
"""Flights are made at the depths studied and between them, at least so many steps from the shallowest to the
deepest: where a flight enters the drag crisis carry bends sharply with depth."""

TOUCHES_M = 0.05
"""A flight whose carry the crisis changes by less stays wholly tripped [m]."""

RUN_UNCERTAINTY = 0.3
"""Standard deviation of the run after the landing, as a share of it: turf, and a bounce model that
measurements find imperfect (`pipeline.flight.ground`); a judgement, no source."""

PLACES = np.linspace(-2.5, 2.5, 11)
"""Places of the crisis on balls that are cut at which the most probable coefficients are flown, in standard
deviations of ln Re. Weighted by the normal density their mean is the expected value, by the trapezoidal rule,
which converges faster than any power of the step on a normal density."""

PLACE_WEIGHTS = np.exp(-0.5 * PLACES**2) / np.exp(-0.5 * PLACES**2).sum()

_DIAMETER_STEP_M = 1e-4

NOISE_DRAWS, NOISE_SEED = 50, 7
"""Draws of the runs' own noise, for flights by their grid."""


class Scenario(NamedTuple):
    """Conditions that a golfer plays in, and their weight."""

    name: str
    weight: float
    conditions: Conditions


@dataclass(frozen=True)
class MeanFlights:
    """Means over a golfer's shots, all arrays of one shape; see `pipeline.flight.trajectory.Flights`."""

    carry_m: FloatArray
    side_m: FloatArray
    peak_height_m: FloatArray
    time_s: FloatArray
    descent_rad: FloatArray
    total_m: FloatArray
    extrapolated: FloatArray


@dataclass(frozen=True)
class PlainFlights:
    """Flights without a model between the runs, and without the crisis, arrays of shape (d,).

    Parameters
    ----------
    carry_m, peak_height_m : ndarray
        Of plain interpolation of the runs' own grid; NaN at depths without one [m].
    expected_m : ndarray
        Root mean square, over draws of the coefficients, of the difference between their flights and those by
        plain interpolation of the same draws at the runs' conditions, the runs' noise included [m].
    crisis_m : ndarray
        Carry that the drag crisis takes, most probable [m].
    smeared_m : ndarray
        Carry that runs inside the crisis take by plain interpolation of the runs' own grid [m].
    """

    carry_m: FloatArray
    peak_height_m: FloatArray
    expected_m: FloatArray
    crisis_m: FloatArray
    smeared_m: FloatArray

    @property
    def difference_counts(self) -> BoolArray:
        """Depths at which a flight stays wholly tripped, so that both ways of interpolating must agree."""
        return (
            np.isfinite(self.carry_m)
            & (np.abs(self.crisis_m) < TOUCHES_M)
            & (np.abs(self.smeared_m) < TOUCHES_M)
        )


@dataclass(frozen=True)
class PatternFlights:
    """Flights of one golfer with one pattern at several depths.

    Parameters
    ----------
    depth_m : ndarray, shape (d,)
        Surface depths flown, increasing [m].
    studied : ndarray of bool, shape (d,)
        Whether a depth was computed; those between are the model's.
    mean : MeanFlights
        Means over the shots, arrays of shape (d,).
    draws : MeanFlights
        Means over the same shots for k joint draws of the coefficients at all depths, arrays of shape (d, k);
        the run of the total distance is drawn too.
    by_scenario : dict
        As `mean`, for each scenario by itself.
    plain : PlainFlights
        Flights by the runs' own grid, and what the crisis takes.
    by_place : MeanFlights or None
        As `mean`, with the crisis at each of `PLACES`, arrays of shape (d, 11); None where its place on balls
        that are cut is known or there is none.
    """

    depth_m: FloatArray
    studied: BoolArray
    mean: MeanFlights
    draws: MeanFlights
    by_scenario: dict[str, MeanFlights]
    plain: "PlainFlights"
    by_place: MeanFlights | None = None

    @property
    def carry_draws_m(self) -> FloatArray:
        """Carry of every draw, shape (d, k) [m]."""
        return self.draws.carry_m

    def at(self, keep: BoolArray) -> "PatternFlights":
        """Return the flights of the depths marked in `keep`, shape (d,)."""

        def kept(flights: MeanFlights) -> MeanFlights:
            return MeanFlights(**{name: values[keep] for name, values in vars(flights).items()})

        each = {name: kept(flights) for name, flights in self.by_scenario.items()}
        plain = PlainFlights(**{name: values[keep] for name, values in vars(self.plain).items()})
        places = None if self.by_place is None else kept(self.by_place)
        return PatternFlights(
            self.depth_m[keep], self.studied[keep], kept(self.mean), kept(self.draws), each, plain, places
        )


def flight_depths(studied_m: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Depths to fly: those studied, and depths between them.

    Returns
    -------
    depth_m : ndarray, shape (d,)
        Increasing [m].
    studied : ndarray of bool, shape (d,)
        Whether each is one of those given.
    """
    if studied_m.size == 1:
        return studied_m, np.ones(1, bool)
    longest = (studied_m[-1] - studied_m[0]) / STEPS_OVER_DEPTH
    parts = [studied_m[:1]]
    for low, high in itertools.pairwise(studied_m):
        steps = max(2, int(np.ceil((high - low) / longest - 1e-9)))
        parts.append(np.linspace(low, high, steps + 1)[1:])
    depth = np.concatenate(parts)
    return depth, np.isin(depth, studied_m)


def fly_pattern(
    model: CoefficientModel,
    shots: Launches,
    conditions: Conditions | Sequence[Scenario],
    draws: int = DRAWS,
    seed: int = 1,
    stated: Sequence[StatedError] = (),
    depth_m: FloatArray | None = None,
) -> PatternFlights:
    """Fly the same shots with every depth of a pattern, and with draws of its coefficients.

    Parameters
    ----------
    model : CoefficientModel
        The pattern's coefficients.
    shots : Launches
        n launches.
    conditions : Conditions or sequence of Scenario
        Ball, air, wind; of several, the flights are weighted means.
    draws : int
        Number of draws k.
    seed : int
        Seed of the draws.
    stated : sequence of StatedError
        Errors of mesh or flow model, added to the draws.
    depth_m : ndarray, shape (d,), optional
        Depths to fly, increasing; those of `flight_depths` when absent [m].

    Returns
    -------
    PatternFlights
        Shallow to deep.
    """
    depth, studied = (
        flight_depths(model.shown_m) if depth_m is None else (depth_m, np.isin(depth_m, model.shown_m))
    )
    launches, scenarios = shots.as_array(), _scenarios(conditions)
    few = launches[:SHOTS_OF_A_DRAW]
    undrawn = model.most_probable(depth)
    each = [_over_shots(undrawn, launches, scenario.conditions) for scenario in scenarios]
    mean = _weighted(each, scenarios)
    tables = model.draws(depth, draws, seed, stated)
    drawn = _over_scenarios(tables, few, scenarios)
    return PatternFlights(
        depth,
        studied,
        mean,
        _centred(model, depth, mean, drawn, few, scenarios, draws, seed),
        {scenario.name: flown for scenario, flown in zip(scenarios, each, strict=True)},
        _plain(model, depth, mean, (tables, drawn, draws), (launches, few), scenarios),
        _by_place(model, depth, launches, scenarios),
    )


def fly_shot(
    model: CoefficientModel, depth_m: float, shot: Launches, conditions: Conditions, draws: int, seed: int,
    stated: Sequence[StatedError] = (),
) -> tuple[MeanFlights, MeanFlights]:  # fmt: skip
    """Fly one shot at one depth: with the most probable coefficients, shape (1,), and with draws, (1, k)."""
    depth, launch, scenarios = np.array([depth_m]), shot.as_array(), _scenarios(conditions)
    mean = _over_scenarios(model.most_probable(depth), launch, scenarios)
    drawn = _over_scenarios(model.draws(depth, draws, seed, stated), launch, scenarios)
    return mean, _centred(model, depth, mean, drawn, launch, scenarios, draws, seed)


def _centred(
    model: CoefficientModel, depth_m: FloatArray, mean: MeanFlights, drawn: MeanFlights, few: FloatArray,
    scenarios: Sequence[Scenario], draws: int, seed: int,
) -> MeanFlights:  # fmt: skip
    """Draws of few shots on a coarse grid about the means of all shots on the fine one, shape (d, k)."""
    mean_of_few = _over_scenarios(model.most_probable(depth_m, coarse=True), few, scenarios)
    moved = {}
    for name, values in vars(drawn).items():
        centre = getattr(mean, name) - getattr(mean_of_few, name)
        moved[name] = values.reshape(depth_m.size, draws) + centre[:, None]
    # The same for every pattern and depth, as turf is.
    turf = 1.0 + RUN_UNCERTAINTY * np.random.default_rng([seed, 3]).standard_normal(draws)
    moved["total_m"] = moved["carry_m"] + turf * (moved["total_m"] - moved["carry_m"])
    return MeanFlights(**moved)


def _by_place(
    model: CoefficientModel, depth_m: FloatArray, launches: FloatArray, scenarios: Sequence[Scenario]
) -> MeanFlights | None:
    """Fly the most probable coefficients with the crisis at each of `PLACES`."""
    if not model.spread > 0.0:
        return None
    each = [_over_scenarios(tables, launches, scenarios) for tables in model.at_places(depth_m, PLACES)]
    return MeanFlights(
        *(np.stack([getattr(at, column.name) for at in each], axis=1) for column in fields(MeanFlights))
    )


def _plain(
    model: CoefficientModel,
    depth_m: FloatArray,
    mean: MeanFlights,
    drawn: tuple[TableBatch, MeanFlights, int],
    shots: tuple[FloatArray, FloatArray],
    scenarios: Sequence[Scenario],
) -> PlainFlights:
    """Fly the runs' own grids, the draws at the nodes of those grids, and the model without a crisis."""
    launches, few = shots
    tables, flown, draws = drawn
    calm = mean.carry_m
    if model.criterion is not None:
        calm = _over_scenarios(model.most_probable(depth_m, crisis=False), launches, scenarios).carry_m
    nothing = np.full(depth_m.size, np.nan)
    found = PlainFlights(nothing, nothing.copy(), nothing.copy(), calm - mean.carry_m, nothing.copy())
    for at, depth in enumerate(depth_m):
        grid = model.runs_table(float(depth))
        if grid is None:
            continue
        own = _over_scenarios(TableBatch.of([grid]), launches, scenarios)
        found.carry_m[at], found.peak_height_m[at] = own.carry_m[0], own.peak_height_m[0]
        found.smeared_m[at] = 0.0
        if model.criterion is not None:
            above = model.above_crisis(grid, float(depth))
            found.smeared_m[at] = (
                _over_scenarios(TableBatch.of([above]), launches, scenarios).carry_m[0] - own.carry_m[0]
            )
        rows = slice(at * draws, (at + 1) * draws)
        nodes = tables.rows(rows).at_nodes(grid.reynolds, grid.spin_ratio)
        between = _over_scenarios(nodes, few, scenarios).carry_m - flown.carry_m[rows]
        noise = _over_scenarios(grid.at_draws(np.random.default_rng(NOISE_SEED), NOISE_DRAWS), few, scenarios)
        found.expected_m[at] = math.sqrt(np.nanmean(between**2) + np.nanvar(noise.carry_m))
    return found


def mean_flights(
    model: CoefficientModel, depth_m: FloatArray, shots: Launches, conditions: Conditions | Sequence[Scenario]
) -> MeanFlights:
    """Means over shots with the most probable coefficients at depths, arrays of shape (d,)."""
    return _over_scenarios(model.most_probable(depth_m), shots.as_array(), _scenarios(conditions))


def carry_per_diameter(
    model: CoefficientModel, depth_m: float, shots: Launches, conditions: Conditions | Sequence[Scenario]
) -> float:
    """Carry gained per metre of diameter, at the same mass, dimple depth and shots.

    A central difference over 0.2 mm of diameter; negative for a ball that air slows more as it grows.
    """
    tables = model.most_probable([depth_m])
    carry = []
    for sign in (1.0, -1.0):
        resized = [
            of._replace(
                conditions=replace(
                    of.conditions, ball_diameter_m=of.conditions.ball_diameter_m + sign * _DIAMETER_STEP_M
                )
            )
            for of in _scenarios(conditions)
        ]
        carry.append(float(_over_scenarios(tables, shots.as_array(), resized).carry_m[0]))
    return (carry[0] - carry[1]) / (2.0 * _DIAMETER_STEP_M)


def _scenarios(conditions: Conditions | Sequence[Scenario]) -> Sequence[Scenario]:
    return [Scenario("", 1.0, conditions)] if isinstance(conditions, Conditions) else conditions


def _over_scenarios(tables: TableBatch, launches: FloatArray, scenarios: Sequence[Scenario]) -> MeanFlights:
    return _weighted([_over_shots(tables, launches, of.conditions) for of in scenarios], scenarios)


def _weighted(each: Sequence[MeanFlights], scenarios: Sequence[Scenario]) -> MeanFlights:
    """Average over the scenarios."""
    weights = np.array([of.weight for of in scenarios])
    return MeanFlights(
        *(
            np.average([getattr(flown, column.name) for flown in each], axis=0, weights=weights)
            for column in fields(MeanFlights)
        )
    )


def _over_shots(tables: TableBatch, launches: FloatArray, conditions: Conditions) -> MeanFlights:
    """Fly every launch with every table and average over the launches."""
    n_tables, n_shots = len(tables), len(launches)
    every = Launches(*np.tile(launches, (n_tables, 1)).T)
    flights = fly(tables, np.repeat(np.arange(n_tables), n_shots), every, conditions)
    return MeanFlights(
        *(
            getattr(flights, column.name).reshape(n_tables, n_shots).mean(axis=1)
            for column in fields(MeanFlights)
        )
    )
