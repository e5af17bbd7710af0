"""Firings as arrays for the least squares: what is stated of each shot, and what its gates saw."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.arrays import FloatArray, IntArray
from pipeline.flight.air import air_from
from pipeline.range.firings import Firings
from pipeline.range.terms import DEPTH_UNIT_M, REYNOLDS_UNIT

_WIDE = {"time_s": 10.0, "side_m": 1.0, "height_m": 3.0, "speed_m_s": 50.0, "azimuth_rad": 0.2}
"""Standard deviations of what is not stated of a launch: no information."""

_NARROW_AZIMUTH_RAD = 0.02

FEWEST_TIMES = 3


@dataclass(frozen=True, eq=False)
class ShotData:
    """Shots as the least squares want them; m rows of gates, n shots.

    Attributes
    ----------
    first_row : ndarray of int, shape (n + 1,)
        Rows of each shot.
    pattern, ball : ndarray of int, shape (n,)
        Numbers of pattern and ball.
    patterns, balls : list of str
        Their names.
    constants, origin : ndarray
        As `pass_gates` wants them.
    reference_depth_m : ndarray, shape (patterns,)
        Depth at which the terms of depth are zero; NaN where depths of the pattern's balls are not known.
    stated, stated_error : ndarray, shape (n, 8)
        What is stated of each shot's own parameters, and how far off that may be.
    seen, error, position_error : ndarray, shapes (m, 4), (m, 4), (m,)
        Measured values (NaN where there is none) and their standard deviations, as stated.
    position, tan_slant : ndarray, shape (m,)
        Gates.
    used : ndarray of int, shape (n,)
        Row of the shots of the firings.
    source : ndarray of int, shape (m,)
        Row of the gates of the firings.
    """

    first_row: IntArray
    pattern: IntArray
    ball: IntArray
    patterns: list[str]
    balls: list[str]
    constants: FloatArray
    origin: FloatArray
    reference_depth_m: FloatArray
    stated: FloatArray
    stated_error: FloatArray
    seen: FloatArray
    error: FloatArray
    position_error: FloatArray
    position: FloatArray
    tan_slant: FloatArray
    used: IntArray
    source: IntArray

    @property
    def shot_of_row(self) -> IntArray:
        """Shot of each row."""
        return np.repeat(np.arange(self.first_row.size - 1), np.diff(self.first_row))


def prepare(firings: Firings, min_times: int = FEWEST_TIMES) -> tuple[ShotData, list[str]]:
    """Lay firings out for the least squares; shots that cannot be used are left out.

    Returns
    -------
    ShotData
        The shots that can be used.
    list of str
        A line on every shot that was left out.
    """
    shots, gates = firings.shots, firings.gates
    seen = gates[["time_s", "side_m", "height_m", "gate_spin_rad_s"]].to_numpy(float)
    has_time = ~np.isnan(seen[:, 0])
    times = np.bincount(gates["shot"], has_time, len(shots))
    notes, good = [], (times >= min_times) & shots["spin_rad_s"].notna().to_numpy()
    names = list(zip(shots["file"].astype(str), shots["shot"].astype(str), strict=True))
    for place in np.flatnonzero(~good).tolist():
        why = f"{int(times[place])} times; {min_times} are needed" if times[place] < min_times else "no spin"
        notes.append(f"{names[place][0]}: shot {names[place][1]}: left out, it has {why}")
    used = np.flatnonzero(good)
    source = np.flatnonzero(good[gates["shot"]])
    number = np.cumsum(good) - 1
    of_row = number[gates["shot"].to_numpy()[source]]
    n = len(used)
    first_row = np.searchsorted(of_row, np.arange(n + 1))
    shots, gates, seen = shots.iloc[used], gates.iloc[source], seen[source]
    pattern, patterns = pd.factorize(shots["pattern"].astype(str), sort=True)
    by_ball = shots.groupby(["pattern", "ball"], sort=True)
    ball, balls = by_ball.ngroup().to_numpy(), by_ball["ball"].first().tolist()
    depth = shots["depth_m"].to_numpy()
    # By ball, not by shot: where depth is zero must not depend on how often each ball was fired.
    reference = np.array(
        [np.mean([depth[ball == b][0] for b in np.unique(ball[pattern == p])]) for p in range(len(patterns))]
    )
    per_m, per_speed = _air_constants(shots)
    off = np.nan_to_num((depth - reference[pattern]) / DEPTH_UNIT_M)
    constants = np.stack([per_m, 0.5 * shots["diameter_m"].to_numpy(), per_speed, off], axis=1)
    position, lean = gates["position_m"].to_numpy(), np.tan(gates["slant_rad"].to_numpy())
    # Where a slanted gate is passed lies further on; the origin is the first upright one, if there is one.
    upright = np.where(lean == 0.0, position, np.inf)
    origin = np.minimum.reduceat(upright, first_row[:-1])
    origin = np.where(np.isfinite(origin), origin, np.minimum.reduceat(position, first_row[:-1]))
    stated, error = _stated(shots, seen, position, lean, first_row, of_row, origin)
    data = ShotData(
        first_row, pattern.astype(np.int64), ball.astype(np.int64), patterns.tolist(),
        balls, constants, origin,
        reference, stated, error, seen,
        np.stack([gates[name].to_numpy() for name in ("time_error_s", "side_error_m", "height_error_m")]
                 + [shots["spin_error_rad_s"].to_numpy()[of_row]], axis=1),
        gates["position_error_m"].to_numpy(), position, lean, used, source,
    )  # fmt: skip
    return data, notes


def _air_constants(shots: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Rho A / 2m and Re at 1 m/s (in 1e5) of every shot."""
    state = shots[["temperature_k", "pressure_pa", "humidity"]].to_numpy()
    known, which = np.unique(state, axis=0, return_inverse=True)
    air = [air_from(t, p, h) for t, p, h in known.tolist()]
    density = np.array([a.density_kg_m3 for a in air])[which.ravel()]
    viscosity = np.array([a.kinematic_viscosity_m2_s for a in air])[which.ravel()]
    diameter = shots["diameter_m"].to_numpy()
    per_m = density * np.pi * diameter**2 / (8.0 * shots["mass_kg"].to_numpy())
    return per_m, diameter / viscosity / REYNOLDS_UNIT


