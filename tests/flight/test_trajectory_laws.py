"""What must hold for every flight: energy, symmetry, wind, independence of the batch, an end."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.aero.published import smits_smith_table
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError
from pipeline.flight.air import Air, air_from
from pipeline.flight.single import fly_single
from pipeline.flight.trajectory import MOST_ON_ONE_THREAD, Conditions, Flights, Launches, fly, path

RPM = np.pi / 30
AIR = air_from(293.15, 101325.0, 0.5)
STILL = Conditions(0.0427, 0.0459, AIR)
BREEZE = Conditions(0.0427, 0.0459, AIR, 6.0, 0.8)
TABLE = smits_smith_table([6e4, 9e4, 1.3e5, 1.8e5], [0.05, 0.1, 0.2, 0.3])

launches = st.builds(
    Launches,
    st.floats(20, 90),
    st.floats(0.02, 1.2),
    st.floats(0, 9000 * RPM),
    st.floats(-0.7, 0.7),
)


@st.composite
def tables(draw):
    """A random table of a ball that resists: positive drag, any lift, moments that slow the spin."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    shape = (draw(st.integers(1, 4)), draw(st.integers(1, 4)))
    reynolds = np.sort(rng.uniform(3e4, 3e5, shape[0]))
    spin_ratio = np.sort(rng.uniform(0, 0.5, shape[1]))
    cm = -rng.uniform(0, 0.005, shape) if draw(st.booleans()) else None
    return CoefficientTable(
        reynolds, spin_ratio, rng.uniform(0.05, 0.6, shape), rng.uniform(-0.2, 0.4, shape), cm
    )


@settings(deadline=None, max_examples=200)
@given(tables(), launches)
def test_energy_never_grows_in_still_air(table, launch):
    track = path(table, launch, STILL)
    energy = 0.5 * (track.velocity_m_s**2).sum(axis=1) + STILL.gravity_m_s2 * track.height_m
    assert (np.diff(energy) <= 1e-6 * energy[0]).all()
    assert energy[-1] < energy[0]
    assert (track.spin_rad_s >= 0).all()
    # Rounding of the polynomials between the steps, and spins too small for a float to halve.
    assert (np.diff(track.spin_rad_s) <= 1e-12 * track.spin_rad_s[:-1] + 1e-300).all()


def one_sided_rate(values, step):
    """Derivative at the first of three values, of second order in the step."""
    return (-3 * values[0] + 4 * values[1] - values[2]) / (2 * step)


@settings(deadline=None, max_examples=50)
@given(tables(), launches, st.floats(0, 10), st.floats(-3.2, 3.2))
def test_forces_at_the_launch(table, launch, wind, wind_from):
    # The rates over two very short steps against the forces written out with vectors, the table read by
    # numpy.
    conditions = Conditions(0.0427, 0.0459, AIR, wind, wind_from)
    step = 1e-4
    track = path(table, launch, conditions, step)
    speed, angle, spin, tilt = launch.as_array()[0]
    # Right-handed axes: down range, left, up.
    forward = np.array([np.cos(angle), 0.0, np.sin(angle)])
    upward = np.array([-np.sin(angle), 0.0, np.cos(angle)])
    axis = np.cos(tilt) * np.array([0.0, -1.0, 0.0]) - np.sin(tilt) * upward
    air_speed = -wind * np.array([np.cos(wind_from), -np.sin(wind_from), 0.0])
    u = speed * forward - air_speed
    size = np.linalg.norm(u)
    at = table.at(size * 0.0427 / AIR.kinematic_viscosity_m2_s, spin * 0.0427 / (2 * size))
    pressure_area = 0.5 * AIR.density_kg_m3 * size**2 * np.pi * 0.0427**2 / 4
    force = pressure_area * (-at.cd * u / size + at.cl * np.cross(axis, u / size))
    expected = force / 0.0459 - np.array([0.0, 0.0, STILL.gravity_m_s2])
    found = one_sided_rate(track.velocity_m_s, step) * [1, -1, 1]
    assert found == pytest.approx(expected, rel=1e-3, abs=1e-3)
    if table.cm is not None:
        expected_spin = pressure_area * 0.0427 * at.cm / (0.4 * 0.0459 * (0.0427 / 2) ** 2)
        assert one_sided_rate(track.spin_rad_s, step) == pytest.approx(expected_spin, rel=1e-3, abs=1e-3)


