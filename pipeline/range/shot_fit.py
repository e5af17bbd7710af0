"""Least squares of shots through the equations of motion: residuals, weights, normal equations of each shot.

A shot has eight parameters of its own (`gate_kernel.NUISANCE`), which its gates and what is stated of its
launch determine; they are eliminated shot by shot, so that what is left of a shot is a small quadratic form in
its offsets of Cd and Cl, the range's parameters and the terms of its pattern.
"""

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from pipeline.flight.air import STANDARD_GRAVITY_M_S2, air_from
from pipeline.flow.machine import cores_allowed
from pipeline.range.firings import Firings
from pipeline.range.gate_kernel import FIRST_TERM, N_EFFECTS, N_NUISANCE, SEEN, pass_gates
from pipeline.range.terms import DEPTH_UNIT_M, REYNOLDS_UNIT, Term

FloatArray = NDArray[np.float64]

_SCALES = np.array([1e-4, 1e-2, 1e-2, 0.1, 1e-2, 1e-2, 10.0, 0.05])
"""Sizes of the shots' own parameters, so that their equations are well conditioned."""

_WIDE = {"time_s": 10.0, "side_m": 1.0, "height_m": 3.0, "speed_m_s": 50.0, "azimuth_rad": 0.2}
"""Standard deviations of what is not stated of a launch: no information."""

FEWEST_TIMES = 3

SHOTS_OF_A_THREAD = 500
"""More are flown on all cores."""


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

    first_row: NDArray[np.int64]
    pattern: NDArray[np.int64]
    ball: NDArray[np.int64]
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
    used: NDArray[np.int64]
    source: NDArray[np.int64]

    @property
    def shot_of_row(self) -> NDArray[np.int64]:
        """Shot of each row."""
        return np.repeat(np.arange(self.first_row.size - 1), np.diff(self.first_row))


@dataclass(frozen=True, eq=False)
class Point:
    """Values of all parameters: where the equations are linearised.

    `own` has shape (n, 8), `effects` (n, 2), `range_of` (3,), `drag` and `lift` (patterns, terms).
    """

    own: FloatArray
    effects: FloatArray
    range_of: FloatArray
    drag: FloatArray
    lift: FloatArray


@dataclass(frozen=True, eq=False)
class Linear:
    """The shots' quadratic forms about a point.

    Attributes
    ----------
    residual, sigma : ndarray, shape (m, 4)
        Measured less computed, and its standard deviation; NaN where nothing was measured.
    sensitivity : ndarray, shape (m, 4, columns)
        Derivatives.
    information, score : ndarray, shapes (n, k, k) and (n, k)
        In (offsets of Cd and Cl, range, drag, lift): minus half the sum of squares is score . x - x .
        information . x / 2 up to a constant, x the parameters themselves.
    own_information, own_score, cross : ndarray
        Of the shots' own parameters, scaled, and between them and the others.
    speed : ndarray, shape (m,)
        Down-range speed at the gates [m/s].
    """

    residual: FloatArray
    sigma: FloatArray
    sensitivity: FloatArray
    information: FloatArray
    score: FloatArray
    own_information: FloatArray
    own_score: FloatArray
    cross: FloatArray
    speed: FloatArray


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
    for place in np.flatnonzero(~good):
        why = f"{int(times[place])} times; {min_times} are needed" if times[place] < min_times else "no spin"
        notes.append(f"{shots.at[place, 'file']}: shot {shots.at[place, 'shot']}: left out, it has {why}")
    used = np.flatnonzero(good)
    source = np.flatnonzero(good[gates["shot"]])
    number = np.cumsum(good) - 1
    of_row = number[gates["shot"].to_numpy()[source]]
    n = len(used)
    first_row = np.searchsorted(of_row, np.arange(n + 1))
    shots, gates, seen = shots.iloc[used], gates.iloc[source], seen[source]
    pattern, patterns = pd.factorize(shots["pattern"], sort=True)
    by_ball = shots.groupby(["pattern", "ball"], sort=True)
    ball, balls = by_ball.ngroup().to_numpy(), [str(name) for _, name in by_ball.groups]
    depth = shots["depth_m"].to_numpy()
    # By ball, not by shot: where depth is zero must not depend on how often each ball was fired.
    reference = np.array(
        [
            np.mean([depth[ball == b][0] for b in np.unique(ball[pattern == p])])
            for p in range(len(patterns))
        ]
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
        first_row, pattern.astype(np.int64), ball.astype(np.int64), [str(name) for name in patterns], balls, constants, origin,
        reference, stated, error, seen,
        np.stack([gates[name].to_numpy() for name in ("time_error_s", "side_error_m", "height_error_m")]
                 + [shots["spin_error_rad_s"].to_numpy()[of_row]], axis=1),
        gates["position_error_m"].to_numpy(), position, lean, used, source,
    )  # fmt: skip
    return data, notes


