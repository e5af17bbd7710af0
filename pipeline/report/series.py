"""What the figures show, as arrays: carry against depth, flight paths, coefficients."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.collect import USABLE
from pipeline.aero.model import models_from_coefficients
from pipeline.flight.golfer import as_flown
from pipeline.flight.station import conditions_of
from pipeline.flight.trajectory import path
from pipeline.report.inputs import Inputs
from pipeline.study import FlightWindow

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DepthLine:
    """Carry and peak height of one golfer with one pattern against depth.

    `depth_m`, `carry_m`, `carry_lo_m`, `carry_hi_m` and `peak_m`, shape (g,), are the curve and its band;
    `studied_m`, `studied_carry_m` and `studied_peak_m`, shape (d,), the depths that were computed.
    """

    pattern: str
    depth_m: Floats
    carry_m: Floats
    carry_lo_m: Floats
    carry_hi_m: Floats
    peak_m: Floats
    studied_m: Floats
    studied_carry_m: Floats
    studied_peak_m: Floats


@dataclass(frozen=True)
class DepthChart:
    """Lines of all patterns for one golfer."""

    golfer: str
    window: FlightWindow | None
    lines: list[DepthLine]


@dataclass(frozen=True)
class SidePath:
    """Flight path of the mean shot at one depth, seen from the side; `x_m` and `height_m` of shape (m,)."""

    depth_m: float
    x_m: Floats
    height_m: Floats


@dataclass(frozen=True)
class PathChart:
    """Flight paths of one golfer: for each pattern one a depth, shallow to deep."""

    golfer: str
    window: FlightWindow | None
    paths: dict[str, list[SidePath]]


@dataclass(frozen=True)
class CoefficientChart:
    """Coefficients of one pattern on the grid depth x Reynolds number x spin ratio.

    `values` and `errors` map "cd", "cl" and "cm" to arrays of shape (d, r, s), NaN where no run is usable;
    `verdicts` has the same shape.
    """

    pattern: str
    depth_m: Floats
    reynolds: Floats
    spin_ratio: Floats
    values: dict[str, Floats]
    errors: dict[str, Floats]
    verdicts: NDArray[np.object_]


def depth_charts(inputs: Inputs) -> list[DepthChart]:
    """Carry and peak height against depth, golfer by golfer in the study's order."""
    charts = []
    for golfer in inputs.study.golfers:
        lines = []
        for curve in inputs.decision["curves"]:
            if curve["golfer"] != golfer.name:
                continue
            flights = inputs.flights
            studied = flights[(flights["golfer"] == golfer.name) & (flights["pattern"] == curve["pattern"])]
            studied = studied[np.isfinite(studied["carry_m"])].sort_values("depth_m")
            lines.append(
                DepthLine(
                    curve["pattern"],
                    *(
                        np.array(curve[name], float)
                        for name in ("depth_m", "carry_m", "carry_lo_m", "carry_hi_m", "peak_height_m")
                    ),
                    *(studied[name].to_numpy(float) for name in ("depth_m", "carry_m", "peak_height_m")),
                )
            )
        charts.append(DepthChart(golfer.name, golfer.flight_window, lines))
    return charts


def path_charts(inputs: Inputs) -> list[PathChart]:
    """Flight paths of every golfer's mean shot with every usable table.

    A ball that does not come down has no path; the decision's notes tell of it.
    """
    models, _ = models_from_coefficients(inputs.coefficients)
    conditions = conditions_of(inputs.study)
    charts = []
    for golfer in inputs.study.golfers:
        shot = as_flown(golfer).mean_shot
        paths: dict[str, list[SidePath]] = {}
        for pattern in inputs.study.patterns:
            name = pattern.name
            model = models.get(name)
            for depth, table in zip(model.depth_m, model.tables(model.depth_m), strict=True) if model else ():
                try:
                    flown = path(table, shot, conditions)
                except ValueError:  # has not landed after a minute
                    continue
                paths.setdefault(name, []).append(SidePath(float(depth), flown.x_m, flown.height_m))
        charts.append(PathChart(golfer.name, golfer.flight_window, paths))
    return charts


def coefficient_charts(inputs: Inputs) -> list[CoefficientChart]:
    """Coefficients of every pattern that has a run with numbers, in the study's order."""
    charts = []
    for pattern in inputs.study.patterns:
        rows = inputs.coefficients[inputs.coefficients["pattern"] == pattern.name]
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
        values: dict[str, Floats] = {}
        errors: dict[str, Floats] = {}
        for name in ("cd", "cl", "cm"):
            for column, into in ((name, values), (f"{name}_se", errors)):
                grid = np.full(shape, np.nan)
                grid[d, r, s] = rows[column].to_numpy(float)
                into[name] = np.where(usable, grid, np.nan)
        charts.append(CoefficientChart(pattern.name, depth, reynolds, spin_ratio, values, errors, verdicts))
    return charts