def test_the_extrapolated_share_is_that_of_the_table():
    # Starts below the lowest spin ratio, ends below the lowest Reynolds number and above the highest spin
    # ratio.
    table = smits_smith_table([8e4, 1.8e5], [0.09, 0.16])
    launch = Launches(75.0, 0.2, 2600 * RPM)
    track = path(table, launch, STILL, 0.001, 0.001)
    speed = np.linalg.norm(track.velocity_m_s, axis=1)
    reynolds, spin_ratio = (
        speed * 0.0427 / AIR.kinematic_viscosity_m2_s,
        track.spin_rad_s * 0.0427 / (2 * speed),
    )
    # How far outside each point is, in ln Re or S; between the points a straight line.
    beyond = np.max(
        [np.log(8e4 / reynolds), np.log(reynolds / 1.8e5), 0.09 - spin_ratio, spin_ratio - 0.16], axis=0
    )
    fine = np.interp(np.linspace(0, track.time_s[-1], 10**6), track.time_s, beyond)
    share = np.mean(fine > 0)
    assert spin_ratio[0] < 0.09 and spin_ratio.max() > 0.16 and 0.2 < share < 0.8
    flight = fly(TableBatch.of([table]), 0, launch, STILL, step_s=0.001)
    assert flight.extrapolated[0] == pytest.approx(share, abs=5e-6)


@settings(deadline=None, max_examples=100)
@given(tables(), launches, st.floats(0, 10), st.floats(-3.2, 3.2))
def test_a_mirrored_shot_lands_mirrored(table, launch, wind, wind_from):
    tilted = Launches(
        launch.ball_speed_m_s, launch.launch_angle_rad, launch.backspin_rad_s, -launch.axis_tilt_rad
    )
    batch = TableBatch.of([table])
    one = fly(batch, 0, launch, Conditions(0.0427, 0.0459, AIR, wind, wind_from))
    other = fly(batch, 0, tilted, Conditions(0.0427, 0.0459, AIR, wind, -wind_from))
    assert other.side_m == pytest.approx(-one.side_m, rel=1e-9, abs=1e-9)
    for name in ("carry_m", "peak_height_m", "time_s", "descent_rad", "total_m", "extrapolated"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-9, abs=1e-9)


def test_directions():
    batch = TableBatch.of([TABLE])
    launch = (70.0, np.radians(12), 2600 * RPM)
    straight = fly(batch, 0, Launches(*launch), STILL)
    assert straight.side_m[0] == 0
    assert fly(batch, 0, Launches(*launch, np.radians(8)), STILL).side_m[0] > 5
    # Headwind shortens and lifts, tailwind lengthens, wind from the right carries to the left.
    head, right, tail = (
        fly(batch, 0, Launches(*launch), Conditions(0.0427, 0.0459, AIR, 5.0, angle))
        for angle in (0.0, np.pi / 2, np.pi)
    )
    assert head.carry_m[0] < straight.carry_m[0] - 5 < straight.carry_m[0] + 5 < tail.carry_m[0]
    assert head.peak_height_m[0] > straight.peak_height_m[0] > tail.peak_height_m[0]
    assert right.side_m[0] < -5


def test_wind_only_shifts_the_frame():
    # Galilei: seen from air that moves with w, a flight in a tailwind w is one launched w slower. Launched so
    # that it has no horizontal speed there, it stays above one point of the moving air.
    table = CoefficientTable([1e5], [0.0], [[0.3]], [[0.0]])
    wind, up = 8.0, 30.0
    speed, angle = np.hypot(wind, up), np.arctan2(up, wind)
    flight = fly(
        TableBatch.of([table]), 0, Launches(speed, angle, 0.0), Conditions(0.0427, 0.0459, AIR, wind, np.pi)
    )
    assert flight.carry_m[0] == pytest.approx(wind * flight.time_s[0], rel=1e-9)
    # Vertical shot with quadratic drag: peak = ln(1 + c u^2 / g) / (2 c), c = rho A Cd / (2 m) (closed form).
    c = AIR.density_kg_m3 * np.pi * 0.0427**2 / 4 * 0.3 / (2 * 0.0459)
    peak = np.log(1 + c * up**2 / STILL.gravity_m_s2) / (2 * c)
    assert flight.peak_height_m[0] == pytest.approx(peak, rel=1e-5)


def random_batch(n):
    rng = np.random.default_rng(2)
    values = [
        rng.uniform(20, 85, n),
        rng.uniform(0.05, 0.8, n),
        rng.uniform(0, 900, n),
        rng.normal(0, 0.2, n),
    ]
    batch = TableBatch.of(
        [
            TABLE,
            CoefficientTable(TABLE.reynolds, TABLE.spin_ratio, TABLE.cd * 1.1, TABLE.cl, -0.01 * TABLE.cl),
        ]
    )
    return batch, rng.integers(0, 2, n), values


