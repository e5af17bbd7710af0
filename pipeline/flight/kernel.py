"""Compiled equations of motion: flights by an embedded Runge-Kutta pair, their landing and highest point.

Axes: x down range, s to the golfer's right, z up. The spin axis keeps its direction in space.

Balls fly side by side in lanes, each with its own step, and a lane whose ball has landed takes the next one.
What all lanes do alike stands in loops over the lanes, which the compiler turns into vector instructions; a
lane's numbers never enter another's, so that a flight does not depend on its neighbours.
"""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

import math

import numpy as np
from numba import njit

from pipeline.flight.equations import across, pull, spin_rate
from pipeline.flight.quintic import falling_between, falling_root, highest, quintic, slope_at, value_at
from pipeline.flight.surroundings import UNIFORM, wind_share

LONGEST_FLIGHT_S = 60.0
"""A ball that has not landed by then is given up: its results are NaN."""

FIRST_STEP_S, SHORTEST_STEP_S, LONGEST_STEP_S = 0.3, 1e-4, 1.0
"""Step sizes under error control: the first one tried, the shortest (taken as it is) and the longest [s].

No step is shorter, so that a flight ends after 600,000 of them, whatever its table holds."""

RESULTS = ("x", "s", "peak", "time", "vx", "vs", "vz", "omega", "outside")
"""Columns of the results, all SI; outside is the share of the flight time outside the table."""

TRACK = ("time", "x", "s", "z", "vx", "vs", "vz", "omega", "rate_x", "rate_s", "rate_z", "rate_omega")
"""Columns of a track, all SI: state and rates at the launch and after every step, the last one beyond the
landing."""

LANES = 32
"""Balls that are integrated side by side: 4.5 times as fast as one by one (docs/decisions/015)."""

# Dormand & Prince 1980, J. Comput. Appl. Math. 6:19-26: the pair of orders 5 and 4. The last stage lies at
# the end of the step and serves as the first of the next.
STAGES = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [1 / 5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [3 / 40, 9 / 40, 0.0, 0.0, 0.0, 0.0, 0.0],
        [44 / 45, -56 / 15, 32 / 9, 0.0, 0.0, 0.0, 0.0],
        [19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729, 0.0, 0.0, 0.0],
        [9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656, 0.0, 0.0],
        [35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84, 0.0],
    ]
)
ERROR = STAGES[6] - [5179 / 57600, 0.0, 7571 / 16695, 393 / 640, -92097 / 339200, 187 / 2100, 1 / 40]
# The place's own rate is the velocity, so that its stages follow from the same rates: z + c h vz + h^2 a a k.
_PLACE_STAGES = STAGES @ STAGES
_SHARES = STAGES.sum(axis=1)
_LAST = 6


@njit(cache=True, error_model="numpy")
def _cell(nodes, at, i):
    """Find the cell that holds a value, walking from the one that held the last value."""
    while i < nodes.size - 2 and at >= nodes[i + 1]:
        i += 1
    while i > 0 and at < nodes[i]:
        i -= 1
    return i


