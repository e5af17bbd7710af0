"""Flights: many launches through many coefficient tables at once, or the path of one."""

import itertools
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.arrays import FloatArray, IntArray
from pipeline.flight.air import STANDARD_GRAVITY_M_S2, Air
from pipeline.flight.ground import run_after_landing
from pipeline.flight.kernel import (
    LONGEST_FLIGHT_S,
    RESULTS,
    SHORTEST_STEP_S,
    TRACK,
    fly_share,
)
from pipeline.flight.quintic import falling_between, quintic, slope_at, value_at
from pipeline.flight.surroundings import LOGARITHMIC, POWER, UNIFORM, Grid, World
from pipeline.flight.wind import WindProfile
from pipeline.machine.resources import cores_allowed

TOLERANCE_M_S = 1e-4
"""Estimated error of the velocity at which a step is taken [m/s]; `fly` states what it is worth."""

MOST_ON_ONE_THREAD = 2000
"""Batches above this size are flown on all cores; the results are the same."""

SHARES_OF_A_THREAD = 4
"""Shares of a batch for each thread, so that none waits long for the last one."""


@dataclass(frozen=True)
class Launches:
    """Launches, scalars or arrays of shape (n,).

    Parameters
    ----------
    ball_speed_m_s : array_like
        Speed of the ball, above 0 [m/s].
    launch_angle_rad : array_like
        Angle above the horizontal; a ball launched downwards lands at once [rad].
    backspin_rad_s : array_like
        Rate of rotation about the (tilted) spin axis, from 0 up [rad/s].
    axis_tilt_rad : array_like
        Tilt of the spin axis about the launch direction; positive curves to the right [rad].
    """

    ball_speed_m_s: ArrayLike
    launch_angle_rad: ArrayLike
    backspin_rad_s: ArrayLike
    axis_tilt_rad: ArrayLike = 0.0

    def as_array(self) -> FloatArray:
        """Return the launches as rows of an array, shape (n, 4)."""
        columns = (self.ball_speed_m_s, self.launch_angle_rad, self.backspin_rad_s, self.axis_tilt_rad)
        launches = np.stack(
            np.broadcast_arrays(*(np.atleast_1d(np.asarray(c, float)) for c in columns)), axis=-1
        )
        if not np.isfinite(launches).all() or (launches[:, 0] <= 0).any() or (launches[:, 2] < 0).any():
            raise ValueError("launches need finite numbers, a speed above 0 and a backspin from 0 up")
        return np.ascontiguousarray(launches)


@dataclass(frozen=True)
class Conditions:
    """What a batch of flights has in common.

    Parameters
    ----------
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    ball_mass_kg : float
        Mass [kg].
    air : Air
        Density and viscosity.
    wind_speed_m_s : float
        Wind, at the reference height of its profile [m/s].
    wind_from_rad : float
        Where it comes from: 0 headwind, pi/2 from the golfer's right, pi tailwind [rad].
    gravity_m_s2 : float
        Acceleration of free fall [m/s^2].
    wind_profile : WindProfile
        How the wind changes with the height; not at all when absent.
    """

    ball_diameter_m: float
    ball_mass_kg: float
    air: Air
    wind_speed_m_s: float = 0.0
    wind_from_rad: float = 0.0
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2
    wind_profile: WindProfile = field(default_factory=WindProfile)

    def world(self) -> World:
        """Return the constants of the kernel."""
        radius, profile = 0.5 * self.ball_diameter_m, self.wind_profile
        of_profile = {
            "uniform": (UNIFORM, 0.0, 0.0),
            "logarithmic": (
                LOGARITHMIC,
                1.0 / profile.roughness_m,
                1.0 / math.log1p(profile.reference_height_m / profile.roughness_m),
            ),
            "power": (POWER, 1.0 / profile.reference_height_m, profile.exponent),
        }
        kind = profile.kind if self.wind_speed_m_s else "uniform"
        return World(
            radius,
            self.air.density_kg_m3 * np.pi * radius**2 / (2.0 * self.ball_mass_kg),
            float(np.log(self.ball_diameter_m / self.air.kinematic_viscosity_m2_s)),
            self.gravity_m_s2,
            -self.wind_speed_m_s * float(np.cos(self.wind_from_rad)),
            -self.wind_speed_m_s * float(np.sin(self.wind_from_rad)),
            *of_profile[kind],
            SMITS_SMITH_SPIN_DECAY,
        )


