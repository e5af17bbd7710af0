"""Arrays that the figures plot: carry against depth, flight paths, coefficients."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.collect import finer_rows
from pipeline.aero.export import read_tidy
from pipeline.aero.model import CoefficientModel
from pipeline.arrays import FloatArray
from pipeline.decide.flights.conditions import conditions_of
from pipeline.decide.flights.golfer import as_flown
from pipeline.flight.trajectory import path
from pipeline.records.flow import USABLE
from pipeline.report.inputs import Inputs
from pipeline.study.model import FlightWindow

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class DepthLine:
    """Carry and peak height of one golfer with one pattern against depth.

    `depth_m`, `carry_m`, `carry_lo_m`, `carry_hi_m` and `peak_m`, shape (g,), are the curve and its band;
    `studied_m`, `studied_carry_m` and `studied_peak_m`, shape (d,), the depths that were computed;
    `runs_carry_m` and `runs_peak_m` the same flown by plain interpolation of the runs' own grid, NaN without
    one. `named_m` is the depth that the decision names, with its interval `named_lo_m` to `named_hi_m`.
    """

    pattern: str
    depth_m: FloatArray
    carry_m: FloatArray
    carry_lo_m: FloatArray
    carry_hi_m: FloatArray
    peak_m: FloatArray
    studied_m: FloatArray
    studied_carry_m: FloatArray
    studied_peak_m: FloatArray
    runs_carry_m: FloatArray
    runs_peak_m: FloatArray
    named_m: float
    named_lo_m: float
    named_hi_m: float


@dataclass(frozen=True)
class DepthChart:
    """Lines of all patterns for one golfer."""

    golfer: str
    window: FlightWindow | None
    lines: list[DepthLine]


class LevelLine(NamedTuple):
    """A reference ball of the shelf for one golfer: its carry and peak height [m]."""

    name: str
    carry_m: float
    peak_m: float


@dataclass(frozen=True)
class SidePath:
    """Flight path of the mean shot at one depth, seen from the side; `x_m` and `height_m` of shape (m,)."""

    depth_m: float
    x_m: FloatArray
    height_m: FloatArray


@dataclass(frozen=True)
class PathChart:
    """Flight paths of one golfer: for each pattern one a depth, shallow to deep."""

    golfer: str
    window: FlightWindow | None
    paths: dict[str, list[SidePath]]


@dataclass(frozen=True)
class ModelCurve:
    """The model of one pattern at one depth on its own grid.

    `reynolds` and `spin_ratio` are the axes, shapes (r,) and (s,); `values`, `errors` map "cd" and "cl" to
    arrays of shape (r, s); `tripped`, of the same shape, is the share of the meridians that is tripped, NaN
    where the flows know no crisis.
    """

    depth_m: float
    reynolds: FloatArray
    spin_ratio: FloatArray
    values: dict[str, FloatArray]
    errors: dict[str, FloatArray]
    tripped: FloatArray


@dataclass(frozen=True)
class CoefficientChart:
    """Coefficients of one pattern on the grid depth x Reynolds number x spin ratio.

    `values` and `errors` map "cd", "cl" and "cm" to arrays of shape (d, r, s), NaN where no run is usable;
    `verdicts` has the same shape. `curves` are the model's, at the depths studied. `added` maps "cd" and
    "cl" to what corrections add to the runs before they are flown, of the same shape.
    """

    pattern: str
    depth_m: FloatArray
    reynolds: FloatArray
    spin_ratio: FloatArray
    values: dict[str, FloatArray]
    errors: dict[str, FloatArray]
    verdicts: NDArray[np.object_]
    curves: list[ModelCurve]
    added: dict[str, FloatArray] = field(default_factory=dict)

    def flown(self, name: str) -> FloatArray:
        """Runs' values of a coefficient as they are flown, corrections added, shape (d, r, s)."""
        return np.asarray(self.values[name] + self.added.get(name, 0.0))


def depth_charts(inputs: Inputs) -> list[DepthChart]:
    """Carry and peak height against depth, golfer by golfer in the study's order."""
    charts = []
    for golfer in inputs.study.golfers:
        lines = []
        for curve in inputs.decision.curves:
            if curve.golfer != golfer.name:
                continue
            flights = inputs.flights
            studied = flights[(flights["golfer"] == golfer.name) & (flights["pattern"] == curve.pattern)]
            studied = studied[np.isfinite(studied["carry_m"])].sort_values("depth_m")
            depth, carry, low, high, peak = (
                np.array(values, float)
                for values in (
                    curve.depth_m,
                    curve.carry_m,
                    curve.carry_lo_m,
                    curve.carry_hi_m,
                    curve.peak_height_m,
                )
            )
            studied_m, at_studied, peak_at, runs, peak_runs = (
                studied[name].to_numpy(float)
                for name in ("depth_m", "carry_m", "peak_height_m", "carry_runs_m", "peak_height_runs_m")
            )
            lines.append(
                DepthLine(
                    curve.pattern, depth, carry, low, high, peak, studied_m, at_studied, peak_at, runs,
                    peak_runs, *_named(inputs, golfer.name, curve.pattern),
                )
            )  # fmt: skip
        charts.append(DepthChart(golfer.name, golfer.flight_window, lines))
    return charts


