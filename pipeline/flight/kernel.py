"""Compiled flight of one ball: Runge-Kutta steps, landing and highest point.

Axes: x down range, s to the golfer's right, z up. The spin axis keeps its direction in space. The state is
held in scalars and not in small arrays, which halves the time of a flight.
"""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange

LONGEST_FLIGHT_S = 60.0
"""A ball that has not landed by then is given up: its results are NaN."""

RESULTS = ("x", "s", "peak", "time", "vx", "vs", "vz", "omega", "outside")
"""Columns of the kernel's results, all SI; outside is the share of the flight time outside the table."""

# Classical Runge-Kutta: where each stage lies, and its weight in the change of velocity and spin. The change
# of place follows from the same rates, since its own rate is the velocity: dx = h v + h^2 (a1 + a2 + a3) / 6.
_SHIFT = (0.0, 0.5, 0.5, 1.0)
_WEIGHT = (1.0 / 6.0, 2.0 / 6.0, 2.0 / 6.0, 1.0 / 6.0)
_PLACE_WEIGHT = (1.0 / 6.0, 1.0 / 6.0, 1.0 / 6.0, 0.0)


class Grid(NamedTuple):
    """Coefficient tables as the kernel wants them; see `pipeline.aero.table.TableBatch`."""

    log_reynolds: np.ndarray
    spin_ratio: np.ndarray
    per_log_reynolds: np.ndarray  # one over the width of each cell
    per_spin_ratio: np.ndarray
    values: np.ndarray
    has_cm: np.ndarray
    lowest_log_reynolds: float
    highest_log_reynolds: float
    lowest_spin_ratio: float
    highest_spin_ratio: float


class World(NamedTuple):
    """Ball, air and gravity, the same for every flight of a batch."""

    radius_m: float
    drag_factor_1_m: float  # rho A / (2 m)
    log_reynolds_1: float  # logarithm of the Reynolds number at 1 m/s
    gravity_m_s2: float
    wind_x_m_s: float
    wind_s_m_s: float
    spin_decay: float  # of balls whose table has no moment: d omega/dt = -spin_decay omega U / R


@njit(cache=True, error_model="numpy")
def _cell(nodes, at, i):
    """Find the cell that holds a value, walking from the one that held the last value."""
    while i < nodes.size - 2 and at >= nodes[i + 1]:
        i += 1
    while i > 0 and at < nodes[i]:
        i -= 1
    return i


@njit(cache=True, error_model="numpy")
def _bilinear(values, table, i, j, c, a, b):
    """Coefficient c of a table in the cell (i, j), at (a, b) in it, each 0 to 1."""
    low = values[table, i, j, c] + b * (values[table, i, j + 1, c] - values[table, i, j, c])
    high = values[table, i + 1, j, c] + b * (values[table, i + 1, j + 1, c] - values[table, i + 1, j, c])
    return low + a * (high - low)


