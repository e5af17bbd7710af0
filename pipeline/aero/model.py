"""Coefficient model of a pattern: drag, lift, moment over depth, Reynolds number and spin ratio."""

import copy
import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.aero.conditions import Points
from pipeline.aero.crisis_place import SHARED_SHIFT, Criterion, Place
from pipeline.aero.knots import scattered
from pipeline.aero.priors import PRIORS
from pipeline.aero.stated_error import StatedError, slope_draws, stated_draws
from pipeline.aero.surface import inside, weighted_surfaces
from pipeline.aero.table import BOUNDS, CoefficientTable, TableBatch, padded
from pipeline.arrays import FloatArray
from pipeline.files.clean_numbers import clean_array

STEPS_BETWEEN_NODES = (5, 2)
"""Steps of the sampling grid between neighbouring Reynolds numbers or spin ratios studied, at least; the same
for draws."""

LONGEST_STEP = (0.08, 0.0125)
"""Longest steps of the sampling grid, in ln Re and in S: with them the error of interpolating bilinearly is,
root mean square over a table, below a tenth of the posterior's standard deviation
(tests/aero/test_model.py)."""

CRISIS_STEP = (0.04, 0.0125)
"""The same where there is a crisis: at S 0.08 its transition takes 0.11 in ln Re."""

DRAWS_STEP = (0.08, 0.03)
"""The same for draws, of whose flights only the scatter is used."""


SHOWN_DEPTHS = 7
"""Depths at which scattered runs are tabulated; flights are made between them too, in twelve steps."""


