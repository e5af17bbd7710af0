"""Numbers that the page's own program draws and flies: curves, runs, coefficient tables, constants."""

import base64
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import NotRequired, TypedDict

import numpy as np

from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY, published_tables
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.arrays import FloatArray
from pipeline.decide.depths import angle_of_depth
from pipeline.decide.flights.golfer import as_flown
from pipeline.flight import ground, kernel
from pipeline.flight.air import STANDARD_GRAVITY_M_S2
from pipeline.flight.trajectory import TOLERANCE_M_S
from pipeline.records.flow import USABLE
from pipeline.report.colours import DepthColours, pattern_colours
from pipeline.report.inputs import Inputs
from pipeline.report.references import References
from pipeline.report.series import CoefficientChart, DepthChart
from pipeline.study.model import Golfer, Study
from pipeline.study.trade_units import flight_m, flight_unit

STEPS_BETWEEN = 4
"""Depths at which the page can fly from one depth studied to the next, beside that one."""


class Packed(TypedDict):
    """An array as the page reads it; bytes stand for numbers from `low` to `high` where these are given."""

    type: str
    shape: list[int]
    data: str
    low: NotRequired[float]
    high: NotRequired[float]


def packed(values: np.ndarray, kind: str) -> Packed:
    """Array as little-endian bytes in base64: a third of the size of its digits.

    Parameters
    ----------
    values : ndarray
        Any shape.
    kind : str
        numpy's name of the type in the page: "<f4", "<u2" or "|u1".
    """
    data = np.ascontiguousarray(values.astype(kind)).tobytes()
    return {"type": kind, "shape": list(values.shape), "data": base64.b64encode(data).decode("ascii")}


def page_data(
    inputs: Inputs,
    models: Mapping[str, CoefficientModel],
    depths: Sequence[DepthChart],
    coefficients: Sequence[CoefficientChart],
    colours: DepthColours,
    known: References,
) -> dict[str, object]:
    """Return everything that the page's program needs, as JSON holds it; SI, angles in radians.

    Parameters
    ----------
    inputs : Inputs
        The results.
    models : mapping
        Coefficient models that the study is flown with, by pattern.
    depths, coefficients : sequences
        From `pipeline.report.series`.
    colours : DepthColours
        Colours of depths.
    known : References
        Reference balls of the shelf.
    """
    study = inputs.study
    return {
        "study": study.name,
        "units": {"size_m": flight_m(), "name": flight_unit()},
        "ball": {"diameter_m": study.ball.diameter_m, "mass_kg": study.ball.mass_kg},
        "air": _air(study),
        "wind": _wind(study),
        "constants": _constants(),
        "colours": [
            [depth, colours.of(depth), colours.on_dark(depth)] for depth in _all_depths(inputs, models)
        ],
        "patterns": [
            _pattern(inputs, name, place, models.get(name))
            for place, name in enumerate(pattern.name for pattern in study.patterns)
        ],
        "golfers": [
            _golfer(golfer, chart, known) for golfer, chart in zip(study.golfers, depths, strict=True)
        ],
        "coefficients": [_coefficients(chart) for chart in coefficients],
        "balls": [
            *(_ball(f"{of.name} ({of.kind}, shelf)", "reference", of.table) for of in known.balls),
            *(_ball(name, "published", table) for name, table in published_tables().items()),
        ],
    }


def _all_depths(inputs: Inputs, models: Mapping[str, CoefficientModel]) -> list[float]:
    own = {float(depth) for model in models.values() for depth in model.shown_m}
    own |= {depth for variant in inputs.variants if (depth := inputs.depth_m(variant)) is not None}
    return sorted(own)


def _air(study: Study) -> dict[str, float | None]:
    return {
        "temperature": study.air.temperature_k,
        "pressure": study.air.pressure_pa,
        "altitude": study.air.altitude_m,
        "humidity": study.air.humidity,
    }


def _wind(study: Study) -> dict[str, float | str]:
    wind = study.air.wind
    return {
        "speed": wind.speed_m_s,
        "from": wind.from_rad,
        "profile": wind.profile,
        "height_m": wind.height_m,
        "roughness_m": wind.roughness_m,
        "exponent": wind.exponent,
    }


def _constants() -> dict[str, object]:
    """Constants of the compiled equations of motion, so that the page has no copies of them."""
    return {
        "stages": kernel.STAGES.tolist(),
        "error": kernel.ERROR.tolist(),
        "tolerance_m_s": TOLERANCE_M_S,
        "first_step_s": kernel.FIRST_STEP_S,
        "shortest_step_s": kernel.SHORTEST_STEP_S,
        "longest_step_s": kernel.LONGEST_STEP_S,
        "longest_flight_s": kernel.LONGEST_FLIGHT_S,
        "gravity_m_s2": STANDARD_GRAVITY_M_S2,
        "spin_decay": SMITS_SMITH_SPIN_DECAY,
        "friction": ground.FRICTION,
        "rolling_resistance": ground.ROLLING_RESISTANCE,
        "lowest_bounce_m": ground.LOWEST_BOUNCE_M,
    }