@njit(cache=True, error_model="numpy")
def _rates(vx, vs, vz, omega, ax, as_, az, table, grid, world, i, j):
    """Rates of velocity and spin; the spin axis is (ax, as_, az), the table's cell is looked for from (i, j).

    Returns the rates of vx, vs, vz and omega, the cell, and 1.0 for a state outside the table, else 0.0.
    """
    ux, us, uz = vx - world.wind_x_m_s, vs - world.wind_s_m_s, vz
    speed_squared = ux * ux + us * us + uz * uz
    speed = math.sqrt(speed_squared)
    spin_ratio = omega * world.radius_m / speed
    log_reynolds = world.log_reynolds_1 + 0.5 * math.log(speed_squared)
    i = _cell(grid.log_reynolds, log_reynolds, i)
    j = _cell(grid.spin_ratio, spin_ratio, j)
    a = (log_reynolds - grid.log_reynolds[i]) * grid.per_log_reynolds[i]
    b = (spin_ratio - grid.spin_ratio[j]) * grid.per_spin_ratio[j]
    a, b = min(max(a, 0.0), 1.0), min(max(b, 0.0), 1.0)
    cd = _bilinear(grid.values, table, i, j, 0, a, b)
    cl = _bilinear(grid.values, table, i, j, 1, a, b)

    # The lift is along spin axis x velocity: its right-handed cross product written in (x, right, up).
    q = world.drag_factor_1_m * speed
    rate_x = q * (cl * (az * us - as_ * uz) - cd * ux)
    rate_s = q * (cl * (ax * uz - az * ux) - cd * us)
    rate_z = q * (cl * (as_ * ux - ax * us) - cd * uz) - world.gravity_m_s2
    if grid.has_cm[table]:
        cm = _bilinear(grid.values, table, i, j, 2, a, b)
        # Uniform sphere, I = 2/5 m R^2: (rho/2) U^2 A D Cm / I = (rho A / 2m) U^2 5 Cm / R.
        rate_omega = q * speed * 5.0 * cm / world.radius_m
    else:
        rate_omega = -world.spin_decay * omega * speed / world.radius_m

    inside = grid.lowest_log_reynolds <= log_reynolds <= grid.highest_log_reynolds
    inside = inside and grid.lowest_spin_ratio <= spin_ratio <= grid.highest_spin_ratio
    return rate_x, rate_s, rate_z, rate_omega, i, j, 0.0 if inside else 1.0


@njit(cache=True, error_model="numpy")
def _hermite(f0, d0, f1, d1, h, t):
    """Cubic through two values and their derivatives, t from 0 to 1 over a step h."""
    u = 1.0 - t
    return u * u * ((1.0 + 2.0 * t) * f0 + t * h * d0) + t * t * ((3.0 - 2.0 * t) * f1 - u * h * d1)


@njit(cache=True, error_model="numpy")
def _falling_root(f0, d0, f1, d1, h):
    """Where the cubic falls through zero, 0 to 1: Newton steps kept in a shrinking bracket."""
    low, high = 0.0, 1.0
    t = 1.0 if f0 <= 0.0 else f0 / (f0 - f1)
    for _ in range(60):
        f = _hermite(f0, d0, f1, d1, h, t)
        if f > 0.0:
            low = t
        else:
            high = t
        slope = 6.0 * t * (1.0 - t) * (f1 - f0) + h * (
            (1.0 - t) * (1.0 - 3.0 * t) * d0 - t * (2.0 - 3.0 * t) * d1
        )
        step = -f / slope if slope < 0.0 else 1.0
        t_next = t + step
        if not low < t_next < high:
            t_next = 0.5 * (low + high)
        if abs(t_next - t) < 1e-14:
            break
        t = t_next
    return t


@njit(cache=True, error_model="numpy")
def _fill(row, values):
    """Copy a tuple into a row of an array."""
    for c in range(len(values)):
        row[c] = values[c]


@njit(cache=True, error_model="numpy")
def _keep(track, n, values):
    """Copy a tuple into row n of `track`, when it has one."""
    if n < track.shape[0]:
        _fill(track[n], values)


