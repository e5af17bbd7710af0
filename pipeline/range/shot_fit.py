"""Least squares of shots through the equations of motion: residuals, weights, normal equations of each shot.

A shot has eight parameters of its own (`gate_kernel.NUISANCE`), which its gates and what is stated of its
launch determine; they are eliminated shot by shot, so that what is left of a shot is a small quadratic form
in its offsets of Cd and Cl, the range's parameters and the terms of its pattern.
"""

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit

from pipeline.arrays import BoolArray, FloatArray
from pipeline.flight.air import STANDARD_GRAVITY_M_S2
from pipeline.machine.resources import cores_allowed
from pipeline.range.gate_kernel import FIRST_TERM, N_EFFECTS, N_NUISANCE, SEEN, pass_gates
from pipeline.range.shot_data import ShotData
from pipeline.range.terms import Term

_SCALES = np.array([1e-4, 1e-2, 1e-2, 0.1, 1e-2, 1e-2, 10.0, 0.05])
"""Sizes of the shots' own parameters, so that their equations are well conditioned."""

SHOTS_OF_A_THREAD = 500
"""More are flown on all cores."""


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


class Trace(NamedTuple):
    """What the gates would see at a point: values, down-range speeds, derivatives by all parameters."""

    seen: FloatArray
    speed: FloatArray
    sensitivity: FloatArray


def trace(data: ShotData, terms: tuple[tuple[Term, ...], tuple[Term, ...]], at: Point) -> Trace:
    """Fly all shots past their gates.

    Parameters
    ----------
    data : ShotData
        Shots.
    terms : pair of tuple of Term
        Of drag and of lift.
    at : Point
        Parameters.
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
    fly: Callable[..., None] = pass_gates
    if shots <= SHOTS_OF_A_THREAD:
        fly(0, shots, *arguments)
    else:
        edges = np.linspace(0, shots, cores_allowed() + 1).astype(int).tolist()
        with ThreadPoolExecutor() as pool:
            list(pool.map(lambda ends: fly(*ends, *arguments), itertools.pairwise(edges)))
    return Trace(seen, speed, sensitivity)


def linearise(data: ShotData, at: Point, traced: Trace, kept: FloatArray, scale: FloatArray) -> Linear:
    """Compute residuals and the shots' quadratic forms about a point.

    Parameters
    ----------
    data : ShotData
        Shots.
    at : Point
        Parameters.
    traced : Trace
        What the gates would see there.
    kept : ndarray, shape (m, 4)
        1 for measurements that count, 0 for those left out.
    scale : ndarray, shape (4,)
        Factors by which the errors of time, side, height and spin are other than stated.
    """
    seen, speed, sensitivity = traced
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
        [at.effects, np.broadcast_to(at.range_of, (n, 3)), at.drag[data.pattern], at.lift[data.pattern]],
        axis=1,
    )


def moved(
    data: ShotData, linear: Linear, at: Point, effects: FloatArray, range_of: FloatArray, drag: FloatArray,
    lift: FloatArray,
) -> Point:  # fmt: skip
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


def unsettled(linear: Linear) -> BoolArray:
    """Shots whose own parameters another step would still move by more than a fifth of their errors, (n,)."""
    step = np.linalg.solve(linear.own_information, linear.own_score[:, :, None])[:, :, 0]
    return np.asarray((linear.own_score * step).sum(axis=1) > 0.04)


def leverages(data: ShotData, linear: Linear, effect_variance: FloatArray) -> FloatArray:
    """Variance of what a shot predicts at each of its measurements, over the measurement's own, shape (m, 4).

    The shot's own parameters and offsets count, the latter with variances `effect_variance`, (n, 2); what is
    common to all shots is known much better.
    """
    covariance = shot_covariance(data, linear, effect_variance)
    return np.asarray(_variances(data.first_row, linear.sensitivity, covariance)) / linear.sigma**2


def shot_covariance(data: ShotData, linear: Linear, effect_variance: FloatArray) -> FloatArray:
    """Covariance of each shot's own parameters and offsets, the latter with prior variances; (n, 10, 10)."""
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
    return np.asarray(covariance)


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