@dataclass(frozen=True)
class Flights:
    """Results of n flights, arrays of shape (n,).

    Down range is the horizontal direction of the launch; side is positive to the golfer's right.
    `landing_velocity_m_s`, shape (3, n), is down range, to the right, up. `extrapolated` is the share of the
    flight time outside the coefficient table. A flight that has not landed after a minute is NaN. The ball's
    radius and gravity are those of the conditions, for the bounces.
    """

    carry_m: FloatArray
    side_m: FloatArray
    peak_height_m: FloatArray
    time_s: FloatArray
    final_spin_rad_s: FloatArray
    landing_velocity_m_s: FloatArray
    extrapolated: FloatArray
    radius_m: float
    gravity_m_s2: float

    @cached_property
    def descent_rad(self) -> FloatArray:
        """Angle below the horizontal at the landing, shape (n,) [rad]."""
        vx, vs, vz = self.landing_velocity_m_s
        return np.asarray(np.arctan2(-vz, np.hypot(vx, vs)))

    @cached_property
    def total_m(self) -> FloatArray:
        """Down-range distance of the resting point, shape (n,) [m].

        On level turf of one kind: less certain than the carry (see `pipeline.flight.ground`). Worked out when
        it is asked for, since some forty bounces and skips take nearly as long as a flight.
        """
        vx, vs, vz = self.landing_velocity_m_s
        speed = np.hypot(vx, vs)
        run = run_after_landing(speed, -vz, self.final_spin_rad_s, self.radius_m, self.gravity_m_s2)
        return np.asarray(self.carry_m + run * np.divide(vx, speed, out=np.ones(speed.size), where=speed > 0))


