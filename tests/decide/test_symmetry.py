"""Two orientations of a ball against closed forms and each other."""

import numpy as np
import pytest

from pipeline.aero.published import smits_smith_table
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.decide.symmetry import symmetry
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches, fly

STILL = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))
SHOT = Launches(78.7, np.radians(10), 2520 * np.pi / 30)


def table(lift=1.0, drag=0.0, se=0.0):
    fit = smits_smith_table([7e4, 1.2e5, 2.2e5], [0.07, 0.15, 0.3])
    errors = {"cd_se": np.full((3, 3), se), "cl_se": np.full((3, 3), se)}
    return CoefficientTable(fit.reynolds, fit.spin_ratio, fit.cd + drag, lift * fit.cl, **errors)


def test_a_symmetric_ball_differs_by_nothing():
    found = symmetry(table(se=0.001), table(se=0.001), SHOT, STILL)
    assert found.carry_yd == found.time_s == 0.0
    assert found.carry_se_yd > 0 and found.time_se_s > 0 and found.p_inside > 0.99


def test_differences_are_those_of_the_flights():
    one, other = table(lift=1.1), table()
    found = symmetry(one, other, SHOT, STILL, draws=2)
    flown = [fly(TableBatch.of([each]), 0, SHOT, STILL) for each in (one, other)]
    assert found.carry_yd * 0.9144 == pytest.approx(flown[0].carry_m[0] - flown[1].carry_m[0])
    assert found.time_s == pytest.approx(flown[0].time_s[0] - flown[1].time_s[0]) and found.time_s > 0.2
    back = symmetry(other, one, SHOT, STILL, draws=2)
    assert (back.carry_yd, back.time_s) == pytest.approx((-found.carry_yd, -found.time_s))


def test_standard_errors_add_as_squares():
    # Two tables of equal, independent errors: sqrt(2) of what one of them gives. 4000 draws know a standard
    # deviation to 1.1 %.
    exact, noisy = table(), table(se=0.003)
    one = symmetry(noisy, exact, SHOT, STILL, draws=4000)
    both = symmetry(noisy, noisy, SHOT, STILL, draws=4000, seed=2)
    assert both.carry_se_yd == pytest.approx(np.sqrt(2) * one.carry_se_yd, rel=0.05)


def test_a_lopsided_ball_is_outside():
    # 4.0 yd of carry and 0.40 s of flight [memory]: a fifth of the lift is far more.
    assert symmetry(table(lift=1.2, se=0.001), table(se=0.001), SHOT, STILL).p_inside == 0.0
    with pytest.raises(ValueError, match="one launch is wanted"):
        symmetry(table(), table(), Launches([70.0, 71.0], 0.2, 270.0), STILL)
