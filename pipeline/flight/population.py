"""A golfer's shots with the balls of one pattern: means over the shots, and their uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.model import CoefficientModel, StatedError
from pipeline.aero.table import TableBatch
from pipeline.flight.trajectory import Conditions, Launches, fly

FloatArray = NDArray[np.float64]

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

MOST_INTERVALS_HALVED = 8
"""Up to this many intervals between the depths studied, flights are made half-way between them too."""


RUN_UNCERTAINTY = 0.3
"""Standard deviation of the run after the landing, as a share of it: turf, and a bounce model that
measurements find imperfect (`pipeline.flight.ground`); a judgement, no source."""

_DIAMETER_STEP_M = 1e-4


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
    """

    depth_m: FloatArray
    studied: NDArray[np.bool_]
    mean: MeanFlights
    draws: MeanFlights
    by_scenario: dict[str, MeanFlights]

    @property
    def carry_draws_m(self) -> FloatArray:
        """Carry of every draw, shape (d, k) [m]."""
        return self.draws.carry_m

    def at(self, keep: NDArray[np.bool_]) -> "PatternFlights":
        """Return the flights of the depths marked in `keep`, shape (d,)."""

        def kept(flights: MeanFlights) -> MeanFlights:
            return MeanFlights(**{name: values[keep] for name, values in vars(flights).items()})

        each = {name: kept(flights) for name, flights in self.by_scenario.items()}
        return PatternFlights(self.depth_m[keep], self.studied[keep], kept(self.mean), kept(self.draws), each)


def flight_depths(studied_m: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Depths to fly: those studied and, when they are few, the middles between them.

    Returns
    -------
    depth_m : ndarray, shape (d,)
        Increasing [m].
    studied : ndarray of bool, shape (d,)
        Whether each is one of those given.
    """
    if not 1 <= studied_m.size - 1 <= MOST_INTERVALS_HALVED:
        return studied_m, np.ones(studied_m.size, bool)
    depth = np.empty(2 * studied_m.size - 1)
    depth[::2], depth[1::2] = studied_m, 0.5 * (studied_m[:-1] + studied_m[1:])
    return depth, np.arange(depth.size) % 2 == 0


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
    depth, studied = flight_depths(model.depth_m)
    if depth_m is not None:
        depth, studied = depth_m, np.isin(depth_m, model.depth_m)
    launches, scenarios = shots.as_array(), _scenarios(conditions)
    few = launches[:SHOTS_OF_A_DRAW]
    undrawn = TableBatch.of(model.tables(depth))
    each = [_over_shots(undrawn, launches, scenario.conditions) for scenario in scenarios]
    mean = _weighted(each, scenarios)
    mean_of_few = _over_scenarios(undrawn, few, scenarios)
    drawn = _over_scenarios(model.draws(depth, draws, seed, stated), few, scenarios)
    moved = {}
    for name, values in vars(drawn).items():
        centre = getattr(mean, name) - getattr(mean_of_few, name)
        moved[name] = values.reshape(depth.size, draws) + centre[:, None]
    # The same for every pattern and depth, as turf is.
    turf = 1.0 + RUN_UNCERTAINTY * np.random.default_rng([seed, 3]).standard_normal(draws)
    moved["total_m"] = moved["carry_m"] + turf * (moved["total_m"] - moved["carry_m"])
    return PatternFlights(
        depth,
        studied,
        mean,
        MeanFlights(**moved),
        {scenario.name: flown for scenario, flown in zip(scenarios, each, strict=True)},
    )


def carry_per_diameter(
    model: CoefficientModel, depth_m: float, shots: Launches, conditions: Conditions | Sequence[Scenario]
) -> float:
    """Carry gained per metre of diameter, at the same mass, dimple depth and shots.

    A central difference over 0.2 mm of diameter; negative for a ball that air slows more as it grows.
    """
    tables = TableBatch.of(model.tables([depth_m]))
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