def _air_constants(shots: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """rho A / 2m and Re at 1 m/s (in 1e5) of every shot."""
    state = shots[["temperature_k", "pressure_pa", "humidity"]].to_numpy()
    known, which = np.unique(state, axis=0, return_inverse=True)
    air = [air_from(t, p, h) for t, p, h in known.tolist()]
    density = np.array([a.density_kg_m3 for a in air])[which.ravel()]
    viscosity = np.array([a.kinematic_viscosity_m2_s for a in air])[which.ravel()]
    diameter = shots["diameter_m"].to_numpy()
    per_m = density * np.pi * diameter**2 / (8.0 * shots["mass_kg"].to_numpy())
    return per_m, diameter / viscosity / REYNOLDS_UNIT


def _stated(shots, seen, position, lean, first_row, of_row, origin):  # type: ignore[no-untyped-def]
    """What is stated of each launch, or read off its gates where it is not, and the error of that."""
    n = len(shots)
    stated, error = np.zeros((n, 8)), np.empty((n, 8))
    for column, name in enumerate(("time_s", "side_m", "height_m", "speed_m_s", "", "azimuth_rad")):
        if name:
            error[:, column] = _WIDE[name]
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


def _height_from_slant(seen, position, lean, rows, stated, origin):  # type: ignore[no-untyped-def]
    """Height at which a slanted gate was passed, at the speed of the upright ones."""
    slanted = np.flatnonzero((lean[rows] != 0.0) & ~np.isnan(seen[rows, 0]))
    if not len(slanted):
        return 0.0
    x = origin + stated[3] * (seen[rows, 0][slanted] - stated[0])
    return float(np.median((x - position[rows][slanted]) / lean[rows][slanted]))


def linearise(
    data: ShotData, terms: tuple[tuple[Term, ...], tuple[Term, ...]], at: Point, kept: FloatArray, scale: FloatArray
) -> Linear:
    """Compute residuals and the shots' quadratic forms about a point.

    Parameters
    ----------
    data : ShotData
        Shots.
    terms : pair of tuple of Term
        Of drag and of lift.
    at : Point
        Parameters.
    kept : ndarray, shape (m, 4)
        1 for measurements that count, 0 for those left out.
    scale : ndarray, shape (4,)
        Factors by which the errors of time, side, height and spin are other than stated.
    """
    powers = np.array([list(term) for of in terms for term in of], dtype=np.int64)
    range_of = np.append(at.range_of, STANDARD_GRAVITY_M_S2)
    rows, columns = len(data.position), FIRST_TERM + len(powers)
    seen, speed, sensitivity = np.full((rows, 4), np.nan), np.full(rows, np.nan), np.zeros((rows, 4, columns))
    arguments = (
        data.first_row, at.own, at.effects, data.constants, data.pattern, powers, at.drag, at.lift, range_of,
        data.position, data.tan_slant, data.origin, seen, speed, sensitivity,
    )  # fmt: skip
    shots = len(data.pattern)
    if shots <= SHOTS_OF_A_THREAD:
        pass_gates(0, shots, *arguments)
    else:
        edges = np.linspace(0, shots, cores_allowed() + 1).astype(int).tolist()
        with ThreadPoolExecutor() as pool:
            list(pool.map(lambda ends: pass_gates(*ends, *arguments), itertools.pairwise(edges)))
    residual = data.seen - seen
    sigma = data.error * scale
    with np.errstate(invalid="ignore"):
        sigma[:, 0] = np.hypot(sigma[:, 0], scale[0] * data.position_error / speed)
    good = np.isfinite(residual) & np.isfinite(sensitivity).all(axis=2)
    weight = np.where(good, kept / sigma**2, 0.0)
    clean = np.where(weight > 0, residual, 0.0)
    h, g = _accumulate(data.first_row, sensitivity, weight, clean)
    h[:, :N_NUISANCE] *= _SCALES[:, None]
    h[:, :, :N_NUISANCE] *= _SCALES
    g[:, :N_NUISANCE] *= _SCALES
    precision = (_SCALES / data.stated_error) ** 2
    own = h[:, :N_NUISANCE, :N_NUISANCE]
    own[:, np.arange(N_NUISANCE), np.arange(N_NUISANCE)] += precision
    own_score = g[:, :N_NUISANCE] + precision * (data.stated - at.own) / _SCALES
    cross = h[:, :N_NUISANCE, N_NUISANCE:]
    solved = np.linalg.solve(own, np.concatenate([cross, own_score[:, :, None]], axis=2))
    information = h[:, N_NUISANCE:, N_NUISANCE:] - cross.transpose(0, 2, 1) @ solved[:, :, :-1]
    score = g[:, N_NUISANCE:] - (cross.transpose(0, 2, 1) @ solved[:, :, -1:])[:, :, 0]
    score = score + (information @ _others(data, at)[:, :, None])[:, :, 0]
    return Linear(residual, sigma, sensitivity, information, score, own, own_score, cross, speed)


def _others(data: ShotData, at: Point) -> FloatArray:
    """All parameters of each shot that are not its own, shape (n, k)."""
    n = len(data.pattern)
    return np.concatenate(
        [at.effects, np.broadcast_to(at.range_of, (n, 3)), at.drag[data.pattern], at.lift[data.pattern]], axis=1
    )


def moved(data: ShotData, linear: Linear, at: Point, effects: FloatArray, range_of: FloatArray, drag: FloatArray,
          lift: FloatArray) -> Point:  # fmt: skip
    """The point with new common parameters, each shot's own ones those that then fit best.

    Within bounds that only shots with bad times meet, so that they still pass their gates.
    """
    new = Point(at.own, effects, range_of, drag, lift)
    change = _others(data, new) - _others(data, at)
    right = linear.own_score - (linear.cross @ change[:, :, None])[:, :, 0]
    own = at.own + np.linalg.solve(linear.own_information, right[:, :, None])[:, :, 0] * _SCALES
    own[:, 3] = np.clip(own[:, 3], 0.5 * at.own[:, 3], 2.0 * at.own[:, 3])
    own[:, 6] = np.maximum(own[:, 6], 0.0)
    for column, most in ((0, 0.1), (1, 1.0), (2, 3.0), (4, 0.3), (5, 0.3), (7, 0.3)):
        own[:, column] = np.clip(own[:, column], data.stated[:, column] - most, data.stated[:, column] + most)
    return Point(own, np.clip(effects, -1.0, 1.5), range_of, drag, lift)


def leverages(data: ShotData, linear: Linear, effect_variance: FloatArray) -> FloatArray:
    """Variance of what a shot predicts at each of its measurements, over the measurement's own, shape (m, 4).

    The shot's own parameters and offsets count, the latter with variances `effect_variance`, shape (2,); what
    is common to all shots is known much better.
    """
    n, k = len(data.pattern), N_NUISANCE + N_EFFECTS
    # Information of own parameters and offsets together, from the parts that were kept.
    h = np.zeros((n, k, k))
    h[:, :N_NUISANCE, :N_NUISANCE] = linear.own_information
    h[:, :N_NUISANCE, N_NUISANCE:] = linear.cross[:, :, :N_EFFECTS]
    h[:, N_NUISANCE:, :N_NUISANCE] = linear.cross[:, :, :N_EFFECTS].transpose(0, 2, 1)
    solved = np.linalg.solve(linear.own_information, linear.cross[:, :, :N_EFFECTS])
    h[:, N_NUISANCE:, N_NUISANCE:] = linear.information[:, :N_EFFECTS, :N_EFFECTS] + (
        linear.cross[:, :, :N_EFFECTS].transpose(0, 2, 1) @ solved
    )
    h[:, N_NUISANCE + np.arange(N_EFFECTS), N_NUISANCE + np.arange(N_EFFECTS)] += 1.0 / effect_variance
    covariance = np.linalg.inv(h)
    covariance[:, :N_NUISANCE] *= _SCALES[:, None]
    covariance[:, :, :N_NUISANCE] *= _SCALES
    return np.asarray(_variances(data.first_row, linear.sensitivity, covariance)) / linear.sigma**2


@njit(cache=True, error_model="numpy")
def _accumulate(first_row, sensitivity, weight, residual):  # type: ignore[no-untyped-def]
    """J^T W J and J^T W r of every shot."""
    n, k = first_row.size - 1, sensitivity.shape[2]
    h, g = np.zeros((n, k, k)), np.zeros((n, k))
    for i in range(n):
        for row in range(first_row[i], first_row[i + 1]):
            for c in range(len(SEEN)):
                w = weight[row, c]
                if w > 0.0:
                    j = sensitivity[row, c]
                    for a in range(k):
                        wa = w * j[a]
                        if wa != 0.0:
                            g[i, a] += wa * residual[row, c]
                            for b in range(a + 1):
                                h[i, a, b] += wa * j[b]
        for a in range(k):
            for b in range(a):
                h[i, b, a] = h[i, a, b]
    return h, g


@njit(cache=True, error_model="numpy")
def _variances(first_row, sensitivity, covariance):  # type: ignore[no-untyped-def]
    """Variance of every computed value under the covariance of its shot."""
    found = np.zeros(sensitivity.shape[:2])
    k = covariance.shape[1]
    for i in range(first_row.size - 1):
        for row in range(first_row[i], first_row[i + 1]):
            for c in range(len(SEEN)):
                total = 0.0
                for a in range(k):
                    for b in range(k):
                        total += sensitivity[row, c, a] * covariance[i, a, b] * sensitivity[row, c, b]
                found[row, c] = total
    return found


assert FIRST_TERM == N_NUISANCE + N_EFFECTS + 3
