"""Compiled flights of a few metres past gates, with sensitivities to launch, coefficients and the range.

The equations of motion are those of `pipeline.flight.equations` in still air. Drag and lift are sums of terms
(`pipeline.range.terms`) in place of tables, so that their derivatives are exact. The range may lean to a side
(its roll: gravity then has a part to the right), and its launcher's spin axis may be off.

Fourth-order Runge-Kutta with the variational equations of every parameter. Steps of `LONGEST_STEP_S` leave an
error of 1e-11 of the travelled time: all that changes along a shot does so within some seconds.
"""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

import math

import numpy as np
from numba import njit

from pipeline.flight.equations import across, pull, spin_rate

LONGEST_STEP_S = 0.03

NUISANCE = ("time_s", "side_m", "height_m", "speed_m_s", "angle_rad", "azimuth_rad", "spin_rad_s", "tilt_rad")
"""Parameters of each shot, where its first gate is: time, place, velocity, spin, tilt of its axis."""

EFFECTS = ("cd", "cl")
"""Offsets of drag and lift of a ball or a shot from its pattern's."""

RANGE = ("spin_decay", "roll_rad", "axis_rad")
"""Parameters of the range and of all balls: spin decay constant, its roll, error of the spin axis."""

N_NUISANCE, N_EFFECTS, N_RANGE = len(NUISANCE), len(EFFECTS), len(RANGE)
FIRST_TERM = N_NUISANCE + N_EFFECTS + N_RANGE
"""Columns of the sensitivities: nuisance, effects, range, then terms of drag, then terms of lift."""

SEEN = ("time_s", "side_m", "height_m", "spin_rad_s")
"""What gates can measure."""

CD, CL, DECAY, ROLL, AXIS = (N_NUISANCE + i for i in range(N_EFFECTS + N_RANGE))


@njit(cache=True, error_model="numpy", nogil=True)
def _rates(v, dv, tangents, axis, daxis, ball, powers, drag, lift, n_drag, rate, drate, of_term):
    """Rates of (vx, vs, vz, omega) and of their tangents, shapes (4,) and (4, tangents).

    `ball` holds K = rho A / 2m, R, Re at 1 m/s in 1e5, depth, decay, Cd offset, Cl offset, gravity to the
    right and up. Rates of the spin are those of omega. `of_term`, shape (2, tangents), is room for what the
    coefficients' own parameters add to Cd and Cl; zero but for the terms and offsets.
    """
    n_lift = lift.size
    speed = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
    re5 = ball[2] * speed
    log = math.log(re5)
    s = v[3] * ball[1] / speed
    cd, cl, cd_s, cl_s, cd_l, cl_l = ball[5], ball[6], 0.0, 0.0, 0.0, 0.0
    first = tangents - n_drag - n_lift
    if tangents > 0:
        of_term[0, CD], of_term[1, CL] = 1.0, 1.0
    for i in range(n_drag + n_lift):
        a, b, c, d = powers[i, 0], powers[i, 1], powers[i, 2], powers[i, 3]
        rest = re5**b * ball[3] ** d
        of_s, of_log = s**a, log**c
        value = of_s * of_log * rest
        by_s = a * s ** (a - 1) * of_log * rest if a > 0 else 0.0
        by_log = b * value
        if c > 0:
            by_log += c * log ** (c - 1) * of_s * rest
        if i < n_drag:
            if tangents > 0:
                of_term[0, first + i] = value
            cd += drag[i] * value
            cd_s += drag[i] * by_s
            cd_l += drag[i] * by_log
        else:
            if tangents > 0:
                of_term[1, first + i] = value
            cl += lift[i - n_drag] * value
            cl_s += lift[i - n_drag] * by_s
            cl_l += lift[i - n_drag] * by_log
    k = ball[0]
    c0, c1, c2 = across(axis[0], axis[1], axis[2], v[0], v[1], v[2])
    f0, f1, f2 = pull(cd, cl, c0, v[0]), pull(cd, cl, c1, v[1]), pull(cd, cl, c2, v[2])
    rate[0], rate[1], rate[2] = k * speed * f0, k * speed * f1 + ball[7], k * speed * f2 + ball[8]
    rate[3] = spin_rate(ball[4], v[3], speed, ball[1])
    v0, v1, v2, spin = v[0], v[1], v[2], v[3]
    x0, x1, x2 = axis[0], axis[1], axis[2]
    per_speed, radius = 1.0 / speed, ball[1]
    fall = -ball[4] / radius
    for j in range(tangents):  # without branches, so that it becomes vector instructions
        d0, d1, d2, d3 = dv[0, j], dv[1, j], dv[2, j], dv[3, j]
        d_speed = (v0 * d0 + v1 * d1 + v2 * d2) * per_speed
        d_log = d_speed * per_speed
        d_s = d3 * radius * per_speed - s * d_log
        d_cd = cd_s * d_s + cd_l * d_log + of_term[0, j]
        d_cl = cl_s * d_s + cl_l * d_log + of_term[1, j]
        a0, a1, a2 = daxis[0, j], daxis[1, j], daxis[2, j]
        b0, b1, b2 = across(x0, x1, x2, d0, d1, d2)
        g0, g1, g2 = across(a0, a1, a2, v0, v1, v2)
        e0, e1, e2 = b0 + g0, b1 + g1, b2 + g2
        drate[0, j] = k * (d_speed * f0 + speed * (d_cl * c0 + cl * e0 - d_cd * v0 - cd * d0))
        drate[1, j] = k * (d_speed * f1 + speed * (d_cl * c1 + cl * e1 - d_cd * v1 - cd * d1))
        drate[2, j] = k * (d_speed * f2 + speed * (d_cl * c2 + cl * e2 - d_cd * v2 - cd * d2))
        drate[3, j] = fall * (d3 * speed + spin * d_speed)
    if tangents > 0:
        drate[3, DECAY] -= spin * speed / radius
        # Gravity is (0, g sin roll, -g cos roll).
        drate[1, ROLL] -= ball[8]
        drate[2, ROLL] += ball[7]