class CoefficientModel:
    """Posterior of a pattern's coefficients, given its usable runs.

    Parameters
    ----------
    pattern : str
        Name.
    runs : DataFrame
        Its usable runs, columns as in coefficients.csv; at least one.
    criterion : Criterion, optional
        Where the drag crisis lies, for flows that are tripped by it; without one the coefficients are taken
        for smooth throughout.

    Attributes
    ----------
    depth_m : ndarray, shape (d,)
        Depths with a usable run, increasing [m].
    scattered : bool
        Whether the runs lie anywhere instead of on a grid.
    shown_m : ndarray
        Depths to tabulate: those with a usable run; of scattered runs even ones from the shallowest to the
        deepest [m].
    reynolds, spin_ratio : ndarray
        Nodes of the sampling grid, from the lowest to the highest studied; those studied are among them [-].
    surfaces : list of WeightedSurface
        The coefficients with each place of the crisis that the runs allow, the most probable first.
    criterion : Criterion or None
        As given; None too when the runs above the crisis are too few to find it.
    """

    corrected = False
    """Whether measured balls have corrected the coefficients (`pipeline.aero.corrected`)."""

    finer_mesh = False
    """Whether runs on a finer mesh have (`pipeline.aero.finer_mesh`)."""

    _last: tuple[object, TableBatch] | None
    _last_places: tuple[object, list[TableBatch]] | None

    def __init__(self, pattern: str, runs: pd.DataFrame, criterion: Criterion | None = None) -> None:
        columns = [runs[name].to_numpy(float) for name in ("depth_m", "reynolds", "spin_ratio")]
        self.pattern = self.seeded_by = pattern
        self.runs = runs
        self.surfaces = weighted_surfaces(runs, criterion)
        self.criterion = self.surfaces[0].surface.criterion
        self.depth_m: FloatArray = np.unique(columns[0])
        self.studied_reynolds, self.studied_spin_ratio = np.unique(columns[1]), np.unique(columns[2])
        self.scattered = scattered(Points.of_runs(runs))
        self.shown_m = self.depth_m
        if self.scattered:
            self.shown_m = np.linspace(self.depth_m[0], self.depth_m[-1], SHOWN_DEPTHS)
            self.shown_m[1:-1] = clean_array(self.shown_m[1:-1])
        longest = (LONGEST_STEP if self.criterion is None else CRISIS_STEP), DRAWS_STEP
        (self.reynolds, self.spin_ratio), self._coarse = (
            (
                _between_reynolds(self._nodes(self.studied_reynolds), step[0], least),
                _refined(self._nodes(self.studied_spin_ratio), step[1], least),
            )
            for step, least in zip(longest, STEPS_BETWEEN_NODES, strict=True)
        )
        self._forget_tables()

    @property
    def spread(self) -> float:
        """Relative standard deviation of the critical Reynolds number of balls that are cut, or 0."""
        return 0.0 if self.criterion is None else self.criterion.spread

    def placed(self, deviations: float = 0.0) -> Self:
        """Return the same model with the crisis of the ball that is cut at one place.

        Parameters
        ----------
        deviations : float
            Standard deviations by which the logarithm of its critical Reynolds number lies above the most
            probable one.
        """
        found = copy.copy(self)
        if self.criterion is not None:
            factor = self.criterion.factor * math.exp(deviations * self.criterion.log_spread)
            found.criterion = replace(self.criterion, factor=factor, spread=0.0)
        found._forget_tables()
        return found

    def without_spread(self) -> Self:
        """Return the same model without what no run tells: where the crisis of the ball that is cut lies."""
        return self.placed()

    def seeded(self, name: str) -> Self:
        """Return the same model, whose own part of draws another name seeds: two may share a pattern."""
        found = copy.copy(self)
        found.seeded_by = name
        found._forget_tables()
        return found

    @property
    def names(self) -> tuple[str, ...]:
        """Coefficients that the model has: "cd", "cl" and, when moments can be flown, "cm"."""
        return tuple(self.surfaces[0].surface.smooth)

    def tables(self, depth_m: ArrayLike) -> list[CoefficientTable]:
        """Sample the model at depths, with the posterior's standard deviations at the nodes.

        Parameters
        ----------
        depth_m : array_like, shape (d,)
            Depths; outside those studied the model extrapolates, and its errors say so [m].

        Returns
        -------
        list of CoefficientTable
            One a depth, with the crisis where it is most probable on the ball that will be cut.
        """
        depth = np.asarray(depth_m, float)
        points = Points.grid(depth, self.reynolds, self.spin_ratio)
        values: dict[str, FloatArray] = {}
        for name in self.names:
            values[name], variance = self._mixed(name, points, self._shift())
            values[f"{name}_se"] = np.sqrt(variance)
        values["cd"] = np.maximum(values["cd"], 0.0)
        if "cm" in values:
            values["cm"] = np.minimum(values["cm"], 0.0)
        shape = (depth.size, self.reynolds.size, self.spin_ratio.size)
        return [
            CoefficientTable(
                self.reynolds, self.spin_ratio, **{name: v.reshape(shape)[d] for name, v in values.items()}
            )
            for d in range(depth.size)
        ]

    def most_probable(self, depth_m: ArrayLike, crisis: bool = True, coarse: bool = False) -> TableBatch:
        """Sample only the most probable coefficients, for flights.

        Parameters
        ----------
        depth_m : array_like, shape (d,)
            Depths [m].
        crisis : bool
            Whether the crisis is in the tables; without it they are those of a ball that stays tripped.
        coarse : bool
            Whether the nodes are those of `draws`.

        Returns
        -------
        TableBatch
            d tables.
        """
        depth = np.asarray(depth_m, float)
        nodes = self._coarse if coarse else (self.reynolds, self.spin_ratio)
        points = Points.grid(depth, *nodes)
        shift = self._shift()
        values = [self._mean(name, points, shift, crisis) for name in self.names]
        values[0] = np.maximum(values[0], 0.0)
        if "cm" in self.names:
            values[2] = np.minimum(values[2], 0.0)
        else:
            values.append(np.zeros_like(values[0]))
        shape = (depth.size, nodes[0].size, nodes[1].size, 3)
        return padded(*nodes, np.stack(values, axis=-1).reshape(shape), has_cm="cm" in self.names)

    def at_places(self, depth_m: FloatArray, deviations: FloatArray) -> list[TableBatch]:
        """Sample the most probable coefficients with the crisis at several places (see `placed`).

        The last ones are kept: every golfer is flown with the same.
        """
        key = (depth_m.tobytes(), deviations.tobytes())
        if self._last_places is None or self._last_places[0] != key:
            tables = [self.placed(float(at)).most_probable(depth_m) for at in deviations]
            self._last_places = (key, tables)
        return self._last_places[1]

    def runs_table(self, depth_m: float) -> CoefficientTable | None:
        """Plain grid of the runs of one depth, without a model; None where the grid of a depth has gaps."""
        if self.scattered:
            return None
        rows = self.runs[self.runs["depth_m"] == depth_m].sort_values(["reynolds", "spin_ratio"])
        re, s = (np.unique(rows[name].to_numpy(float)) for name in ("reynolds", "spin_ratio"))
        if rows.empty or len(rows) != re.size * s.size:
            return None
        shape = (re.size, s.size)
        values = {
            column: rows[column].to_numpy(float).reshape(shape)
            for name in self.names
            for column in (name, f"{name}_se")
        }
        return CoefficientTable(re, s, **values)

    def above_crisis(self, grid: CoefficientTable, depth_m: float) -> CoefficientTable:
        """Replace the nodes of a depth's runs that lie inside the crisis by the surface above it."""
        points = Points.grid(np.array([depth_m]), grid.reynolds, grid.spin_ratio)
        inside_it = inside(points, self.criterion, Place()).reshape(grid.cd.shape)
        surface = {
            name: self._mean(name, points, 0.0, crisis=False).reshape(grid.cd.shape) for name in ("cd", "cl")
        }
        return replace(
            grid,
            **{name: np.where(inside_it, values, getattr(grid, name)) for name, values in surface.items()},
        )

    def untripped(self, depth_m: ArrayLike, reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
        """Share of the meridians that is not tripped, the crisis being where it is most probable.

        Parameters
        ----------
        depth_m, reynolds, spin_ratio : array_like
            Conditions, broadcast against each other.

        Returns
        -------
        ndarray
            Zeros where the flows know no crisis.
        """
        depth, re, s = np.broadcast_arrays(*(np.asarray(a, float) for a in (depth_m, reynolds, spin_ratio)))
        if self.criterion is None:
            return np.zeros(depth.shape)
        log_ratio = np.log(re) - self.criterion.log_critical(depth)
        return np.asarray(
            sum(of.weight * of.surface.place.untripped(log_ratio - self._shift(), s) for of in self.surfaces)
        )

    def added(self, depth_m: ArrayLike, reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
        """Most probable corrections at conditions, broadcast: added to Cd, and to the logarithm of Cl.

        Returns
        -------
        ndarray, shape (2, ...)
            Zeros: what runs say is flown as it is (see `pipeline.aero.corrected`).
        """
        return np.zeros((2, *np.broadcast_shapes(*map(np.shape, (depth_m, reynolds, spin_ratio)))))

    def draws(self, depth_m: ArrayLike, n: int, seed: int, stated: Sequence[StatedError] = ()) -> TableBatch:
        """Draw tables at several depths jointly, so that differences between depths keep their correlation.

        Models of several patterns that are given the same seed share what none of them knows between the
        Reynolds numbers and spin ratios studied (see `Process.draws`), and half of what is not known of the
        place of the crisis on balls that are cut.

        Parameters
        ----------
        depth_m : array_like, shape (d,)
            Depths [m].
        n : int
            Number of draws.
        seed : int
            Seed. The part of a stated error that all patterns share depends on nothing else.
        stated : sequence of StatedError
            Added to the draws, independent of each other.

        Returns
        -------
        TableBatch
            d x n tables, all draws of the first depth first. Drag is cut off at zero, a moment where it would
            speed the spin up.
        """
        depth = np.asarray(depth_m, float)
        key = (depth.tobytes(), n, seed, tuple(stated))
        if self._last is not None and self._last[0] == key:  # every golfer is flown with the same draws
            return self._last[1]
        rng = np.random.default_rng([seed, *self.seeded_by.encode()])
        which, shift = self._places(n, seed)
        drawn = []
        for number, name in enumerate(self.names):
            values = np.empty((n, depth.size, *(axis.size for axis in self._coarse)))
            for place, of in enumerate(self.surfaces):
                rows = np.flatnonzero(which == place)
                if rows.size:
                    values[rows] = of.surface.draws(
                        name,
                        (depth, *self._coarse),
                        shift,
                        np.random.default_rng([seed, 5, number, *self.seeded_by.encode()]),
                        np.random.default_rng([seed, 1, number]),
                        rows,
                    )
            for order, error in enumerate(stated if name != "cm" else ()):
                size = getattr(error, name) + getattr(error, f"{name}_relative") * np.abs(values)
                source = np.random.default_rng([seed, 2 + order, *name.encode()])
                values = values + size * stated_draws(error.shared, depth, n, source, rng)[:, :, None, None]
                if slope := getattr(error, f"{name}_slope"):
                    factor = slope_draws(slope, error.shared, n, source, rng)
                    values = values + factor[:, None, None, None] * self._change_with_depth(name, depth)
            low, high = BOUNDS[name] if name != "cl" else (-np.inf, np.inf)
            drawn.append(np.clip(values, low, high))
        if "cm" not in self.names:
            drawn.append(np.zeros_like(drawn[0]))
        values = np.moveaxis(np.stack(drawn, axis=-1), 0, 1).reshape(
            depth.size * n, *(axis.size for axis in self._coarse), 3
        )
        drawn_tables = padded(*self._coarse, values, has_cm="cm" in self.names)
        self._last = (key, drawn_tables)
        return drawn_tables

    def leave_one_out(self) -> pd.DataFrame:
        """Predict every run from all the others.

        Returns
        -------
        DataFrame
            One row a run and coefficient: run, coefficient, depth_m, reynolds, spin_ratio, inside (or below
            the crisis), residual (run less prediction), claimed (its claimed standard deviation), ratio of
            the two.
        """
        frames, surface = [], self.surfaces[0].surface
        for name in self.names:
            residual, claimed = surface.leave_one_out(name)
            frame = self.runs[["run", "depth_m", "reynolds", "spin_ratio"]].copy()
            frame.insert(1, "coefficient", name)
            frames.append(
                frame.assign(
                    inside=surface.inside, residual=residual, claimed=claimed, ratio=residual / claimed
                )
            )
        return pd.concat(frames, ignore_index=True).dropna(subset="ratio")

    def at_runs(self) -> pd.DataFrame:
        """Compare the model with every run at the run's own condition.

        Returns
        -------
        DataFrame
            One row a run and coefficient (drag and lift): run, coefficient, depth_m, reynolds, spin_ratio,
            value, model, stated (the run's standard error and the repeatability of settled runs), ratio of
            the difference to the latter.
        """
        points = Points.of_runs(self.runs)
        frames = []
        for name in ("cd", "cl"):
            mean = self._mean(name, points, 0.0)
            # The scatter's prior keeps it below some three times the repeatability: no physics hides in it.
            scatter = max(PRIORS[name].repeatability, self.surfaces[0].surface.smooth[name].scatter)
            stated = np.hypot(self.runs[f"{name}_se"].to_numpy(float), scatter)
            value = self.runs[name].to_numpy(float)
            frame = self.runs[["run", "depth_m", "reynolds", "spin_ratio"]].copy()
            frame.insert(1, "coefficient", name)
            frames.append(frame.assign(value=value, model=mean, stated=stated, ratio=(value - mean) / stated))
        return pd.concat(frames, ignore_index=True)

    def frame(self, depth_m: ArrayLike) -> pd.DataFrame:
        """Sample the model as a tidy table: a row a node, coefficients with errors (_se), the regime."""
        parts = []
        for depth, table in zip(np.asarray(depth_m, float), self.tables(depth_m), strict=True):
            re, s = np.meshgrid(table.reynolds, table.spin_ratio, indexing="ij")
            columns: dict[str, object] = {"pattern": self.pattern, "depth_m": depth}
            columns |= {"reynolds": re.ravel(), "spin_ratio": s.ravel()}
            for name in ("cd", "cl", "cm"):
                for column in (name, f"{name}_se"):
                    values = getattr(table, column) if name in self.names else None
                    columns[column] = np.nan if values is None else values.ravel()
            tripped = 1.0 - self.untripped(depth, re, s)
            columns["tripped_share"] = np.nan if self.criterion is None else tripped.ravel()
            parts.append(pd.DataFrame(columns))
        return pd.concat(parts, ignore_index=True)

    def _nodes(self, studied: FloatArray) -> FloatArray:
        """Conditions that nodes of the tables must lie at: those studied, or the ends of scattered ones."""
        return studied[[0, -1]] if self.scattered else studied

    def _forget_tables(self) -> None:
        """Start without kept tables: those of the model that this one was made from are not its own."""
        self._last = None
        self._last_places = None

    def _mean(self, name: str, points: Points, shift: float, crisis: bool = True) -> FloatArray:
        """Mean over the places that the runs allow."""
        return np.asarray(
            sum(of.weight * of.surface.mean(name, points, shift, crisis) for of in self.surfaces)
        )

    def _change_with_depth(self, name: str, depth_m: FloatArray) -> FloatArray:
        """Coefficient above the crisis less that at the middle of the depths studied, shape (d, nr, ns)."""
        middle = 0.5 * (self.depth_m[0] + self.depth_m[-1])
        points = Points.grid(np.append(depth_m, middle), *self._coarse)
        shape = (depth_m.size + 1, *(axis.size for axis in self._coarse))
        values = self._mean(name, points, 0.0, crisis=False).reshape(shape)
        return np.asarray(values[:-1] - values[-1])

    def _mixed(self, name: str, points: Points, shift: float) -> tuple[FloatArray, FloatArray]:
        """Mean and variance over the places that the runs allow."""
        means = np.array([of.surface.mean(name, points, shift) for of in self.surfaces])
        variances = np.array([of.surface.variance(name, points, shift) for of in self.surfaces])
        weights = np.array([of.weight for of in self.surfaces])
        mean = weights @ means
        return np.asarray(mean), np.asarray(weights @ variances + weights @ (means - mean) ** 2)

    def _shift(self) -> float:
        """Crisis of the ball that will be cut against that of the runs, in ln Re, most probable."""
        return 0.0 if self.criterion is None else math.log(self.criterion.factor)

    def _places(self, n: int, seed: int) -> tuple[NDArray[np.intp], FloatArray]:
        """Of every draw: which surface, and how far its crisis lies from that of the runs in ln Re."""
        weights = np.cumsum([of.weight for of in self.surfaces])
        uniform = np.random.default_rng([seed, 4]).random(n)
        which = np.minimum(np.searchsorted(weights, uniform), len(self.surfaces) - 1)
        if self.criterion is None:
            return which, np.zeros(n)
        common = np.random.default_rng([seed, 6]).standard_normal(n)
        own = np.random.default_rng([seed, 6, *self.seeded_by.encode()]).standard_normal(n)
        unit = math.sqrt(SHARED_SHIFT) * common + math.sqrt(1.0 - SHARED_SHIFT) * own
        return which, self._shift() + self.criterion.log_spread * unit


def _between_reynolds(studied: FloatArray, longest: float, least: int) -> FloatArray:
    """Put nodes between Reynolds numbers, even in the logarithm; those studied stay exactly."""
    found = np.exp(_refined(np.log(studied), longest, least))
    found[np.abs(found[:, None] - studied).argmin(axis=0)] = studied
    return found


def _refined(nodes: FloatArray, longest: float, least: int) -> FloatArray:
    """Put nodes between the nodes; the first ones stay among them."""
    parts = [nodes[:1]]
    for low, high in itertools.pairwise(nodes):
        steps = max(least, int(np.ceil((high - low) / longest - 1e-9)))
        between = np.linspace(low, high, steps + 1)[1:-1]
        parts += [clean_array(between), np.array([high])]
    return np.concatenate(parts)