COLUMNS = (
    "carry_m", "side_m", "peak_height_m", "time_s", "descent_rad", "total_m", "final_spin_rad_s",
    "landing_velocity_m_s", "extrapolated",
)  # fmt: skip


def same(one: Flights, other: Flights, of_one=slice(None), of_other=slice(None)) -> bool:
    """Whether two batches, or chosen flights of them, are alike to the last bit."""
    return all(
        np.array_equal(getattr(one, name)[..., of_one], getattr(other, name)[..., of_other])
        for name in COLUMNS
    )


def test_batch_equals_single_shots():
    batch, index, values = random_batch(40)
    together = fly(batch, index, Launches(*values), BREEZE)
    for n in range(40):
        alone = fly(batch, index[n], Launches(*(value[n] for value in values)), BREEZE)
        assert same(alone, together, of_other=slice(n, n + 1))


def test_order_of_the_batch_does_not_matter():
    batch, index, values = random_batch(500)
    order = np.random.default_rng(1).permutation(500)
    together = fly(batch, index, Launches(*values), BREEZE)
    shuffled = fly(batch, index[order], Launches(*(value[order] for value in values)), BREEZE)
    assert same(together, shuffled, of_one=order)


def test_number_of_threads_does_not_matter():
    batch, index, values = random_batch(2 * MOST_ON_ONE_THREAD)
    one, three = (fly(batch, index, Launches(*values), BREEZE, threads=threads) for threads in (1, 3))
    assert same(one, three)


def test_a_ball_struck_downwards_lands_at_once():
    flight = fly(TableBatch.of([TABLE]), 0, Launches(60.0, [-0.05, 0.0], 200.0), STILL)
    assert flight.carry_m.tolist() == flight.time_s.tolist() == flight.peak_height_m.tolist() == [0.0, 0.0]
    assert path(TABLE, Launches(60.0, -0.05, 200.0), STILL).x_m.tolist() == [0.0]


def test_a_very_low_shot_lands_within_its_first_step():
    # 20 m/s, 0.1 deg without air: t = 2 v sin / g = 7.1 ms.
    none = CoefficientTable([1e5], [0.0], [[0.0]], [[0.0]])
    flight = fly(TableBatch.of([none]), 0, Launches(20.0, np.radians(0.1), 0.0), STILL)
    time = 2 * 20 * np.sin(np.radians(0.1)) / STILL.gravity_m_s2
    assert flight.time_s[0] == pytest.approx(time, rel=1e-9)
    assert flight.peak_height_m[0] == pytest.approx(STILL.gravity_m_s2 * time**2 / 8, rel=1e-9)


def test_a_ball_that_does_not_come_down_is_nan():
    # Without air, at a thousandth of the gravity of a small moon, the flight takes 2 v sin / g = 16 h.
    floating = CoefficientTable([1e5], [0.0], [[0.0]], [[0.0]])
    far = replace(STILL, gravity_m_s2=0.001)
    flight = fly(TableBatch.of([floating]), 0, Launches(60.0, 0.5, 100.0), far)
    assert np.isnan(flight.carry_m[0]) and np.isnan(flight.total_m[0])
    with pytest.raises(ValueError, match="has not landed after 60 s"):
        path(floating, Launches(60.0, 0.5, 100.0), far)


def test_a_ball_that_loops_is_followed():
    # Lift alone turns a ball on a circle of radius 2 m / (rho A Cl), here 8.5 cm, at an unchanged speed: it
    # comes back to the ground behind its launch. From 0.5 rad that is a chord of 2 r sin 0.5.
    looping = CoefficientTable([1e5], [0.0], [[0.0]], [[1.0]])
    thick = Conditions(0.5, 0.01, Air(1.2, 1.5e-5, 288.15, 101325.0, 0.0), gravity_m_s2=1e-6)
    flight = fly(TableBatch.of([looping]), 0, Launches(60.0, 0.5, 0.0), thick)
    radius = 2 * 0.01 / (1.2 * np.pi * 0.25**2)
    assert flight.carry_m[0] == pytest.approx(-2 * radius * np.sin(0.5), rel=1e-3)
    assert flight.time_s[0] == pytest.approx(2 * (np.pi - 0.5) * radius / 60.0, rel=1e-3)


def constant(cd: float, cl: float, cm: float | None = None) -> TableBatch:
    """A table of constants without the checks at the tables' door."""
    values = np.broadcast_to(np.array([cd, cl, cm or 0.0]), (1, 2, 2, 3)).copy()
    nodes = np.log([1e4, 1e6]), np.array([0.0, 1.0])
    return TableBatch(*nodes, values, np.array([cm is not None]), (1e4, 1e6), (0.0, 1.0))