def _pattern(inputs: Inputs, name: str, place: int, model: CoefficientModel | None) -> dict[str, object]:
    """One pattern: how it is drawn, and its tables at the depths studied and between them."""
    names = [pattern.name for pattern in inputs.study.patterns]
    colour = pattern_colours(name, names)
    found: dict[str, object] = {"name": name, "colour": list(colour), "place": place, "tables": None}
    if model is None:
        return found
    depth = flown_depths(model.shown_m)
    batch = TableBatch.of(model.tables(depth))
    angles = angle_of_depth(inputs.coefficients, name)
    (re_low, re_high), (s_low, s_high) = batch.reynolds_range, batch.spin_ratio_range
    return found | {
        "depth_m": depth.tolist(),
        "studied": [bool(at in model.shown_m) for at in depth],
        "edge_angle_deg": [None if angles is None else angles.at(at) for at in depth.tolist()],
        "tables": {
            "log_reynolds": batch.log_reynolds.tolist(),
            "spin_ratio": batch.spin_ratio.tolist(),
            "lowest": [math.log(re_low), s_low],
            "highest": [math.log(re_high), s_high],
            "has_cm": bool(batch.has_cm[0]),
            "values": packed(batch.values, "<f4"),
        },
    }


def flown_depths(studied_m: FloatArray) -> FloatArray:
    """Depths at which the page can fly: those studied, and `STEPS_BETWEEN` from each to the next [m].

    Examples
    --------
    >>> flown_depths(np.array([0.0001, 0.0002])).size
    6
    """
    between = [
        np.linspace(low, high, STEPS_BETWEEN + 1, endpoint=False)
        for low, high in itertools.pairwise(studied_m.tolist())
    ]
    return np.concatenate([*between, studied_m[-1:]])


def _golfer(golfer: Golfer, chart: DepthChart, known: References) -> dict[str, object]:
    shot = as_flown(golfer).mean_shot.as_array()[0]
    window = golfer.flight_window
    return {
        "name": golfer.name,
        "launch": dict(zip(("speed", "angle", "spin", "tilt"), shot.tolist(), strict=True)),
        "window": None if window is None else [window.lowest_m, window.highest_m],
        "lines": [
            {
                "pattern": line.pattern,
                **{
                    key: _numbers(getattr(line, key))
                    for key in (
                        "depth_m", "carry_m", "carry_lo_m", "carry_hi_m", "peak_m", "studied_m",
                        "studied_carry_m", "studied_peak_m", "runs_carry_m", "runs_peak_m",
                    )
                },
                "named": _numbers(np.array([line.named_lo_m, line.named_m, line.named_hi_m])),
            }
            for line in chart.lines
        ],
        "references": [
            {"name": ball.name, "carry_m": of.carry_m, "peak_m": of.peak_height_m}
            for ball in known.balls
            for of in (known.flights[golfer.name, ball.name],)
        ],
    }  # fmt: skip


def _coefficients(chart: CoefficientChart) -> dict[str, object]:
    """Runs of one pattern with numbers, and the model's curves at the depths studied."""
    runs = [
        {
            "depth_m": float(chart.depth_m[d]),
            "reynolds": float(chart.reynolds[r]),
            "spin_ratio": float(chart.spin_ratio[s]),
            "verdict": str(chart.verdicts[d, r, s]),
            **{name: float(chart.values[name][d, r, s]) for name in ("cd", "cl")},
            **{f"{name}_flown": float(chart.flown(name)[d, r, s]) for name in ("cd", "cl")},
            **{f"{name}_se": _or_none(chart.errors[name][d, r, s]) for name in ("cd", "cl")},
        }
        for d, r, s in np.argwhere(np.isfinite(chart.values["cd"]))
        if chart.verdicts[d, r, s] in USABLE
    ]
    curves = [
        {
            "depth_m": curve.depth_m,
            "reynolds": curve.reynolds.tolist(),
            "spin_ratio": curve.spin_ratio.tolist(),
            "tripped": packed(curve.tripped, "<f4"),
            **{name: packed(curve.values[name], "<f4") for name in ("cd", "cl")},
            **{f"{name}_se": packed(curve.errors[name], "<f4") for name in ("cd", "cl")},
        }
        for curve in chart.curves
    ]
    return {
        "pattern": chart.pattern,
        "reynolds": chart.reynolds.tolist(),
        "spin_ratio": chart.spin_ratio.tolist(),
        "runs": runs,
        "curves": curves,
    }


def _ball(name: str, kind: str, table: CoefficientTable) -> dict[str, object]:
    return {
        "name": name,
        "kind": kind,
        "reynolds": table.reynolds.tolist(),
        "spin_ratio": table.spin_ratio.tolist(),
        "cd": packed(table.cd, "<f4"),
        "cl": packed(table.cl, "<f4"),
    }


def _numbers(values: FloatArray) -> list[float | None]:
    """Numbers as JSON holds them: null where there is none."""
    return [_or_none(value) for value in np.asarray(values, float).tolist()]


def _or_none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