@njit(cache=True, error_model="numpy", nogil=True)
def _march(
    place, v, dplace, dv, step, tangents, axis, daxis, ball, powers, drag, lift, n_drag, work, dwork, room
):
    """One Runge-Kutta step of place and motion and of their tangents, in place."""
    vs, dvs, of_term = np.empty(4), room[:4], room[4:]
    for stage in range(4):
        share = 0.0 if stage == 0 else (1.0 if stage == 3 else 0.5)
        for c in range(4):
            vs[c] = v[c] + (share * step * work[stage - 1, c] if stage else 0.0)
            for j in range(tangents):
                dvs[c, j] = dv[c, j] + (share * step * dwork[stage - 1, c, j] if stage else 0.0)
        _rates(
            vs, dvs, tangents, axis, daxis, ball, powers, drag, lift, n_drag, work[stage], dwork[stage],
            of_term,
        )  # fmt: skip
    # The place's rate is the velocity: its stages follow from the same rates.
    for c in range(3):
        place[c] += step * (v[c] + step / 6.0 * (work[0, c] + work[1, c] + work[2, c]))
        for j in range(tangents):
            dplace[c, j] += step * (
                dv[c, j] + step / 6.0 * (dwork[0, c, j] + dwork[1, c, j] + dwork[2, c, j])
            )
    for c in range(4):
        v[c] += step / 6.0 * (work[0, c] + 2.0 * work[1, c] + 2.0 * work[2, c] + work[3, c])
        for j in range(tangents):
            dv[c, j] += (
                step / 6.0 * (dwork[0, c, j] + 2.0 * dwork[1, c, j] + 2.0 * dwork[2, c, j] + dwork[3, c, j])
            )