def fly(
    tables: TableBatch,
    table_index: ArrayLike,
    launches: Launches,
    conditions: Conditions,
    step_s: float | None = None,
    threads: int | None = None,
) -> Flights:
    r"""Fly balls from level ground back to it.

    Gravity, drag against and lift across the motion through the air:

    .. math::
        m \dot{v} = m g + \tfrac12 \rho A U^2 (-C_d \hat{u} + C_l \hat{a} \times \hat{u})

    with u the velocity relative to the air, a the spin axis (fixed in space, square to the launch direction)
    and Cd, Cl at Re = U D / nu and S = omega D / (2 U). Spin slows by the table's Cm on a uniform sphere,
    :math:`\dot\omega = \tfrac12 \rho U^2 A D C_m / (\tfrac25 m R^2)`, or where a table has none by
    :math:`\dot\omega = -2 \times 10^{-5} \omega U / R` (Smits & Smith 1994, from memory).

    Parameters
    ----------
    tables : TableBatch
        Coefficient tables.
    table_index : array_like of int, shape (n,) or scalar
        Table of each flight.
    launches : Launches
        n launches, or one for all tables.
    conditions : Conditions
        Ball, air, wind.
    step_s : float, optional
        Fixed step; steps that hold the error of each when absent [s].
    threads : int, optional
        Threads to fly a large batch on; as many as there are cores when absent. The results are the same.

    Returns
    -------
    Flights
        n flights; each depends on nothing but its own launch and table.

    Raises
    ------
    ValueError
        A launch or a table index is out of range, or the step is not above zero.

    Notes
    -----
    Dormand & Prince's pair of orders 5 and 4, the higher carried on. Steps hold the estimated error of the
    velocity below 1e-4 m/s. The carry of 4000 random shots (35 to 85 m/s, 5 to 35 deg, 1500 to 9000 rpm, 5
    m/s of wind of any profile) through tables of 2, 5, 15 and 200 nodes each way then differs from that at
    steps of 1 ms by at most 0.044 m, 0.014 m root mean square; the kinks of the table at its nodes and edges
    and the wind near the ground cause most of it. The extrapolated share is read off the stages of every
    step, straight between them: within 0.06.
    Landing and peak are found on the polynomial of fifth degree through place, velocity and acceleration at
    both ends of a step, so that the landing keeps the order of the method where the tables are smooth.
    """
    index = np.atleast_1d(np.asarray(table_index, dtype=np.int64))
    rows = launches.as_array()
    n = max(len(rows), len(index))
    rows, index = np.broadcast_to(rows, (n, 4)), np.broadcast_to(index, (n,))
    if index.min() < 0 or index.max() >= len(tables):
        raise ValueError(f"table_index must lie between 0 and {len(tables) - 1}")
    if step_s is not None and not step_s > 0.0:
        raise ValueError(f"step_s must be above 0, not {step_s}")
    world = conditions.world()
    results = np.empty((len(RESULTS), n))
    threads = cores_allowed() if threads is None else threads
    threads = 1 if n <= MOST_ON_ONE_THREAD else threads
    _fly_in_threads(
        np.ascontiguousarray(rows),
        np.ascontiguousarray(index),
        (_grid(tables), world, *_stepping(step_s), np.empty((0, len(TRACK))), results),
        threads,
    )
    by_name = dict(zip(RESULTS, results, strict=True))
    return Flights(
        carry_m=by_name["x"],
        side_m=by_name["s"],
        peak_height_m=by_name["peak"],
        time_s=by_name["time"],
        final_spin_rad_s=by_name["omega"],
        landing_velocity_m_s=results[RESULTS.index("vx") : RESULTS.index("vz") + 1],
        extrapolated=by_name["outside"],
        radius_m=world.radius_m,
        gravity_m_s2=world.gravity_m_s2,
    )


def _fly_in_threads(launches: FloatArray, index: IntArray, how: tuple[Any, ...], threads: int) -> int:
    """Call the kernel in shares, one thread's at least in another thread than this; rows of the track.

    The compiled code lets go of the interpreter's lock, so that this thread hears an interrupt and ends it.
    """
    stop = np.zeros(1, np.bool_)
    parts = 1 if threads == 1 else threads * SHARES_OF_A_THREAD
    edges = np.linspace(0, len(launches), parts + 1).astype(int)

    def fly_from(first: int, last: int) -> int:
        arguments: list[Any] = [launches, index, first, last, *how, stop]
        return int(fly_share(*arguments))

    rows = 0
    with ThreadPoolExecutor(threads) as pool:
        shares = [pool.submit(fly_from, first, last) for first, last in itertools.pairwise(edges.tolist())]
        try:
            for share in shares:
                rows += share.result()
        except BaseException:
            stop[0] = True
            raise
    return rows


@dataclass(frozen=True)
class FlightPath:
    """Path of one ball, arrays of shape (m,): from the launch to the landing.

    `velocity_m_s` has shape (m, 3): down range, to the right, up.
    """

    time_s: FloatArray
    x_m: FloatArray
    side_m: FloatArray
    height_m: FloatArray
    velocity_m_s: FloatArray
    spin_rad_s: FloatArray


