"""Coefficients of a pattern with its drag crisis at one place: a smooth surface, and what the crisis adds."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.aero.conditions import Points
from pipeline.aero.crisis import CRISIS_PRIORS, CrisisPart
from pipeline.aero.crisis_place import INSIDE, Criterion, Place
from pipeline.aero.knots import scattered
from pipeline.aero.moment import moments_to_fly
from pipeline.aero.priors import PRIORS
from pipeline.aero.process import Process
from pipeline.arrays import BoolArray, FloatArray

EXACT = 0.9
"""Probability, before the runs are seen, that their crisis lies where the criterion puts it: it does in our
own flows, and the remainder lets tables of another origin say otherwise."""

SHIFTS = (-0.2, -0.1, 0.0, 0.1, 0.2)
WIDTHS = (0.0, 0.06, 0.14, 0.3)
"""Other places tried: shifts and widths in ln Re."""

_SHIFT_SPREAD = 0.15
_LEAST_WEIGHT = 0.02
FEWEST_ABOVE = 4
"""Runs above the crisis that a surface needs; with fewer, no crisis is distinguished from the rest."""


class Surface:
    """Posterior of a pattern's coefficients with its crisis at one place.

    Parameters
    ----------
    runs : DataFrame
        Usable runs, columns as in coefficients.csv.
    criterion : Criterion or None
        Critical Reynolds number over depth; None where the flows know no crisis.
    place : Place
        Of the crisis in these runs.
    known : mapping
        Smooth surfaces that were fitted to the same or nearly the same runs, by (coefficient, bytes of the
        mask of the runs inside); new ones are added.

    Attributes
    ----------
    inside : ndarray of bool, shape (n,)
        Runs inside or below the crisis.
    smooth, crisis : dict
        By coefficient, the surface of the wholly tripped ball and what the crisis adds (absent without one).
    log_evidence : float
        Logarithm of the density of the runs' drag and lift.
    """

    def __init__(
        self,
        runs: pd.DataFrame,
        criterion: Criterion | None,
        place: Place,
        known: dict[tuple[str, bytes], Process] | None = None,
    ) -> None:
        self.place, self.criterion = place, criterion
        self._points = Points.of_runs(runs)
        self.inside = inside(self._points, criterion, place)
        self.smooth: dict[str, Process] = {}
        self.crisis: dict[str, CrisisPart] = {}
        self.log_evidence = 0.0
        known = {} if known is None else known
        moments = moments_to_fly(runs)[0]
        above, below = self._points.at(~self.inside), self._points.at(self.inside)
        for name in ("cd", "cl", "cm") if moments else ("cd", "cl"):
            values, errors = runs[name].to_numpy(float), runs[f"{name}_se"].to_numpy(float)
            key = (name, self.inside.tobytes())
            if key not in known:
                near = next((fitted for (of, _), fitted in reversed(known.items()) if of == name), None)
                known[key] = Process(
                    PRIORS[name], above, values[~self.inside], errors[~self.inside], start=near
                )
            process = self.smooth[name] = known[key]
            if name == "cm":
                continue
            self.log_evidence += process.log_evidence
            if criterion is not None:
                part = self.crisis[name] = CrisisPart(
                    CRISIS_PRIORS[name],
                    criterion,
                    place,
                    below,
                    values[self.inside] - process.mean(below),
                    np.hypot(errors[self.inside], process.scatter),
                    process.covariance(below),
                )
                self.log_evidence += part.log_evidence

    def mean(self, name: str, points: Points, shift: float = 0.0, crisis: bool = True) -> FloatArray:
        """Most probable coefficient at points, with the crisis moved by `shift` in ln Re, or without it."""
        found = self.smooth[name].mean(points)
        if crisis and name in self.crisis:
            found = found + self.crisis[name].mean(points, shift)
        return found

    def variance(self, name: str, points: Points, shift: float = 0.0) -> FloatArray:
        """Variance of the coefficient at points, shape (m,)."""
        found = self.smooth[name].variance(points)
        if name in self.crisis:
            found = found + self.crisis[name].variance(points, shift)
        return found

    def draws(
        self,
        name: str,
        axes: tuple[FloatArray, FloatArray, FloatArray],
        shift: FloatArray,
        rng: np.random.Generator,
        common: np.random.Generator,
        rows: NDArray[np.intp],
    ) -> FloatArray:
        """Joint draws of a coefficient on a grid.

        Parameters
        ----------
        name : str
            Coefficient.
        axes : tuple of ndarray
            Depths, Reynolds numbers and spin ratios.
        shift : ndarray, shape (k,)
            Of the crisis in each of the k draws, in ln Re against that of the runs.
        rng, common : numpy.random.Generator
            As of `Process.draws`.
        rows : ndarray of int
            Which of the draws are wanted.

        Returns
        -------
        ndarray, shape (rows, d, r, s)
            Draws.
        """
        process, part = self.smooth[name], self.crisis.get(name)
        if part is None:
            return process.draws(*axes, shift.size, rng, common, rows)
        below = self._points.at(self.inside)
        if scattered(self._points):
            kept, surface = process.draws_at(*axes, shift.size, rng, common, rows, below)
            return np.asarray(kept + part.draws(*axes, shift[rows], surface - process.mean(below), rng))
        own = (below.depth_m, below.reynolds, below.spin_ratio)
        wide = [np.unique(np.concatenate([axis, runs])) for axis, runs in zip(axes, own, strict=True)]
        drawn = process.draws(wide[0], wide[1], wide[2], shift.size, rng, common, rows)
        at = [np.searchsorted(axis, runs) for axis, runs in zip(wide, own, strict=True)]
        surface = drawn[:, at[0], at[1], at[2]] - process.mean(below)
        wanted = [np.searchsorted(axis, values) for axis, values in zip(wide, axes, strict=True)]
        kept = drawn[np.ix_(np.arange(rows.size), *wanted)]
        return np.asarray(kept + part.draws(*axes, shift[rows], surface, rng))

    def leave_one_out(self, name: str) -> tuple[FloatArray, FloatArray]:
        """Prediction of every run from all the others: run less prediction, and its claimed size, (n,)."""
        residual, claimed = np.full(self.inside.size, np.nan), np.full(self.inside.size, np.nan)
        residual[~self.inside], claimed[~self.inside] = self.smooth[name].leave_one_out()
        if name in self.crisis:
            residual[self.inside], claimed[self.inside] = self.crisis[name].leave_one_out()
        return residual, claimed


@dataclass(frozen=True)
class WeightedSurface:
    """A surface and its probability."""

    weight: float
    surface: Surface


def inside(points: Points, criterion: Criterion | None, place: Place) -> BoolArray:
    """Which conditions lie inside or below the crisis, shape (n,)."""
    if criterion is None:
        return np.zeros(points.depth_m.size, bool)
    log_ratio = np.log(points.reynolds) - criterion.log_critical(points.depth_m)
    return np.asarray(place.untripped(log_ratio, points.spin_ratio) > INSIDE)


def weighted_surfaces(runs: pd.DataFrame, criterion: Criterion | None) -> list[WeightedSurface]:
    """Surfaces of a pattern with the places of its crisis that its runs allow.

    Parameters
    ----------
    runs : DataFrame
        Usable runs of a pattern, at least one.
    criterion : Criterion or None
        Where the crisis is expected; None where the flows know none.

    Returns
    -------
    list of WeightedSurface
        The most probable first; weights add up to one. One without a crisis when there is no criterion, or
        when fewer than `FEWEST_ABOVE` runs lie above it.
    """
    known: dict[tuple[str, bytes], Process] = {}
    points = Points.of_runs(runs)
    if criterion is None or (~inside(points, criterion, Place())).sum() < FEWEST_ABOVE:
        return [WeightedSurface(1.0, Surface(runs, None, Place(), known))]
    chances = _chances()
    found: list[tuple[float, Surface]] = []
    for place, chance in chances.items():
        if (~inside(points, criterion, place)).sum() >= FEWEST_ABOVE:
            surface = Surface(runs, criterion, place, known)
            found.append((math.log(chance) + surface.log_evidence, surface))
    found.sort(key=lambda entry: -entry[0])
    weights = np.exp([log - found[0][0] for log, _ in found])
    weights /= weights.sum()
    kept = weights >= _LEAST_WEIGHT
    return [
        WeightedSurface(float(weight / weights[kept].sum()), surface)
        for weight, (_, surface), keep in zip(weights, found, kept, strict=True)
        if keep
    ]


def _chances() -> Mapping[Place, float]:
    """Prior probability of each place, the criterion's own first."""
    others = {
        Place(shift, width): math.exp(-0.5 * (shift / _SHIFT_SPREAD) ** 2)
        for width in WIDTHS
        for shift in SHIFTS
        if (shift, width) != (0.0, 0.0)
    }
    total = sum(others.values())
    return {Place(): EXACT} | {place: (1.0 - EXACT) * chance / total for place, chance in others.items()}