def _stated(
    shots: pd.DataFrame, seen: FloatArray, position: FloatArray, lean: FloatArray,
    first_row: IntArray, of_row: IntArray, origin: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """What is stated of each launch, or read off its gates where it is not, and the error of that."""
    n = len(shots)
    stated, error = np.zeros((n, 8)), np.empty((n, 8))
    for column, name in enumerate(("time_s", "side_m", "height_m", "speed_m_s", "", "azimuth_rad")):
        if name:
            error[:, column] = _WIDE[name]
    # A shot whose sides are not seen shows its azimuth only by the cosine, which has no slope at zero.
    sides = np.bincount(of_row, np.isfinite(seen[:, 1]), n)
    error[sides < 2, 5] = _NARROW_AZIMUTH_RAD
    stated[:, 4] = shots["launch_angle_rad"].fillna(0.0)
    error[:, 4] = np.where(shots["launch_angle_rad"].isna(), 0.2, shots["launch_angle_error_rad"])
    stated[:, 6], error[:, 6] = shots["spin_rad_s"], shots["spin_error_rad_s"]
    stated[:, 7], error[:, 7] = shots["axis_tilt_rad"], shots["axis_error_rad"]
    launch_speed = shots["launch_speed_m_s"].to_numpy()
    for i in range(n):
        rows = slice(first_row[i], first_row[i + 1])
        upright = (lean[rows] == 0.0) & ~np.isnan(seen[rows, 0])
        x, t = position[rows][upright], seen[rows, 0][upright]
        if len(x) >= 2:
            gaps = np.subtract.outer(t, t)[np.triu_indices(len(t), 1)]
            way = np.subtract.outer(x, x)[np.triu_indices(len(t), 1)]
            # A median of all pairs, so that one miscounted gate does not spoil it.
            with np.errstate(divide="ignore", invalid="ignore"):
                stated[i, 3] = np.nanmedian(way / gaps)
        elif launch_speed[i] == launch_speed[i]:
            stated[i, 3] = launch_speed[i]
        if not 1.0 < stated[i, 3] < 200.0:
            stated[i, 3] = launch_speed[i] if launch_speed[i] == launch_speed[i] else 50.0
        stated[i, 0] = np.median(t - (x - origin[i]) / stated[i, 3]) if len(x) else 0.0
        for column, place in ((1, 1), (2, 2)):
            known = np.flatnonzero(~np.isnan(seen[rows, place]))
            if len(known):
                stated[i, column] = seen[rows, place][known[0]]
            elif column == 2:
                stated[i, column] = _height_from_slant(seen, position, lean, rows, stated[i], origin[i])
    return stated, error


def _height_from_slant(
    seen: FloatArray, position: FloatArray, lean: FloatArray, rows: slice, stated: FloatArray, origin: float
) -> float:
    """Height at which a slanted gate was passed, at the speed of the upright ones."""
    slanted = np.flatnonzero((lean[rows] != 0.0) & ~np.isnan(seen[rows, 0]))
    if not len(slanted):
        return 0.0
    x = origin + stated[3] * (seen[rows, 0][slanted] - stated[0])
    return float(np.median((x - position[rows][slanted]) / lean[rows][slanted]))
