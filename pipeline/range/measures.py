"""Estimates of single shots and gates of reduced firings, and the errors that a range must stay within."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.range.firings import Firings
from pipeline.range.judging import others_of, own_offsets
from pipeline.range.reduce import Reduction
from pipeline.range.shot_fit import shot_covariance
from pipeline.range.terms import DEPTH_UNIT_M

WANTED_CD, WANTED_CL = 0.005, 0.010
"""Standard errors of one shot that the needed errors are stated for: published instruments reach the first
[quoted]; the second moves a carry by some two yards."""


@dataclass(frozen=True, eq=False)
class ShotEstimates:
    """Each shot's own Cd and Cl at its mean condition, arrays of shape (n,).

    Standard errors are those of its gates and spin alone, without scatter from shot to shot.
    """

    reynolds: FloatArray
    spin_ratio: FloatArray
    cd: FloatArray
    cd_se: FloatArray
    cl: FloatArray
    cl_se: FloatArray
    cd_off: FloatArray
    cl_off: FloatArray


def shot_estimates(reduction: Reduction) -> ShotEstimates:
    """Cd and Cl of every shot by itself, the shape of its pattern's curves taken as known."""
    data = reduction.data
    own, covariance = own_offsets(reduction.linear, others_of(data, reduction.point))
    re, s = reduction.shot_reynolds.mean(axis=1), reduction.shot_spin_ratio.mean(axis=1)
    cd, cl = np.empty(len(re)), np.empty(len(re))
    for pattern in range(len(data.patterns)):
        mine = data.pattern == pattern
        # The pattern's terms of depth are in the point's coefficients, at each ball's own depth.
        for depth in np.unique(data.constants[mine, 3]):
            at = mine & (data.constants[:, 3] == depth)
            reference = data.reference_depth_m[pattern]
            depth_m = None if np.isnan(reference) else reference + depth * DEPTH_UNIT_M
            cd[at], cl[at] = reduction.coefficients(pattern, re[at], s[at], depth_m)
    return ShotEstimates(
        re, s, cd + own[:, 0], np.sqrt(covariance[:, 0, 0]), cl + own[:, 1], np.sqrt(covariance[:, 1, 1]),
        own[:, 0], own[:, 1],
    )  # fmt: skip


class GateSummary(NamedTuple):
    """One gate over all shots; times in seconds, heights in metres; NaN where it does not measure them.

    `cd_per_mm` and `cl_per_mm` are what a shot's Cd and Cl change by when the gate is 1 mm further down range
    than its file says: an error that no number of shots averages out.
    """

    gate: str
    times: int
    late_s: float
    scatter_s: float
    high_m: float
    left_out: int
    cd_per_mm: float
    cl_per_mm: float


def gate_summaries(reduction: Reduction, firings: Firings) -> list[GateSummary]:
    """Residuals of every gate, in the order of their positions."""
    data, linear = reduction.data, reduction.linear
    names = firings.gates["gate"].to_numpy()[data.source]
    place = firings.gates["position_m"].to_numpy()[data.source]
    covariance = shot_covariance(data, linear, np.full(2, 0.3**2))
    shift = 1e-3 / linear.speed
    weight = np.where(reduction.kept[:, 0] > 0, shift / linear.sigma[:, 0] ** 2, 0.0)
    pull = linear.sensitivity[:, 0, :10] * np.nan_to_num(weight)[:, None]
    moved = np.einsum("rij,rj->ri", covariance[data.shot_of_row][:, 8:10], pull)
    seen = np.isfinite(linear.residual[:, 0])
    counted = reduction.kept[:, 0] > 0
    high = np.where(reduction.kept[:, 2] > 0, linear.residual[:, 2], np.nan)
    found = []
    keys = sorted(set(zip(place.tolist(), names.tolist(), strict=True)))
    for at, name in keys:
        own = (names == name) & (place == at)
        good, late = own & counted, linear.residual[own & counted, 0]
        heights = high[own][np.isfinite(high[own])]
        found.append(
            GateSummary(
                name, int((own & seen).sum()), float(late.mean()) if late.size else math.nan,
                float(late.std()) if late.size else math.nan,
                float(heights.mean()) if heights.size else math.nan,
                int((own & seen & ~counted & reduction.shot_kept[data.shot_of_row]).sum()),
                float(moved[good, 0].mean()) if good.any() else math.nan,
                float(moved[good, 1].mean()) if good.any() else math.nan,
            )
        )  # fmt: skip
    return found


class Needs(NamedTuple):
    """What a range must measure to, for `WANTED_CD` and `WANTED_CL` of one shot, at its typical shot.

    `time_s`, `height_m` are random errors of one gate; `place_m` is the error of placing the gates, each by
    itself, that shifts Cd of all shots by a standard error of `WANTED_CD`. `cd_se`, `cl_se` are what it
    reached with what it measures to. NaN where it does not measure.
    """

    cd_se: float
    cl_se: float
    time_s: float
    height_m: float
    place_m: float


def needs(reduction: Reduction, gates: list[GateSummary], estimates: ShotEstimates) -> Needs:
    """Errors that the range's own arrangement and shots ask for."""
    good = reduction.shot_kept
    cd_se, cl_se = float(np.median(estimates.cd_se[good])), float(np.median(estimates.cl_se[good]))
    counted = reduction.kept > 0
    time = float(np.median(reduction.linear.sigma[counted[:, 0], 0]))
    heights = reduction.linear.sigma[counted[:, 2], 2]
    height = float(np.median(heights)) * WANTED_CL / cl_se if heights.size else math.nan
    worst = math.sqrt(sum(gate.cd_per_mm**2 for gate in gates if math.isfinite(gate.cd_per_mm)))
    # Both errors of a shot fall in proportion to those of its gates, as long as these are what limits it.
    if not heights.size:
        time_needed = time * min(WANTED_CD / cd_se, WANTED_CL / cl_se)
    else:
        time_needed = time * WANTED_CD / cd_se
    return Needs(cd_se, cl_se, time_needed, height, 1e-3 * WANTED_CD / worst if worst > 0 else math.nan)