@njit(inline="always")
def _rates(motion, z, axis, table, cells, moments, grid, world, flat, work, rate, outside):
    """Rates of velocity and spin of all lanes, shape (4, lanes), and how far outside the table each is.

    `motion` holds vx, vs, vz, omega; `axis` the spin axis; `cells` where in the table each lane was last;
    `work`, shape (6, lanes), is room for numbers in between.
    """
    row = 3 * grid.spin_ratio.size
    size = row * grid.log_reynolds.size
    for n in range(LANES):
        work[5, n] = 1.0
    if world.wind_profile != UNIFORM:
        for n in range(LANES):
            work[5, n] = wind_share(world, z[n])
    for n in range(LANES):
        ux, us = motion[0, n] - work[5, n] * world.wind_x_m_s, motion[1, n] - work[5, n] * world.wind_s_m_s
        squared = ux * ux + us * us + motion[2, n] * motion[2, n] + 1e-18  # a ball at rest in the air
        speed = math.sqrt(squared)
        work[0, n] = speed
        work[1, n] = world.log_reynolds_1 + 0.5 * math.log(squared)
        work[2, n] = motion[3, n] * world.radius_m / speed
    for n in range(LANES):
        i, j = (
            _cell(grid.log_reynolds, work[1, n], cells[0, n]),
            _cell(grid.spin_ratio, work[2, n], cells[1, n]),
        )
        cells[0, n], cells[1, n] = i, j
        cells[2, n] = table[n] * size + i * row + 3 * j
        work[3, n] = (work[1, n] - grid.log_reynolds[i]) * grid.per_log_reynolds[i]
        work[4, n] = (work[2, n] - grid.spin_ratio[j]) * grid.per_spin_ratio[j]
    for n in range(LANES):
        a, b = min(max(work[3, n], 0.0), 1.0), min(max(work[4, n], 0.0), 1.0)
        at = cells[2, n]
        low = flat[at] + b * (flat[at + 3] - flat[at])
        high = flat[at + row] + b * (flat[at + row + 3] - flat[at + row])
        cd = low + a * (high - low)
        low = flat[at + 1] + b * (flat[at + 4] - flat[at + 1])
        high = flat[at + row + 1] + b * (flat[at + row + 4] - flat[at + row + 1])
        cl = low + a * (high - low)
        work[3, n], work[4, n] = a, b
        ux, us = motion[0, n] - work[5, n] * world.wind_x_m_s, motion[1, n] - work[5, n] * world.wind_s_m_s
        uz, q = motion[2, n], world.drag_factor_1_m * work[0, n]
        lift_x, lift_s, lift_z = across(axis[0, n], axis[1, n], axis[2, n], ux, us, uz)
        rate[0, n] = q * pull(cd, cl, lift_x, ux)
        rate[1, n] = q * pull(cd, cl, lift_s, us)
        rate[2, n] = q * pull(cd, cl, lift_z, uz) - world.gravity_m_s2
        rate[3, n] = spin_rate(world.spin_decay, motion[3, n], work[0, n], world.radius_m)
        beyond = max(grid.lowest_log_reynolds - work[1, n], work[1, n] - grid.highest_log_reynolds)
        outside[n] = max(
            beyond, max(grid.lowest_spin_ratio - work[2, n], work[2, n] - grid.highest_spin_ratio)
        )
    if moments:
        for n in range(LANES):
            if grid.has_cm[table[n]]:
                at, a, b = cells[2, n] + 2, work[3, n], work[4, n]
                low = flat[at] + b * (flat[at + 3] - flat[at])
                high = flat[at + row] + b * (flat[at + row + 3] - flat[at + row])
                # Uniform sphere, I = 2/5 m R^2: (rho/2) U^2 A D Cm / I = (rho A / 2m) U^2 5 Cm / R.
                q = world.drag_factor_1_m * work[0, n] * work[0, n] * 5.0 / world.radius_m
                rate[3, n] = q * (low + a * (high - low))


@njit(cache=True, error_model="numpy")
def _share_outside(outside, n, part):
    """Share of a step, up to `part` of it, that a lane spends outside the table: straight between stages."""
    share, last = 0.0, 0
    for stage in (1, 2, 3, 4, 6):  # the fifth lies where the sixth does
        start, end = _SHARES[last], _SHARES[stage]
        before, after = outside[last, n], outside[stage, n]
        if before > 0.0 or after > 0.0:
            crossing = start + (end - start) * before / (before - after)
            first = start if before > 0.0 else crossing
            final = end if after > 0.0 else crossing
            share += max(0.0, min(final, part) - min(first, part))
        last = stage
    return share