@njit(cache=True, error_model="numpy", nogil=True)
def pass_gates(
    first, last, first_row, start, effects, constants, kind, powers, drag, lift, range_of, position,
    tan_slant, origin, seen, speed, sensitivity,
):  # fmt: skip
    """Fly shots past their gates; what the gates would see, and its sensitivities.

    Parameters
    ----------
    first, last : int
        Shots to fly: first up to last, of n; the others' rows are left alone.
    first_row : ndarray of int, shape (n + 1,)
        Rows of shot i are first_row[i] to first_row[i + 1], in the order of their passing.
    start : ndarray, shape (n, 8)
        Nuisance parameters, `NUISANCE`.
    effects : ndarray, shape (n, 2)
        Offsets of Cd and Cl.
    constants : ndarray, shape (n, 4)
        rho A / 2m [1/m], radius [m], Re at 1 m/s in 1e5, depth term.
    kind : ndarray of int, shape (n,)
        Pattern of each shot.
    powers : ndarray of int, shape (n_drag + n_lift, 4)
        Terms of drag, then of lift.
    drag, lift : ndarray, shapes (patterns, n_drag) and (patterns, n_lift)
        Coefficients of the terms.
    range_of : ndarray, shape (4,)
        Spin decay constant, roll, axis error, acceleration of free fall.
    position, tan_slant : ndarray, shape (m,)
        Each gate is the plane x = position + z tan_slant.
    origin : ndarray, shape (n,)
        Down-range place where the nuisance parameters are stated.
    seen : ndarray, shape (m, 4)
        Takes `SEEN` at each row; left as it is from where a shot does not reach a gate.
    speed : ndarray, shape (m,)
        Takes the down-range speed there [m/s].
    sensitivity : ndarray, shape (m, 4, columns)
        Takes the derivatives by all parameters.
    """
    n_drag, n_lift = drag.shape[1], lift.shape[1]
    tangents = FIRST_TERM + n_drag + n_lift
    decay, roll, axis_error, gravity = range_of[0], range_of[1], range_of[2], range_of[3]
    for i in range(first, last):
        ball = np.empty(9)
        ball[:4] = constants[i]
        ball[4], ball[5], ball[6] = decay, effects[i, 0], effects[i, 1]
        ball[7], ball[8] = gravity * math.sin(roll), -gravity * math.cos(roll)
        time, u, angle, azimuth = start[i, 0], start[i, 3], start[i, 4], start[i, 5]
        ca, sa, cz, sz = math.cos(angle), math.sin(angle), math.cos(azimuth), math.sin(azimuth)
        tilt = start[i, 7] + axis_error
        ct, st = math.cos(tilt), math.sin(tilt)
        # The axis is ct * (to the right of the launch) - st * (up from it).
        axis = np.array([-ct * sz + st * sa * cz, ct * cz + st * sa * sz, -st * ca])
        daxis = np.zeros((3, tangents))
        daxis[0, 4], daxis[1, 4], daxis[2, 4] = st * ca * cz, st * ca * sz, st * sa
        daxis[0, 5], daxis[1, 5] = -axis[1], axis[0]
        for j in (7, AXIS):
            daxis[0, j] = st * sz + ct * sa * cz
            daxis[1, j] = -st * cz + ct * sa * sz
            daxis[2, j] = -ct * ca
        place = np.array([origin[i], start[i, 1], start[i, 2]])
        v = np.array([u * ca * cz, u * ca * sz, u * sa, start[i, 6]])
        dplace, dv = np.zeros((3, tangents)), np.zeros((4, tangents))
        dplace[1, 1], dplace[2, 2] = 1.0, 1.0
        for c in range(3):
            dv[c, 3] = v[c] / u
        dv[0, 4], dv[1, 4], dv[2, 4] = -u * sa * cz, -u * sa * sz, u * ca
        dv[0, 5], dv[1, 5] = -v[1], v[0]
        dv[3, 6] = 1.0
        work, dwork = np.empty((4, 4)), np.empty((4, 4, tangents))
        none, no_dv, no_work = np.zeros((3, 0)), np.zeros((4, 0)), np.empty((4, 4, 0))
        room, no_room = np.zeros((6, tangents)), np.zeros((6, 0))
        for row in range(first_row[i], first_row[i + 1]):
            tan = tan_slant[row]
            ahead = (position[row] - place[0] + place[2] * tan) / (v[0] - v[2] * tan)
            steps, there = 1, False
            for _ in range(8):
                if not (abs(ahead) < 10.0 and v[0] > 0.0):
                    break
                steps = max(1, math.ceil(abs(ahead) / LONGEST_STEP_S))
                trial, trial_v = place.copy(), v.copy()
                for _ in range(steps):
                    _march(
                        trial, trial_v, none, no_dv, ahead / steps, 0, axis, daxis, ball,
                        powers, drag[kind[i]], lift[kind[i]], n_drag, work, no_work, no_room,
                    )  # fmt: skip
                off = (position[row] - trial[0] + trial[2] * tan) / (trial_v[0] - trial_v[2] * tan)
                if not trial_v[0] > 0.0:
                    break
                ahead += off
                if abs(off) < 1e-13:
                    there = True
                    break
            if not there:
                break
            for _ in range(steps):
                _march(
                    place, v, dplace, dv, ahead / steps, tangents, axis, daxis, ball,
                    powers, drag[kind[i]], lift[kind[i]], n_drag, work, dwork, room,
                )  # fmt: skip
            time += ahead
            seen[row, 0], seen[row, 1], seen[row, 2], seen[row, 3] = time, place[1], place[2], v[3]
            speed[row] = v[0]
            _rates(
                v, no_dv, 0, axis, daxis, ball, powers, drag[kind[i]], lift[kind[i]], n_drag, work[0], no_dv,
                no_dv,
            )  # fmt: skip
            for j in range(tangents):
                later = -(dplace[0, j] - tan * dplace[2, j]) / (v[0] - v[2] * tan)
                sensitivity[row, 0, j] = later
                sensitivity[row, 1, j] = dplace[1, j] + v[1] * later
                sensitivity[row, 2, j] = dplace[2, j] + v[2] * later
                sensitivity[row, 3, j] = dv[3, j] + work[0, 3] * later
            sensitivity[row, 0, 0] = 1.0
