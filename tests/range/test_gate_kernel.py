"""The compiled flights past gates: against the project's flights, closed forms, and differences."""

import numpy as np
import pytest

from pipeline.aero.table import CoefficientTable
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches, path
from pipeline.range.gate_kernel import FIRST_TERM, pass_gates
from pipeline.range.terms import Term

AIR = air_from(293.15, 101325.0, 0.5)
DIAMETER_M, MASS_KG, GRAVITY = 0.0427, 0.0459, 9.80665
DRAG = (Term(), Term(spin=1), Term(log=1), Term(spin=1, log=1), Term(depth=1))
LIFT = (Term(), Term(spin=1), Term(reynolds=-2), Term(spin=2))
DRAG_VALUES, LIFT_VALUES = (0.24, 0.2, -0.04, 0.1, 0.01), (0.05, 0.8, -0.01, -0.4)


def fly(own, effects=(0.0, 0.0), range_of=(2e-5, 0.0, 0.0), drag=None, lift=None, at=(0.0, 3.0, 12.0, 20.0),
        slant=0.0, depth=0.0, gravity=GRAVITY):  # fmt: skip
    """What gates see of one shot, and its sensitivities; `drag` and `lift` are constants where given."""
    drag_terms, drag_values = (DRAG, DRAG_VALUES) if drag is None else ((Term(),), (drag,))
    lift_terms, lift_values = (LIFT, LIFT_VALUES) if lift is None else ((Term(),), (lift,))
    if isinstance(own, tuple):
        own, effects, range_of, drag_values, lift_values = own
    per_m = AIR.density_kg_m3 * np.pi * DIAMETER_M**2 / (8 * MASS_KG)
    per_speed = DIAMETER_M / AIR.kinematic_viscosity_m2_s / 1e5
    powers = np.array([list(term) for term in (*drag_terms, *lift_terms)])
    seen, speed = np.full((len(at), 4), np.nan), np.full(len(at), np.nan)
    sensitivity = np.zeros((len(at), 4, FIRST_TERM + len(powers)))
    pass_gates(
        0, 1, np.array([0, len(at)]), np.array([own], float), np.array([effects], float),
        np.array([[per_m, DIAMETER_M / 2, per_speed, depth]]), np.zeros(1, np.int64), powers,
        np.array([drag_values], float), np.array([lift_values], float), np.array([*range_of, gravity]),
        np.array(at), np.full(len(at), np.tan(slant)), np.zeros(1), seen, speed, sensitivity,
    )  # fmt: skip
    return seen, sensitivity


def test_it_is_the_flight_of_the_flight_station():
    # Constant coefficients, which a table holds exactly: a launch from the ground, seen at 5 to 40 m.
    table = CoefficientTable([1e3, 1e6], [0.0, 2.0], np.full((2, 2), 0.25), np.full((2, 2), 0.16))
    conditions = Conditions(DIAMETER_M, MASS_KG, AIR, gravity_m_s2=GRAVITY)
    track = path(table, Launches(62.0, 0.2, 270.0, 0.15), conditions, 1e-3, 1e-3)
    places = (5.0, 20.0, 40.0)
    seen, _ = fly([0.0, 0.0, 0.0, 62.0, 0.2, 0.0, 270.0, 0.15], drag=0.25, lift=0.16, at=places)
    for row, x in zip(seen, places, strict=True):
        assert row[0] == pytest.approx(np.interp(x, track.x_m, track.time_s), abs=1e-7)
        assert row[1] == pytest.approx(np.interp(x, track.x_m, track.side_m), abs=1e-5)
        assert row[2] == pytest.approx(np.interp(x, track.x_m, track.height_m), abs=1e-5)
        assert row[3] == pytest.approx(np.interp(x, track.x_m, track.spin_rad_s), abs=1e-4)


def test_drag_alone_is_the_closed_form():
    # Without lift and gravity dv/dx = -k v, so t = (exp(k x) - 1) / (k v), k = rho A Cd / 2m [computed].
    k = 0.25 * AIR.density_kg_m3 * np.pi * DIAMETER_M**2 / (8 * MASS_KG)
    x = np.array([0.0, 3.8, 21.0])
    seen, _ = fly([0, 0, 1, 62.0, 0, 0, 0, 0], drag=0.25, lift=0.0, at=tuple(x), gravity=0.0)
    np.testing.assert_allclose(seen[:, 0], (np.exp(k * x) - 1) / (k * 62.0), atol=1e-13)
    # Drag slows a ball by 1.6 % over 3.8 m and by 8 % over 21 m [quoted].
    assert 1 - np.exp(-k * x[1:]) == pytest.approx([0.016, 0.08], rel=0.2)


@pytest.mark.parametrize("slant", [0.0, 0.7])
def test_sensitivities_are_derivatives(slant):
    own = [0.001, 0.02, 1.1, 62.0, 0.03, 0.01, 270.0, 0.2]
    everything = np.array([*own, 0.01, -0.02, 3e-5, 0.02, 0.03, *DRAG_VALUES, *LIFT_VALUES])

    def at(p):
        return fly((p[:8], p[8:10], p[10:13], p[13:18], p[18:]), slant=slant, depth=0.3)

    seen, sensitivity = at(everything)
    assert np.isfinite(seen).all()
    for j in range(everything.size):
        step = 1e-5 * max(1.0, abs(everything[j])) if j != 10 else 1e-7
        up, down = everything.copy(), everything.copy()
        up[j] += step
        down[j] -= step
        difference = (at(up)[0] - at(down)[0]) / (2 * step)
        size = max(1.0, float(np.abs(difference).max()))
        np.testing.assert_allclose(sensitivity[:, :, j], difference, rtol=1e-5, atol=1e-7 * size)


def test_a_ball_that_does_not_reach_a_gate_is_not_seen():
    seen, _ = fly([0, 0, 1, 20.0, -1.4, 0, 100.0, 0], at=(0.0, 500.0))
    assert np.isfinite(seen[0]).all() and np.isnan(seen[1]).all()
