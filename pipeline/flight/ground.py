"""Bounce and roll after the landing: the less certain part of the total distance."""

import math

import numpy as np
from numba import njit

from pipeline.arrays import FloatArray

FRICTION = 0.40
"""Sliding friction between ball and turf [-] (Penner 2002, from memory)."""

ROLLING_RESISTANCE = 0.131
"""Rolling resistance [-] (Penner 2002, from memory: the mean of measured greens).

Longer grass stops a ball sooner."""

LOWEST_BOUNCE_M = 0.005
"""A ball that rebounds less than this rolls [m] (Penner 2002, from memory)."""


@njit(cache=True, error_model="numpy")
def restitution(normal_speed_m_s: float) -> float:
    r"""Normal coefficient of restitution of a golf ball on turf.

    .. math:: e = 0.510 - 0.0375 v + 0.000903 v^2 \quad (v \le 20 m/s), \qquad e = 0.120 \quad (v > 20 m/s)

    Parameters
    ----------
    normal_speed_m_s : float
        Speed into the surface, not negative [m/s].

    Returns
    -------
    float
        Rebound speed over impact speed, normal to the surface [-].

    References
    ----------
    Penner 2002, The run of a golf ball, Can. J. Phys. 80:931-940 (from memory).
    """
    if normal_speed_m_s > 20.0:
        return 0.120
    return 0.510 - 0.0375 * normal_speed_m_s + 0.000903 * normal_speed_m_s**2


@njit(cache=True, error_model="numpy")
def bounce(
    forward_m_s: float, down_m_s: float, spin_rad_s: float, radius_m: float
) -> tuple[float, float, float]:
    r"""One bounce on turf that gives way as if it were tilted towards the ball.

    Parameters
    ----------
    forward_m_s : float
        Horizontal speed before the bounce [m/s].
    down_m_s : float
        Downward speed before the bounce, positive [m/s].
    spin_rad_s : float
        Backspin before the bounce, negative for a ball that rolls forward [rad/s].
    radius_m : float
        Radius of the ball [m].

    Returns
    -------
    forward_m_s, up_m_s, spin_rad_s : float
        The same after the bounce; up positive.

    Notes
    -----
    The surface is turned by :math:`\theta = 15.4^\circ (v / 18.6) (\varphi / 44.4^\circ)`, with v the impact
    speed [m/s] and :math:`\varphi` the angle of incidence from the vertical. Along it the ball slides with
    friction 0.40 to the end of the contact, or is rolling before it.

    References
    ----------
    Penner 2002, The run of a golf ball, Can. J. Phys. 80:931-940 (from memory). Biber et al. 2023, Sports
    Eng., 10.1007/s12283-023-00442-4, find over 1000 bounces that this form is imperfect.
    """
    speed = math.sqrt(forward_m_s * forward_m_s + down_m_s * down_m_s)
    incidence = math.atan2(abs(forward_m_s), down_m_s)
    turn = math.copysign(math.radians(15.4) * (speed / 18.6) * (incidence / math.radians(44.4)), forward_m_s)
    turn = max(-incidence, min(incidence, turn))
    sine, cosine = math.sin(turn), math.cos(turn)
    along = forward_m_s * cosine - down_m_s * sine
    into = forward_m_s * sine + down_m_s * cosine
    rebound = restitution(into) * into
    impulse = into + rebound
    slip = along + radius_m * spin_rad_s
    if abs(slip) * 2.0 / 7.0 > FRICTION * impulse:
        along -= math.copysign(FRICTION * impulse, slip)
        spin = spin_rad_s - math.copysign(2.5 * FRICTION * impulse / radius_m, slip)
    else:
        along -= 2.0 / 7.0 * slip
        spin = -along / radius_m
    return along * cosine - rebound * sine, along * sine + rebound * cosine, spin


@njit(cache=True, error_model="numpy")
def _run_of_one(forward: float, down: float, spin: float, radius: float, gravity: float) -> float:
    distance = 0.0
    lowest = math.sqrt(2.0 * gravity * LOWEST_BOUNCE_M)
    for _ in range(50):
        forward, up, spin = bounce(forward, down, spin, radius)
        if up < lowest:
            break
        distance += forward * 2.0 * up / gravity
        down = up
    # What is left of the slip turns the ball into a rolling one; the skid is short against the roll.
    rolling = (5.0 * forward - 2.0 * radius * spin) / 7.0
    deceleration = 5.0 / 7.0 * ROLLING_RESISTANCE * gravity
    return distance + math.copysign(rolling**2 / (2.0 * deceleration), rolling)


@njit(cache=True, error_model="numpy")
def _run(forward, down, spin, radius, gravity, out):  # type: ignore[no-untyped-def]
    for n in range(out.size):
        out[n] = _run_of_one(forward[n], down[n], spin[n], radius, gravity)


def run_after_landing(
    forward_m_s: FloatArray,
    down_m_s: FloatArray,
    backspin_rad_s: FloatArray,
    radius_m: float,
    gravity_m_s2: float,
) -> FloatArray:
    """Distance from the landing to the resting point: bounces without air, then a roll, on level turf.

    Parameters
    ----------
    forward_m_s, down_m_s : ndarray, shape (n,)
        Horizontal and downward speed at the landing [m/s].
    backspin_rad_s : ndarray, shape (n,)
        Backspin at the landing [rad/s].
    radius_m : float
        Radius of the ball [m].
    gravity_m_s2 : float
        Acceleration of free fall [m/s^2].

    Returns
    -------
    ndarray, shape (n,)
        Run along the horizontal direction of the landing; negative when the ball spins back [m]. NaN where an
        input is NaN. One kind of turf, constants from memory and a model that measurements find imperfect
        (`bounce`): much less certain than the carry.
    """
    out = np.empty(forward_m_s.size)
    _run(forward_m_s, down_m_s, backspin_rad_s, radius_m, gravity_m_s2, out)
    return out