@njit(cache=True, error_model="numpy", fastmath={"contract"}, nogil=True)
def fly_share(launches, tables, first, last, grid, world, step, tolerance, track, results, stop):
    """Fly the balls from number `first` up to `last` from the ground back to it.

    Parameters are arrays: `launches`, shape (n, 4), speed, angle, spin, axis tilt; `tables`, shape (n,), the
    table of each; `results`, shape (len(RESULTS), n), is filled. With `tolerance` above zero a step is taken
    when the difference of the pair's velocities (that of the spin as surface speed) is below it [m/s];
    otherwise every step is `step`. `track`, shape (m, len(TRACK)), takes the course of one ball while there
    is room. A ball whose numbers overflow is given up. Another thread ends the flights early by setting
    `stop`, shape (1,). Returns the number of rows of the track.
    """
    flat, moments = grid.values.reshape(-1), grid.has_cm.any()
    place, motion, axis = np.zeros((3, LANES)), np.zeros((4, LANES)), np.zeros((3, LANES))
    new_place, new_motion, z = np.zeros((3, LANES)), np.zeros((4, LANES)), np.zeros(LANES)
    rates, work = np.zeros((7, 4, LANES)), np.zeros((6, LANES))
    outside, error = np.zeros((7, LANES)), np.zeros(LANES)
    steps, time, peak, time_outside = np.full(LANES, step), np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    ball, table, cells = np.full(LANES, -1), np.zeros(LANES, np.int64), np.zeros((3, LANES), np.int64)
    # Balls that wait, their first rates known: those of a single landed lane would cost as much as of all.
    start, start_axis, start_rates = np.zeros((4, LANES)), np.zeros((3, LANES)), np.zeros((4, LANES))
    start_ball, start_table = np.zeros(LANES, np.int64), np.zeros(LANES, np.int64)
    start_cells, start_outside, on_ground = np.zeros((3, LANES), np.int64), np.zeros(LANES), np.zeros(LANES)
    for n in range(LANES):  # lanes without a ball keep a harmless one
        motion[0, n], start[0, n] = 1.0, 1.0
    following, waiting, flying, rows = first, 0, 0, 0
    while not stop[0]:
        for n in range(LANES):
            if ball[n] >= 0:
                continue
            if waiting == 0 and following < last:
                while waiting < LANES and following < last:
                    speed, angle = launches[following, 0], launches[following, 1]
                    omega, tilt = launches[following, 2], launches[following, 3]
                    sin_angle, cos_angle = math.sin(angle), math.cos(angle)
                    if sin_angle > 0.0:
                        start[0, waiting], start[1, waiting] = speed * cos_angle, 0.0
                        start[2, waiting], start[3, waiting] = speed * sin_angle, omega
                        # Square to the launch direction; a positive tilt turns the lift to the right.
                        start_axis[0, waiting], start_axis[1, waiting] = (
                            math.sin(tilt) * sin_angle,
                            math.cos(tilt),
                        )
                        start_axis[2, waiting] = -math.sin(tilt) * cos_angle
                        start_ball[waiting], start_table[waiting] = following, tables[following]
                        start_cells[0, waiting], start_cells[1, waiting] = 0, 0
                        waiting += 1
                    else:  # struck into the ground
                        for c in range(len(RESULTS)):
                            results[c, following] = 0.0
                        results[4, following], results[6, following] = speed * cos_angle, speed * sin_angle
                        results[7, following] = omega
                    following += 1
                _rates(
                    start, on_ground, start_axis, start_table, start_cells, moments, grid, world, flat, work,
                    start_rates, start_outside,
                )  # fmt: skip
            if waiting == 0:
                break
            waiting -= 1
            for c in range(3):
                place[c, n], axis[c, n] = 0.0, start_axis[c, waiting]
                cells[c, n] = start_cells[c, waiting]
            for c in range(4):
                motion[c, n], rates[0, c, n] = start[c, waiting], start_rates[c, waiting]
            ball[n], table[n], outside[0, n] = (
                start_ball[waiting],
                start_table[waiting],
                start_outside[waiting],
            )
            steps[n] = FIRST_STEP_S if tolerance > 0.0 else step
            time[n], peak[n], time_outside[n] = 0.0, 0.0, 0.0
            flying += 1
            if track.shape[0] > 0:
                rows = _keep(track, rows, 0.0, place, motion, rates[0])
        if flying == 0:
            return rows

        for stage in range(1, 7):
            for c in range(4):
                for n in range(LANES):
                    new_motion[c, n] = 0.0
                for earlier in range(stage):
                    weight = STAGES[stage, earlier]
                    for n in range(LANES):
                        new_motion[c, n] += weight * rates[earlier, c, n]
                for n in range(LANES):
                    new_motion[c, n] = motion[c, n] + steps[n] * new_motion[c, n]
            for n in range(LANES):  # air stops a spin, and does not turn it round
                new_motion[3, n] = max(new_motion[3, n], 0.0)
            if world.wind_profile != UNIFORM:
                for n in range(LANES):
                    z[n] = 0.0
                    for earlier in range(stage):
                        z[n] += _PLACE_STAGES[stage, earlier] * rates[earlier, 2, n]
                    z[n] = place[2, n] + steps[n] * (_SHARES[stage] * motion[2, n] + steps[n] * z[n])
            _rates(
                new_motion,
                z,
                axis,
                table,
                cells,
                moments,
                grid,
                world,
                flat,
                work,
                rates[stage],
                outside[stage],
            )
        for c in range(3):
            for n in range(LANES):
                new_place[c, n] = 0.0
            for stage in range(_LAST):
                weight = _PLACE_STAGES[_LAST, stage]
                for n in range(LANES):
                    new_place[c, n] += weight * rates[stage, c, n]
            for n in range(LANES):
                new_place[c, n] = place[c, n] + steps[n] * (motion[c, n] + steps[n] * new_place[c, n])
        for n in range(LANES):
            error[n] = 0.0
        for c in range(4):
            size = world.radius_m if c == 3 else 1.0
            for n in range(LANES):
                work[0, n] = 0.0
            for stage in range(7):
                weight = ERROR[stage]
                for n in range(LANES):
                    work[0, n] += weight * rates[stage, c, n]
            for n in range(LANES):
                error[n] += (steps[n] * size * work[0, n]) ** 2

        for n in range(LANES):
            if ball[n] < 0:
                continue
            h = steps[n]
            finite = error[n] < np.inf  # not so for NaN either
            if tolerance > 0.0:
                change = 0.9 * (error[n] / tolerance**2 + 1e-12) ** -0.1  # a fifth of the square's power
                if not error[n] <= tolerance**2 and h > SHORTEST_STEP_S:
                    steps[n] = max(SHORTEST_STEP_S, h * (change if change > 0.2 else 0.2))
                    continue
                if finite:
                    steps[n] = min(LONGEST_STEP_S, max(SHORTEST_STEP_S, h * min(change, 4.0)))
            if finite and motion[2, n] > 0.0 >= new_motion[2, n]:
                peak[n] = max(
                    peak[n], highest(_over_step(2, n, place, motion, rates, new_place, new_motion, h))
                )
            if finite and new_place[2, n] <= 0.0 and new_motion[2, n] < 0.0:
                up = _over_step(2, n, place, motion, rates, new_place, new_motion, h)
                along = _over_step(0, n, place, motion, rates, new_place, new_motion, h)
                aside = _over_step(1, n, place, motion, rates, new_place, new_motion, h)
                t = falling_root(up)
                flown = time[n] + t * h
                of_step = _share_outside(outside, n, t)
                to = ball[n]
                results[0, to], results[1, to] = value_at(along, t), value_at(aside, t)
                results[2, to], results[3, to] = peak[n], flown
                results[4, to], results[5, to] = slope_at(along, t) / h, slope_at(aside, t) / h
                results[6, to] = slope_at(up, t) / h
                spin = motion[3, n], rates[0, 3, n], new_motion[3, n], rates[_LAST, 3, n]
                results[7, to] = falling_between(*spin, h, t)
                results[8, to] = (time_outside[n] + of_step * h) / flown
            else:
                time[n] += h
                time_outside[n] += h * _share_outside(outside, n, 1.0)
                if finite and time[n] <= LONGEST_FLIGHT_S:
                    for c in range(3):
                        place[c, n] = new_place[c, n]
                    for c in range(4):
                        motion[c, n], rates[0, c, n] = new_motion[c, n], rates[_LAST, c, n]
                    outside[0, n] = outside[_LAST, n]
                    if track.shape[0] > 0:
                        rows = _keep(track, rows, time[n], place, motion, rates[0])
                    continue
                for c in range(len(RESULTS)):
                    results[c, ball[n]] = np.nan
            if track.shape[0] > 0:
                rows = _keep(track, rows, time[n] + h, new_place, new_motion, rates[_LAST])
            ball[n] = -1
            flying -= 1
    return rows


@njit(inline="always")
def _over_step(c, n, place, motion, rates, new_place, new_motion, h):
    """Polynomial of one coordinate of a lane over its step."""
    return quintic(
        place[c, n], motion[c, n], rates[0, c, n], new_place[c, n], new_motion[c, n], rates[_LAST, c, n], h
    )


@njit(cache=True, error_model="numpy")
def _keep(track, row, time, place, motion, rate):
    """Write the ball of the first lane into a row of `track`, when it has one."""
    if row < track.shape[0]:
        track[row, 0] = time
        for c in range(3):
            track[row, 1 + c] = place[c, 0]
        for c in range(4):
            track[row, 4 + c], track[row, 8 + c] = motion[c, 0], rate[c, 0]
    return row + 1