@njit(cache=True, error_model="numpy")
def fly_one(launch, table, grid, world, step, track, result):
    """Fly one ball from the ground back to it.

    `launch` is speed, angle, spin, axis tilt (SI). `track`, shape (m, 8), takes the time and the state (x, s,
    z, vx, vs, vz, omega) at each step and at the landing while there is room; `result` takes `RESULTS`.
    Returns the number of rows that `track` needs, 0 for a ball that has not landed.
    """
    speed, angle, omega, tilt = launch
    sin_angle, cos_angle = math.sin(angle), math.cos(angle)
    # Square to the launch direction; a positive tilt turns the lift to the right.
    ax, as_, az = math.sin(tilt) * sin_angle, math.cos(tilt), -math.sin(tilt) * cos_angle
    x, s, z = 0.0, 0.0, 0.0
    vx, vs, vz = speed * cos_angle, 0.0, speed * sin_angle
    if vz <= 0.0:
        _keep(track, 0, (0.0, x, s, z, vx, vs, vz, omega))
        _fill(result, (x, s, 0.0, 0.0, vx, vs, vz, omega, 0.0))
        return 1

    i, j = 0, 0
    peak, outside_time = 0.0, 0.0
    rate_x, rate_s, rate_z, rate_omega = 0.0, 0.0, 0.0, 0.0
    # State, rates and place in or outside the table one step earlier.
    x0, s0, z0, vx0, vs0, vz0, omega0 = x, s, z, vx, vs, 0.0, omega
    rate_x0, rate_s0, rate_z0, rate_omega0, outside0 = 0.0, 0.0, 0.0, 0.0, 0.0
    for n in range(int(LONGEST_FLIGHT_S / step)):
        dx, ds, dz, dvx, dvs, dvz, domega = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        rate_x1, rate_s1, rate_z1, rate_omega1, outside1 = 0.0, 0.0, 0.0, 0.0, 0.0
        for stage in range(4):
            h = _SHIFT[stage] * step
            rate_x, rate_s, rate_z, rate_omega, i, j, outside = _rates(
                vx + h * rate_x, vs + h * rate_s, vz + h * rate_z, omega + h * rate_omega,
                ax, as_, az, table, grid, world, i, j,
            )  # fmt: skip
            if stage == 0:
                rate_x1, rate_s1, rate_z1, rate_omega1, outside1 = rate_x, rate_s, rate_z, rate_omega, outside
            w, p = _WEIGHT[stage] * step, _PLACE_WEIGHT[stage] * step * step
            dx, ds, dz = dx + p * rate_x, ds + p * rate_s, dz + p * rate_z
            dvx, dvs, dvz = dvx + w * rate_x, dvs + w * rate_s, dvz + w * rate_z
            domega += w * rate_omega

        # The rates at the end of the last step are known only now, so its events are looked for here.
        if vz0 > 0.0 >= vz:
            t = _falling_root(vz0, rate_z0, vz, rate_z1, step)
            peak = max(peak, _hermite(z0, vz0, z, vz, step, t))
        if z <= 0.0 and vz < 0.0:
            t = _falling_root(z0, vz0, z, vz, step)
            time = (n - 1 + t) * step
            outside_time += 0.5 * t * step * (outside0 + outside1)
            x, s = _hermite(x0, vx0, x, vx, step, t), _hermite(s0, vs0, s, vs, step, t)
            vx = _hermite(vx0, rate_x0, vx, rate_x1, step, t)
            vs = _hermite(vs0, rate_s0, vs, rate_s1, step, t)
            vz = _hermite(vz0, rate_z0, vz, rate_z1, step, t)
            omega = _hermite(omega0, rate_omega0, omega, rate_omega1, step, t)
            _keep(track, n, (time, x, s, 0.0, vx, vs, vz, omega))
            _fill(result, (x, s, peak, time, vx, vs, vz, omega, outside_time / time))
            return n + 1
        _keep(track, n, (n * step, x, s, z, vx, vs, vz, omega))
        if n > 0:
            outside_time += 0.5 * step * (outside0 + outside1)

        x0, s0, z0, vx0, vs0, vz0, omega0 = x, s, z, vx, vs, vz, omega
        rate_x0, rate_s0, rate_z0, rate_omega0, outside0 = rate_x1, rate_s1, rate_z1, rate_omega1, outside1
        x, s, z = x + step * vx + dx, s + step * vs + ds, z + step * vz + dz
        vx, vs, vz, omega = vx + dvx, vs + dvs, vz + dvz, omega + domega
    result[:] = np.nan
    return 0


def _fly_each(launches, tables, grid, world, step, results):
    """Fly `launches` (n, 4) with the tables of index `tables` (n,); fill `results` (n, len(RESULTS))."""
    no_track = np.empty((0, 8))
    for n in prange(launches.shape[0]):
        fly_one(launches[n], tables[n], grid, world, step, no_track, results[n])


fly_many = njit(parallel=True, cache=True, error_model="numpy")(_fly_each)
fly_few = njit(cache=True, error_model="numpy")(_fly_each)
"""The same on one thread: for some hundreds of flights, waking the others takes longer than it saves."""
