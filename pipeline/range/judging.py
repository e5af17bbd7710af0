"""Outliers of firings: measurements, gates and shots far off by robust scatter are left out."""

from collections.abc import Mapping

import numpy as np

from pipeline.arrays import BoolArray, FloatArray, IntArray
from pipeline.range.gate_kernel import N_RANGE
from pipeline.range.shot_data import ShotData
from pipeline.range.shot_fit import Linear, Point

FAR, NEAR = 5.0, 4.0
"""Standard deviations beyond which a measurement is left out, and below which it is taken again."""

FAR_SHOT = 6.0
FAR_GATE, FAR_GATE_SHARE = 6.0, 0.7
"""A gate is left out when its mean is so many standard errors, and this share of one time's, off."""


def judged_measurements(
    data: ShotData, kept: FloatArray, deviation: FloatArray, room: FloatArray, take_again: bool
) -> FloatArray:
    """Leave out the worst measurement of each shot that is far off, and take those again that are near.

    One a shot and round: a bad time draws its neighbours with it. A measurement that its shot cannot be
    checked against (it has all the leverage) stays. `take_again` ends before the rounds do, so that none goes
    in and out for ever.
    """
    size = np.abs(np.where(np.isfinite(deviation), deviation, 0.0))
    again = (kept == 0) & (size < NEAR) & np.isfinite(deviation) & take_again
    new = np.where(again, 1.0, kept)
    checked = np.where((new > 0) & (room > 1e-3), size, 0.0)
    worst_of_row = checked.max(axis=1)
    worst = np.maximum.reduceat(worst_of_row, data.first_row[:-1])[data.shot_of_row]
    drop = (checked == worst[:, None]) & (checked > FAR) & ~again
    return np.where(drop, 0.0, new)


def late_gates(
    names: list[str],
    gate_of_row: IntArray,
    counted: BoolArray,
    already: Mapping[str, float],
    linear: Linear,
    deviation: FloatArray,
    h: FloatArray,
) -> Mapping[str, float]:
    """Gates whose times are off in the mean of all shots; the worst one is added."""
    if len(already) >= 2:
        return already
    z = np.where(counted & np.isfinite(deviation[:, 0]), deviation[:, 0], 0.0)
    gates = len(names)
    count = np.bincount(gate_of_row, counted, gates)
    # A shot's residuals hang together: the mean of its gates is judged by its scatter from shot to shot.
    mean = np.bincount(gate_of_row, z, gates) / np.maximum(count, 1)
    square = np.bincount(gate_of_row, z**2, gates) / np.maximum(count, 1)
    error = np.sqrt(np.maximum(square - mean**2, 1e-12) / np.maximum(count, 1))
    off = np.where((count >= 12) & (np.abs(mean) > FAR_GATE_SHARE), np.abs(mean) / error, 0.0)
    worst = int(off.argmax())
    if off[worst] < FAR_GATE:
        return already
    own = counted & (gate_of_row == worst)
    late = np.median(linear.residual[own, 0] / np.maximum(1.0 - h[own, 0], 1e-3))
    return {**already, names[worst]: float(late)}


def own_offsets(linear: Linear, others: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each shot's own estimate of its offsets under given common parameters, and its covariance.

    A part of 0.3 in Cd and Cl is taken as known beforehand, so that a shot that shows only one has both.
    """
    pull = linear.score[:, :2] - np.einsum("nij,nj->ni", linear.information[:, :2, 2:], others)
    covariance: FloatArray = np.asarray(np.linalg.inv(linear.information[:, :2, :2] + np.eye(2) / 0.3**2))
    return np.einsum("nij,nj->ni", covariance, pull), covariance


def others_of(data: ShotData, point: Point) -> FloatArray:
    """Range, drag and lift parameters of each shot, shape (n, k - 2)."""
    n = len(data.pattern)
    return np.concatenate(
        [np.broadcast_to(point.range_of, (n, N_RANGE)), point.drag[data.pattern], point.lift[data.pattern]],
        axis=1,
    )


def judged_shots(data: ShotData, linear: Linear, point: Point) -> tuple[BoolArray, FloatArray]:
    """Leave out shots whose Cd and Cl are far from those of their like; the robust scatter of shots, too."""
    own, covariance = own_offsets(linear, others_of(data, point))
    offset = np.zeros((len(data.balls), 2))
    for ball in range(len(offset)):
        mine = data.ball == ball
        if mine.sum() >= 3:
            offset[ball] = np.median(own[mine], axis=0)
    rest = own - offset[data.ball]
    noise = np.stack([covariance[:, 0, 0], covariance[:, 1, 1]], axis=1)
    spread = 1.4826 * np.median(np.abs(rest), axis=0)
    extra = np.maximum(spread**2 - np.median(noise, axis=0), 0.0)
    size = np.sqrt((rest**2 / (noise + np.maximum(extra, 1e-12))).sum(axis=1))
    good = np.asarray(size < FAR_SHOT) if len(size) >= 8 else np.ones(len(size), bool)
    return good, np.maximum(np.sqrt(extra), 1e-3)


def noise_scales(linear: Linear, kept: FloatArray, h: FloatArray, scale: FloatArray) -> FloatArray:
    """Errors of time, side, height and spin over those stated, from the residuals, where there are enough."""
    new = scale.copy()
    for c in range(4):
        use = (kept[:, c] > 0) & np.isfinite(linear.residual[:, c])
        freedom = np.maximum(1.0 - h[use, c], 0.0).sum()
        if freedom > 20:
            ratio = ((linear.residual[use, c] / linear.sigma[use, c]) ** 2).sum() / freedom
            new[c] = np.clip(scale[c] * np.sqrt(ratio), 0.02, 20.0)
    return new
