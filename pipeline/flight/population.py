"""A golfer's shots with the balls of one pattern: means over the shots, and their uncertainty."""

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.flight.trajectory import Conditions, Flights, Launches, fly

FloatArray = NDArray[np.float64]

SHOTS = 128
"""Shots of a golfer with spread.

Where the carry of single shots scatters by 4 m, their mean is within 0.06 m (one standard error) of that of
endless shots; between depths, which are flown with the same shots, this cancels."""

DRAWS = 400
"""Draws of the coefficients within their standard errors."""

SHOTS_OF_A_DRAW = 16
"""Shots that are flown with every draw.

Only the change of their mean carry against the undrawn table is used, and that is nearly the same for every
shot: the scatter over draws with 16 is within 1 % of that with 128."""


@dataclass(frozen=True)
class PatternFlights:
    """Flights of one golfer with every depth of one pattern.

    Parameters
    ----------
    depth_m : ndarray, shape (d,)
        Surface depths, increasing [m].
    mean : Flights
        Means over the shots, arrays of shape (d,).
    carry_draws_m : ndarray, shape (d, k)
        Mean carry over the same shots for k draws of the coefficients; draws of different depths are
        independent [m].
    """

    depth_m: FloatArray
    mean: Flights
    carry_draws_m: FloatArray

    def at(self, keep: NDArray[np.bool_]) -> "PatternFlights":
        """Return the flights of the depths marked in `keep`, shape (d,)."""
        mean = Flights(**{name: values[keep] for name, values in vars(self.mean).items()})
        return PatternFlights(self.depth_m[keep], mean, self.carry_draws_m[keep])


def fly_pattern(
    tables: Mapping[float, CoefficientTable],
    pattern: str,
    shots: Launches,
    conditions: Conditions,
    draws: int = DRAWS,
    seed: int = 1,
) -> PatternFlights:
    """Fly the same shots with every depth of a pattern, and with draws of its coefficients.

    Parameters
    ----------
    tables : mapping
        From surface depth [m] to the table of that ball; one grid for all.
    pattern : str
        Name, from which (with the depth) the seed of a table's draws follows, so that they stay the same
        whatever other depths and patterns a study has.
    shots : Launches
        n launches.
    conditions : Conditions
        Ball, air, wind.
    draws : int
        Number of draws k.
    seed : int
        Seed of the draws.

    Returns
    -------
    PatternFlights
        Shallow to deep.
    """
    depths = sorted(tables)
    launches = shots.as_array()
    few = launches[:SHOTS_OF_A_DRAW]
    undrawn = TableBatch.of([tables[depth] for depth in depths])
    mean = _over_shots(undrawn, launches, conditions)
    mean_of_few = _over_shots(undrawn, few, conditions).carry_m
    drawn = []
    for d, depth in enumerate(depths):
        name = zlib.crc32(f"{pattern} {depth * 1e6:.3f}".encode())
        batch = tables[depth].at_draws(np.random.default_rng([seed, name]), draws)
        drawn.append(mean.carry_m[d] + _over_shots(batch, few, conditions).carry_m - mean_of_few[d])
    return PatternFlights(np.array(depths), mean, np.array(drawn))


def _over_shots(tables: TableBatch, launches: FloatArray, conditions: Conditions) -> Flights:
    """Fly every launch with every table and average over the launches."""
    n_tables, n_shots = len(tables), len(launches)
    every = Launches(*np.tile(launches, (n_tables, 1)).T)
    flights = fly(tables, np.repeat(np.arange(n_tables), n_shots), every, conditions)
    means = {}
    for name, values in vars(flights).items():
        means[name] = values.reshape(n_tables, n_shots, *values.shape[1:]).mean(axis=1)
    return Flights(**means)
