"""Flights of shelf balls: as by any other way, and errors as those of draws."""

import numpy as np
import pytest
from shelf.balls import ball

from pipeline.aero.table import TableBatch, padded
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.shelf.fly import fly_ball

SHOT = Launches(70.0, np.radians(11.0), 2700 * np.pi / 30)
STILL = Conditions(0.04267, 0.04593, air_from(293.15, 101325.0, 0.5))


def test_a_flight_is_that_of_the_table():
    of = ball("b")
    flown = fly_ball(of, SHOT, SHOT, [(1.0, STILL)])
    plain = fly(TableBatch.of([of.table]), [0], SHOT, STILL)
    assert flown.carry_m == pytest.approx(plain.carry_m[0]) and flown.total_m == pytest.approx(
        plain.total_m[0]
    )
    heavy = Conditions(0.04267, 0.0500, STILL.air)
    both = fly_ball(of, SHOT, SHOT, [(3.0, STILL), (1.0, heavy)])
    assert both.carry_m == pytest.approx(
        0.75 * flown.carry_m + 0.25 * fly_ball(of, SHOT, SHOT, [(1.0, heavy)]).carry_m
    )


def test_errors_are_those_of_draws():
    of = ball("b")
    flown = fly_ball(of, SHOT, SHOT, [(1.0, STILL)])
    table, n = of.table, 800
    drawn = np.random.default_rng(0).normal(size=(n, len(of.modes)))
    values = np.zeros((n, *table.cd.shape, 3))
    values[..., 0], values[..., 1] = table.cd, table.cl
    values[..., :2] += np.tensordot(drawn, of.modes, axes=1)
    many = fly(padded(table.reynolds, table.spin_ratio, values, False), np.arange(n), SHOT, STILL)
    assert flown.carry_se_m == pytest.approx(many.carry_m.std(), rel=0.1)  # 800 draws tell 2.5 %
    assert flown.peak_height_se_m == pytest.approx(many.peak_height_m.std(), rel=0.1)
