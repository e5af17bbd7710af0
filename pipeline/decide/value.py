"""Value of a depth to a golfer: carry or total distance, less the cost of leaving the flight window."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.arrays import BoolArray, FloatArray
from pipeline.decide.flights.population import PLACE_WEIGHTS, MeanFlights, PatternFlights
from pipeline.decide.optimum import curve
from pipeline.study.model import FlightWindow

GRID = 241
"""Depths at which curves are compared, from the shallowest to the deepest studied."""

CONSTRAINT_COST = 1000.0
"""Carry that a metre or degree outside a constraint costs [m]: more than any depth can win back."""


@dataclass(frozen=True)
class DepthValues:
    """One golfer with one pattern over depth.

    Parameters
    ----------
    depth_m : ndarray, shape (g,)
        Even grid of depths, one when one was studied [m].
    carry_m, peak_m, descent_rad : ndarray, shape (g,)
        Of the most probable coefficients.
    value_m : ndarray, shape (g,)
        What the golfer aims at, carry or total distance, less the cost of leaving the flight window, of the
        most probable coefficients; where the place of the drag crisis is not known, its mean over the places
        [m].
    crisis_m : ndarray, shape (g,)
        What that mean is below the value at the most probable place; zero where there is none [m].
    value_at_places_m : ndarray, shape (g, 11)
        The value with the crisis at each of `population.PLACES`; shape (g, 1) where its place is known [m].
    carry_draws_m, value_draws_m : ndarray, shape (g, k)
        Of every draw [m].
    total_m, total_draws_m : ndarray, shapes (g,) and (g, k)
        Total distance, less certain [m].
    """

    depth_m: FloatArray
    carry_m: FloatArray
    peak_m: FloatArray
    descent_rad: FloatArray
    value_m: FloatArray
    carry_draws_m: FloatArray
    value_draws_m: FloatArray
    total_m: FloatArray
    total_draws_m: FloatArray
    crisis_m: FloatArray
    value_at_places_m: FloatArray


def depth_values(
    flown: PatternFlights,
    window: FlightWindow | None,
    keep: BoolArray,
    aim: Literal["carry", "total"] = "carry",
) -> DepthValues:
    """Compute the curves of one golfer and pattern.

    Parameters
    ----------
    flown : PatternFlights
        Flights; every mean is finite.
    window : FlightWindow or None
        What the golfer wants.
    keep : ndarray of bool, shape (k,)
        Draws to use.
    aim : {"carry", "total"}
        Whether carry or total distance is what counts.

    Returns
    -------
    DepthValues
        Curves on an even grid of depths.
    """
    depth = flown.depth_m
    grid = np.linspace(depth[0], depth[-1], GRID) if depth.size > 1 else depth
    carry, peak, descent, total = (curve(depth, values, grid) for values in _columns(flown.mean))
    drawn = [curve(depth, values[:, keep], grid) for values in _columns(flown.draws)]
    counts, counts_drawn = (total, drawn[3]) if aim == "total" else (carry, drawn[0])
    value = counts - outside_cost(window, peak, descent)
    expected, at_places = value, value[:, None]
    if flown.by_place is not None:
        placed = [curve(depth, values, grid) for values in _columns(flown.by_place)]
        at_places = (placed[3] if aim == "total" else placed[0]) - outside_cost(window, placed[1], placed[2])
        lands = np.isfinite(at_places).all(axis=0)  # with lift far beyond the runs' a ball may not come down
        expected = at_places[:, lands] @ PLACE_WEIGHTS[lands] / PLACE_WEIGHTS[lands].sum()
    return DepthValues(
        grid, carry, peak, descent, expected,
        drawn[0], counts_drawn - outside_cost(window, drawn[1], drawn[2]), total, drawn[3],
        value - expected, at_places,
    )  # fmt: skip


def outside_cost(window: FlightWindow | None, peak_m: FloatArray, descent_rad: FloatArray) -> FloatArray:
    """Carry that leaving the flight window costs, zero where it is only reported [m].

    Parameters
    ----------
    window : FlightWindow or None
        The window.
    peak_m, descent_rad : ndarray
        Peak heights [m] and descent angles [rad].

    Returns
    -------
    ndarray
        The cost of a metre or degree (`CONSTRAINT_COST` when it is a constraint) times the metres and degrees
        outside, shape as the inputs.
    """
    if window is None or window.role == "reported":
        return np.zeros_like(peak_m)
    cost = CONSTRAINT_COST if window.role == "constraint" else window.cost
    height = np.maximum(window.lowest_m - peak_m, 0.0) + np.maximum(peak_m - window.highest_m, 0.0)
    angle = np.maximum(window.flattest_rad - descent_rad, 0.0)
    angle = np.degrees(angle + np.maximum(descent_rad - window.steepest_rad, 0.0))
    return np.asarray(cost * (height + angle))


def in_window(window: FlightWindow | None, peak_m: float, descent_rad: float) -> bool | None:
    """Return whether a flight is in the window; None without one."""
    if window is None:
        return None
    high = window.lowest_m <= peak_m <= window.highest_m
    return high and window.flattest_rad <= descent_rad <= window.steepest_rad


def _columns(flights: MeanFlights) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    return flights.carry_m, flights.peak_height_m, flights.descent_rad, flights.total_m