@pytest.mark.parametrize(
    "coefficients",
    [
        (2e4, 0.1),
        (1e300, 0.1),
        (0.25, 1e300),
        (0.25, -1e300),
        (0.25, 1e5),
        (0.25, 0.1, 1e300),
        (0.25, 0.1, -1e300),
    ],
)
def test_every_flight_ends_whatever_its_table_holds(coefficients):
    launches = Launches(np.linspace(20.0, 90.0, 40), 0.3, 250.0)
    flight = fly(constant(*coefficients), 0, launches, STILL)
    given_up = np.isnan(flight.carry_m)
    assert (given_up == np.isnan(flight.time_s)).all() and (flight.time_s[~given_up] <= 60.0).all()


def test_a_ball_given_up_does_not_disturb_its_neighbours():
    wild = constant(0.25, 1e300)
    both = TableBatch.join([constant(0.25, 0.15), wild])
    launches = Launches(np.linspace(20.0, 90.0, 40), 0.3, 250.0)
    mixed = fly(both, np.arange(40) % 2, launches, STILL)
    alone = fly(constant(0.25, 0.15), 0, launches, STILL)
    assert np.isnan(mixed.carry_m[1::2]).all()
    assert np.array_equal(mixed.carry_m[::2], alone.carry_m[::2])


INTERRUPTED = """
import os, signal, threading, numpy as np
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches, fly

batch = TableBatch.of([CoefficientTable([1e5], [0.1], [[0.25]], [[0.15]])])
still = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))
fly(batch, 0, Launches(60.0, 0.2, 270.0), still)  # compiled
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job is born deaf to it
threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGINT)).start()
try:
    fly(batch, 0, Launches(np.full({n}, 60.0), 0.2, 270.0), still, step_s=1e-9)  # would take hours
except KeyboardInterrupt:
    print("heard")
"""


@pytest.mark.parametrize("n", [1, 2 * MOST_ON_ONE_THREAD])
def test_an_interrupt_ends_flights_that_take_long(n):
    ended = subprocess.run(
        [sys.executable, "-c", INTERRUPTED.format(n=n)], capture_output=True, text=True, timeout=300
    )
    assert (ended.returncode, ended.stdout) == (0, "heard\n"), ended.stderr


def test_a_flight_that_no_ball_makes_is_refused():
    # With Cl 3 the ball turns over on a circle of 2 m / (rho A Cl) = 18 m and lands behind the golfer.
    with pytest.raises(InputError, match=r"lands \d+\.\d m behind the golfer .* check Cl and Cd"):
        fly_single(CoefficientTable([1e5], [0.1], [[0.1]], [[3.0]]), Launches(70.0, 0.5, 300.0), STILL)
    # A lob into a gale comes back to the golfer as it does on a course.
    gale = replace(STILL, wind_speed_m_s=30.0)
    lob = fly_single(CoefficientTable([1e5], [0.1], [[0.5]], [[0.2]]), Launches(20.0, 1.0, 300.0), gale)
    assert lob["carry_m"] < 0.0


def test_single_shot_as_numbers():
    launch = Launches(75.0, np.radians(11), 2700 * RPM, 0.05)
    shot = fly_single(TABLE, launch, BREEZE)
    flight = fly(TableBatch.of([TABLE]), 0, launch, BREEZE)
    assert set(shot) == {
        "carry_m", "peak_height_m", "descent_deg", "time_s",
        "total_m", "side_m", "extrapolated", "final_spin_rpm",
    }  # fmt: skip
    assert shot["carry_m"] == flight.carry_m[0] and shot["side_m"] == flight.side_m[0]
    assert shot["descent_deg"] == np.degrees(flight.descent_rad[0])
    assert shot["final_spin_rpm"] == pytest.approx(flight.final_spin_rad_s[0] * 30 / np.pi)
    with pytest.raises(ValueError, match="one launch"):
        fly_single(TABLE, Launches([70.0, 75.0], 0.2, 200.0), BREEZE)


@pytest.mark.parametrize(
    "bad", [(0.0, 0.2, 200.0), (np.nan, 0.2, 200.0), (70.0, 0.2, -1.0), (70.0, np.inf, 1.0)]
)
def test_launches_that_cannot_be_are_refused(bad):
    with pytest.raises(ValueError, match="a speed above 0 and a backspin from 0 up"):
        fly(TableBatch.of([TABLE]), 0, Launches(*bad), STILL)


def test_a_table_index_out_of_range_is_refused():
    with pytest.raises(ValueError, match="table_index must lie between 0 and 0"):
        fly(TableBatch.of([TABLE]), [0, 1], Launches(70.0, 0.2, 200.0), STILL)