def path_charts(inputs: Inputs, models: Mapping[str, CoefficientModel]) -> list[PathChart]:
    """Flight paths of every golfer's mean shot with every usable table of the models, by pattern.

    A ball that does not come down has no path; the decision's notes report it.
    """
    conditions = conditions_of(inputs.study)
    charts = []
    for golfer in inputs.study.golfers:
        shot = as_flown(golfer).mean_shot
        paths: dict[str, list[SidePath]] = {}
        for pattern in inputs.study.patterns:
            name = pattern.name
            model = models.get(name)
            for depth, table in zip(model.shown_m, model.tables(model.shown_m), strict=True) if model else ():
                try:
                    flown = path(table, shot, conditions)
                except ValueError:  # has not landed after a minute
                    continue
                paths.setdefault(name, []).append(SidePath(float(depth), flown.x_m, flown.height_m))
        charts.append(PathChart(golfer.name, golfer.flight_window, paths))
    return charts


def _named(inputs: Inputs, golfer: str, pattern: str) -> tuple[float, float, float]:
    """Depth that the decision names for a golfer and pattern, and its interval [m]."""
    for row in inputs.decision.rows:
        if (row.golfer, row.pattern) == (golfer, pattern):
            low, high = (
                math.nan if value is None else value for value in (row.best_depth_lo_m, row.best_depth_hi_m)
            )
            return row.best_depth_m, low, high
    return math.nan, math.nan, math.nan


def model_curves(path: Path) -> dict[str, list[ModelCurve]]:
    """Read the model's curves from tables.csv, by pattern; empty where there is none.

    Parameters
    ----------
    path : Path
        As from `pipeline.aero.export.write_tables`.
    """
    if not path.is_file():
        return {}
    frame = read_tidy(path)
    found: dict[str, list[ModelCurve]] = {}
    for _, rows in frame.groupby(["pattern", "depth_m"], sort=True):
        pattern, depth = str(rows["pattern"].iloc[0]), float(rows["depth_m"].iloc[0])
        re, s = (np.unique(rows[name].to_numpy(float)) for name in ("reynolds", "spin_ratio"))
        if len(rows) == re.size * s.size:
            found.setdefault(pattern, []).append(_model_curve(depth, re, s, rows))
    return found


def _model_curve(
    depth_m: float, reynolds: FloatArray, spin_ratio: FloatArray, rows: "pd.DataFrame"
) -> ModelCurve:
    ordered = rows.sort_values(["reynolds", "spin_ratio"])
    shape = (reynolds.size, spin_ratio.size)
    grids = {
        name: ordered[name].to_numpy(float).reshape(shape) if name in ordered else np.full(shape, np.nan)
        for name in ("cd", "cl", "cd_se", "cl_se", "tripped_share")
    }
    return ModelCurve(
        depth_m, reynolds, spin_ratio,
        {name: grids[name] for name in ("cd", "cl")},
        {name: grids[f"{name}_se"] for name in ("cd", "cl")},
        grids["tripped_share"],
    )  # fmt: skip


def coefficient_charts(
    inputs: Inputs, curves: Mapping[str, list[ModelCurve]], models: Mapping[str, CoefficientModel]
) -> list[CoefficientChart]:
    """Coefficients of every pattern that has a run with numbers, in the study's order.

    Parameters
    ----------
    inputs : Inputs
        Runs.
    curves : mapping
        From `model_curves`.
    models : mapping
        Coefficient models that the study is flown with, by pattern.
    """
    charts = []
    own = inputs.coefficients[~finer_rows(inputs.coefficients)]
    for pattern in inputs.study.patterns:
        rows = own[own["pattern"] == pattern.name]
        rows = rows.dropna(subset=["depth_m", "reynolds", "spin_ratio"])
        if rows.empty:
            continue
        (depth, d), (reynolds, r), (spin_ratio, s) = (
            np.unique(rows[name].to_numpy(float), return_inverse=True)
            for name in ("depth_m", "reynolds", "spin_ratio")
        )
        shape = (depth.size, reynolds.size, spin_ratio.size)
        verdicts = np.full(shape, "missing", dtype=object)
        verdicts[d, r, s] = rows["verdict"].to_numpy(object)
        usable = np.isin(verdicts.astype(str), USABLE)
        values: dict[str, FloatArray] = {}
        errors: dict[str, FloatArray] = {}
        for name in ("cd", "cl", "cm"):
            for column, into in ((name, values), (f"{name}_se", errors)):
                grid = np.full(shape, np.nan)
                grid[d, r, s] = rows[column].to_numpy(float)
                into[name] = np.where(usable, grid, np.nan)
        added: dict[str, FloatArray] = {}
        if pattern.name in models:
            at = (depth[:, None, None], reynolds[:, None], spin_ratio)
            drag, lift = models[pattern.name].added(*at)
            added = {"cd": drag, "cl": values["cl"] * np.expm1(lift)}
        charts.append(
            CoefficientChart(
                pattern.name, depth, reynolds, spin_ratio, values, errors, verdicts,
                curves.get(pattern.name, []), added,
            )
        )  # fmt: skip
    return charts
