"""Bounce and roll: the published constants, energy, and plausible runs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flight.ground import bounce, restitution, run_after_landing

RADIUS, GRAVITY = 0.02135, 9.80665


def run(forward, down, backspin):
    return run_after_landing(np.array([forward]), np.array([down]), np.array([backspin]), RADIUS, GRAVITY)[0]


def test_restitution_by_the_published_formula():
    # Penner 2002, Can. J. Phys. 80:931-940 [memory].
    assert restitution(0.0) == pytest.approx(0.510)
    assert restitution(10.0) == pytest.approx(0.510 - 0.375 + 0.0903)
    assert restitution(20.0) == pytest.approx(0.120, abs=0.002)
    assert restitution(35.0) == 0.120


def test_compliance_angle_by_the_published_formula():
    # 15.4 deg at 18.6 m/s and 44.4 deg of incidence (Penner 2002 [memory]). A ball without slip along the
    # turned surface feels no friction there: its speed along it stays, that across it is restored.
    speed, incidence, turn = 18.6, np.radians(44.4), np.radians(15.4)
    along, into = speed * np.sin(incidence - turn), speed * np.cos(incidence - turn)
    spin = -along / RADIUS
    forward, up, _ = bounce(speed * np.sin(incidence), speed * np.cos(incidence), spin, RADIUS)
    rebound = restitution(into) * into
    assert forward == pytest.approx(along * np.cos(turn) - rebound * np.sin(turn))
    assert up == pytest.approx(along * np.sin(turn) + rebound * np.cos(turn))


def test_a_slow_bounce_is_that_of_a_rigid_surface():
    # The compliance vanishes with the speed. A sphere that grips leaves rolling, v' = (5 v - 2 R omega) / 7;
    # one that slides loses mu (1 + e) w along the surface and 5 mu (1 + e) w / (2 R) of spin (Daish 1981
    # [memory]).
    v, w = 2e-6, 1e-6
    forward, up, spin = bounce(v, w, 0.0, RADIUS)
    assert up == pytest.approx(0.510 * w, rel=1e-5)
    assert (forward, spin) == pytest.approx((5 / 7 * v, -5 / 7 * v / RADIUS), rel=1e-5)
    forward, _, spin = bounce(v, w, 2e-6 / RADIUS, RADIUS)  # slip 4e-6: 2/7 of it is more than mu (1 + e) w
    change = 0.40 * 1.510 * w
    assert forward == pytest.approx(v - change, rel=1e-5)
    assert spin == pytest.approx((2e-6 - 2.5 * change) / RADIUS, rel=1e-5)


@settings(deadline=None)
@given(st.floats(-40, 40), st.floats(0.1, 40), st.floats(-1000, 1000))
def test_a_bounce_takes_energy(forward, down, spin):
    def energy(v, w, omega):
        return 0.5 * (v**2 + w**2) + 0.2 * (RADIUS * omega) ** 2  # I = 2/5 m R^2

    before = energy(forward, down, spin)
    assert energy(*bounce(forward, down, spin, RADIUS)) <= before * (1 + 1e-12)


@settings(deadline=None)
@given(st.floats(0.1, 40), st.floats(0.1, 40), st.floats(-1000, 1000))
def test_a_mirrored_bounce_is_mirrored(forward, down, spin):
    one, other = bounce(forward, down, spin, RADIUS), bounce(-forward, down, -spin, RADIUS)
    assert other == pytest.approx((-one[0], one[1], -one[2]))


def test_a_ball_dropped_without_spin_stays_where_it_is():
    assert run(0.0, 10.0, 0.0) == 0.0


def test_rolling_distance_by_its_closed_form():
    # A ball that rolls already and hardly falls: v^2 / (2 * 5/7 * 0.131 g). Slow, since the compliance of the
    # turf, which takes speed from it, is proportional to the speed.
    assert run(0.05, 1e-9, -0.05 / RADIUS) == pytest.approx(0.0025 / (2 * 5 / 7 * 0.131 * GRAVITY), rel=1e-4)


def test_backspin_and_steepness_shorten_the_run():
    driver = run(21.0, 18.5, 225.0)
    assert run(21.0, 18.5, 400.0) < driver < run(21.0, 18.5, 0.0)
    assert run(15.0, 23.6, 225.0) < driver < run(25.0, 12.5, 225.0)
    # Common practice, no source: a drive runs some 5 to 40 yd on level fairway.
    assert 5 * 0.9144 < driver < 40 * 0.9144


def test_a_flight_that_has_not_landed_has_no_run():
    assert np.isnan(run(np.nan, np.nan, np.nan))