def path(
    table: CoefficientTable,
    launches: Launches,
    conditions: Conditions,
    every_s: float = 0.1,
    step_s: float | None = None,
) -> FlightPath:
    """Path of one ball, for pictures and for where in the table a flight lies; see `fly`.

    Parameters
    ----------
    table : CoefficientTable
        Coefficients of the ball.
    launches : Launches
        One launch.
    conditions : Conditions
        Ball, air, wind.
    every_s : float
        Time between the points, which lie on the polynomials that the steps are joined by; the last point is
        the landing [s].
    step_s : float, optional
        As for `fly` [s].

    Raises
    ------
    ValueError
        There is more than one launch, or it is out of range, or the ball has not landed after a minute.
    """
    launch = launches.as_array()
    if len(launch) != 1:
        raise ValueError(f"the path of one launch is wanted, not of {len(launch)}")
    batch, result = TableBatch.of([table]), np.empty((len(RESULTS), 1))
    track = np.empty((int(LONGEST_FLIGHT_S / (step_s or SHORTEST_STEP_S)) + 2, len(TRACK)))
    how = (_grid(batch), conditions.world(), *_stepping(step_s), track, result)
    rows = _fly_in_threads(launch, np.zeros(1, np.int64), how, threads=1)
    landed_s = float(result[RESULTS.index("time"), 0])
    if not math.isfinite(landed_s):
        raise ValueError(f"the ball has not landed after {LONGEST_FLIGHT_S:g} s")
    time = np.append(np.arange(0.0, landed_s, every_s), landed_s) if landed_s > 0.0 else np.zeros(1)
    if rows == 0:  # struck into the ground
        speed, angle, spin, _ = launch[0]
        state = [0.0, 0.0, 0.0, speed * math.cos(angle), 0.0, speed * math.sin(angle), spin]
        return _path(time, np.array([state]))
    return _path(time, _along(track[:rows], time))


def _along(track: FloatArray, time: FloatArray) -> FloatArray:
    """State (x, s, z, vx, vs, vz, omega) at times between the rows of a track, shape (m, 7)."""
    at = np.clip(np.searchsorted(track[:, 0], time, side="right") - 1, 0, len(track) - 2)
    before, after = track[at].T, track[at + 1].T
    h = after[0] - before[0]
    t = (time - before[0]) / h
    state = np.empty((7, time.size))
    for c in range(3):
        p = quintic.py_func(
            before[1 + c], before[4 + c], before[8 + c], after[1 + c], after[4 + c], after[8 + c], h
        )
        state[c], state[3 + c] = value_at.py_func(p, t), slope_at.py_func(p, t) / h
    state[6] = falling_between.py_func(before[7], before[11], after[7], after[11], h, t)
    return state.T


def _path(time: FloatArray, state: FloatArray) -> FlightPath:
    return FlightPath(time, state[:, 0], state[:, 1], state[:, 2], state[:, 3:6], state[:, 6])


def _stepping(step_s: float | None) -> tuple[float, float]:
    """Step and tolerance as the kernel wants them."""
    return (0.0, TOLERANCE_M_S) if step_s is None else (step_s, 0.0)


def _grid(tables: TableBatch) -> Grid:
    low, high = np.log(tables.reynolds_range)
    return Grid(
        tables.log_reynolds,
        tables.spin_ratio,
        1.0 / np.diff(tables.log_reynolds),
        1.0 / np.diff(tables.spin_ratio),
        tables.values,
        tables.has_cm,
        float(low),
        float(high),
        *tables.spin_ratio_range,
    )


def along_path(flown: FlightPath, conditions: Conditions) -> tuple[FloatArray, FloatArray]:
    """Reynolds number and spin ratio at every point of a path, arrays of shape (m,).

    Parameters
    ----------
    flown : FlightPath
        The path.
    conditions : Conditions
        Those that it was flown in; their wind and its profile are taken off the velocity.
    """
    blown = conditions.wind_speed_m_s * conditions.wind_profile.share(flown.height_m)
    through_air = flown.velocity_m_s + blown[:, None] * np.array(
        [math.cos(conditions.wind_from_rad), math.sin(conditions.wind_from_rad), 0.0]
    )
    speed = np.maximum(np.linalg.norm(through_air, axis=1), 1e-3)
    diameter = conditions.ball_diameter_m
    reynolds = speed * diameter / conditions.air.kinematic_viscosity_m2_s
    return reynolds, flown.spin_rad_s * diameter / (2.0 * speed)
