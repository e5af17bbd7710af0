"""Fifth-degree polynomial over one time step of a flight: time of landing and of the highest point."""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

import numpy as np
from numba import njit

_CLOSE_ENOUGH = 1e-13


@njit(cache=True, error_model="numpy")
def quintic(f0, d0, s0, f1, d1, s1, h):
    """Coefficients of the polynomial with values f, slopes d and second derivatives s at the ends of a step.

    It is in t from 0 to 1 over the step h, lowest power first; its error is of sixth order in h (Hermite
    interpolation).
    """
    value = f1 - f0 - h * d0 - 0.5 * h * h * s0
    slope = h * (d1 - d0) - h * h * s0
    bend = h * h * (s1 - s0)
    return (
        f0,
        h * d0,
        0.5 * h * h * s0,
        10.0 * value - 4.0 * slope + 0.5 * bend,
        -15.0 * value + 7.0 * slope - bend,
        6.0 * value - 3.0 * slope + 0.5 * bend,
    )


@njit(cache=True, error_model="numpy")
def value_at(p, t):
    """Value of a polynomial of `quintic`."""
    return p[0] + t * (p[1] + t * (p[2] + t * (p[3] + t * (p[4] + t * p[5]))))


@njit(cache=True, error_model="numpy")
def slope_at(p, t):
    """Its derivative by t."""
    return p[1] + t * (2.0 * p[2] + t * (3.0 * p[3] + t * (4.0 * p[4] + t * 5.0 * p[5])))


@njit(cache=True, error_model="numpy")
def falling_root(p):
    """Where it falls through zero, 0 to 1: Newton steps kept in a shrinking bracket."""
    low, high = 0.0, 1.0
    t = p[0] / (p[0] - value_at(p, 1.0)) if p[0] > 0.0 else 1.0
    for _ in range(60):
        f, slope = value_at(p, t), slope_at(p, t)
        if f > 0.0:
            low = t
        else:
            high = t
        t_next = t - f / slope if slope < 0.0 else 2.0
        if not low < t_next < high:
            t_next = 0.5 * (low + high)
        if abs(t_next - t) < _CLOSE_ENOUGH:
            break
        t = t_next
    return t


@njit(cache=True, error_model="numpy")
def highest(p):
    """Greatest value between 0, where it rises, and 1, where it falls."""
    t = falling_root((p[1], 2.0 * p[2], 3.0 * p[3], 4.0 * p[4], 5.0 * p[5], 0.0))
    return value_at(p, t)


@njit(cache=True, error_model="numpy")
def falling_between(f0, d0, f1, d1, h, t):
    """Cubic through two values that fall and their derivatives, t from 0 to 1 over a step h.

    Nowhere rising: no slope exceeds three times that of the chord (Fritsch & Carlson 1980, SIAM J. Numer.
    Anal. 17:238-246). The bound binds where a kink of the table lies within the step.
    """
    steepest = 3.0 * (f1 - f0)
    a, b = np.maximum(h * d0, steepest), np.maximum(h * d1, steepest)
    u = 1.0 - t
    return u * u * ((1.0 + 2.0 * t) * f0 + t * a) + t * t * ((3.0 - 2.0 * t) * f1 - u * b)
