"""Reductions of simulated firings, whose truth is known; the simulator integrates by other code."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.range.diagnosis import findings
from pipeline.range.invented import (
    Kind,
    Programme,
    RangeTruth,
    Scatter,
    quoted_ball,
    screens,
    short_baselines,
)
from pipeline.range.measures import gate_summaries, shot_estimates
from pipeline.range.reduce import reduce
from pipeline.range.results import coefficient_rows
from pipeline.range.simulate import simulate
from pipeline.range.terms import QUOTED_DRAG, QUOTED_LIFT, parse_terms

DRAG, LIFT = (tuple(term for term, _ in fit) for fit in (QUOTED_DRAG, QUOTED_LIFT))
TRUE = np.array([value for _, value in (*QUOTED_DRAG, *QUOTED_LIFT)])
SIX = [Kind("quoted", quoted_ball, balls=6)]
ONE_SHOT = Programme(shots=1)


def found_of(firings):
    reduction = reduce(firings)
    return reduction, findings(reduction, firings, shot_estimates(reduction))


@pytest.mark.parametrize("gates", [screens(), short_baselines()])
def test_perfect_firings_give_the_coefficients_back(gates):
    # The published fit [quoted] as the truth: Cl = 0.0860 + 0.6463 S - 0.0122 Re^-2 + 1.4789 S^2, and its Cd.
    firings = simulate([Kind("quoted", quoted_ball, balls=2)], gates, Programme(), Scatter.none(), 1)
    reduction = reduce(firings, DRAG, LIFT)
    np.testing.assert_allclose(reduction.common.mean[3:], TRUE, atol=1e-6)
    assert reduction.kept[:, 0].all() and reduction.shot_kept.all()


def test_the_published_fit_is_refitted_from_noisy_screens():
    firings = simulate(SIX, screens(), Programme(), Scatter(), 5)
    reduction = reduce(firings, DRAG, LIFT)
    error = np.sqrt(np.diag(reduction.common.covariance))[3:]
    assert (np.abs(reduction.common.mean[3:] - TRUE) < 3.0 * error).all()
    # Reduced values of the one ball that the fit was made of [quoted]: Re / 1e5, S, Cd, Cl.
    for re, s, cd, cl in (
        (1.23, 0.153, 0.256, 0.214),
        (1.61, 0.09, 0.234, 0.151),
        (2.0, 0.092, 0.241, 0.153),
    ):
        fit_cd, fit_cl = reduction.coefficients(0, np.array([1e5 * re]), np.array([s]))
        assert fit_cd[0] == pytest.approx(cd, abs=0.008) and fit_cl[0] == pytest.approx(cl, abs=0.012)


def test_miscounted_times_are_found_and_do_no_harm():
    clean = simulate(SIX, screens(), ONE_SHOT, Scatter(), 2)
    bad = simulate(SIX, screens(), ONE_SHOT, Scatter(bad_gates=0.02), 2)
    true_bad = np.abs(clean.gates["time_s"] - bad.gates["time_s"]).to_numpy() > 1e-9
    assert true_bad.sum() > 5
    reduction, found = found_of(bad)
    np.testing.assert_array_equal(reduction.kept[:, 0] == 0, true_bad)
    assert any(one.kind == "miscounted times" for one in found)
    good = reduce(clean)
    sd = np.sqrt(np.diag(good.common.covariance))
    assert (np.abs(reduction.common.mean - good.common.mean)[3:] < 0.5 * sd[3:]).all()


def test_a_late_gate_is_found():
    truth = RangeTruth(gate_delay_s={4: 12e-6})
    reduction, found = found_of(simulate(SIX, screens(), ONE_SHOT, Scatter(), 4, truth))
    assert list(reduction.late_gates) == ["10 m"]
    assert reduction.late_gates["10 m"] == pytest.approx(12e-6, abs=1e-6)
    assert any(one.kind == "mis-timed gate" and "10 m" in one.text for one in found)


def test_upright_axes_tell_the_tilt_of_the_range():
    truth = RangeTruth(roll_rad=np.radians(0.8), axis_rad=np.radians(1.5))
    programme = Programme(shots=1, upright_shots=2)
    reduction = reduce(simulate(SIX, screens(), programme, Scatter(), 6, truth))
    error = np.sqrt(np.diag(reduction.common.covariance))
    assert abs(reduction.common.mean[1] - truth.roll_rad) < 3 * error[1] and error[1] < np.radians(0.15)
    assert abs(reduction.common.mean[2] - truth.axis_rad) < 3 * error[2] and error[2] < np.radians(0.3)


def test_spin_decay_is_told_where_spin_is_measured_twice():
    gates = replace(screens(), spin=True)
    reduction = reduce(simulate(SIX, gates, Programme(), Scatter(), 7, RangeTruth(spin_decay=5e-5)))
    error = float(np.sqrt(reduction.common.covariance[0, 0]))
    assert error < 1e-5 and abs(reduction.common.mean[0] - 5e-5) < 3 * error


def test_a_wrong_mass_is_found():
    firings = simulate(SIX, screens(), ONE_SHOT, Scatter(), 8)
    firings.shots.loc[firings.shots["ball"] == "quoted-3", "mass_kg"] *= 1.06
    _, found = found_of(firings)
    texts = [one.text for one in found if one.kind == "wrong mass"]
    assert len(texts) == 1 and "quoted-3" in texts[0]


def test_swapped_units_are_found():
    firings = simulate(SIX, screens(), ONE_SHOT, Scatter(), 9)
    firings.shots.loc[3:5, "launch_speed_m_s"] /= 0.44704
    firings.shots.loc[10:11, "spin_rad_s"] *= np.pi / 30
    reduction, found = found_of(firings)
    texts = " ".join(one.text for one in found if one.kind == "swapped unit")
    assert "mph read as m/s" in texts and "4, 5, 6" in texts
    assert "rad/s read as rpm" in texts and "11, 12" in texts
    assert (~reduction.shot_kept).sum() == 2


def test_negative_lift_is_told():
    def crisis(reynolds, spin_ratio, depth_m):
        cd, cl = quoted_ball(reynolds, spin_ratio, depth_m)
        return cd, np.where(reynolds < 1e5, -0.08, cl)

    _, found = found_of(simulate([Kind("p", crisis, balls=4)], screens(), ONE_SHOT, Scatter(), 10))
    assert any(one.kind == "negative lift" and "drag crisis" in one.text for one in found)


def test_the_effect_of_depth_is_told_apart_from_the_scatter_of_balls():
    # Per 0.1 mm of depth: Cd + 0.012, Cl - 0.020, beside a scatter of balls of 0.003.
    def deep(reynolds, spin_ratio, depth_m):
        cd, cl = quoted_ball(reynolds, spin_ratio, depth_m)
        off = (depth_m - 2e-4) / 1e-4
        return cd + 0.012 * off, cl - 0.020 * off

    kinds = [Kind("p", deep, depth, balls=5) for depth in (1.5e-4, 2.0e-4, 2.5e-4)]
    scatter = Scatter(ball_cd=0.003, ball_cl=0.003)
    terms = parse_terms("1 S S^2 lnRe depth", "test")
    reduction = reduce(simulate(kinds, screens(), ONE_SHOT, scatter, 11), terms, terms)
    for places, true in zip(reduction.places(0), (0.012, -0.020), strict=True):
        place = places[[str(term) for term in terms].index("depth")]
        error = float(np.sqrt(reduction.common.covariance[place, place]))
        assert abs(reduction.common.mean[place] - true) < 2.5 * error and error < 0.004
    assert 0.0015 < reduction.common.ball_sd[0] < 0.006


def test_what_shots_do_not_determine_is_not_reported():
    # One spin at one speed: nothing is known of slopes in S or Re.
    firings = simulate(SIX, screens(), Programme((60.0,), (260.0,), 2), Scatter(), 12)
    rows = {(row.of, row.term): row for row in coefficient_rows(reduce(firings))}
    for key in (("cd", "S^2"), ("cd", "lnRe^2"), ("cl", "S*lnRe")):
        assert not rows[key].determined and rows[key].value is None


def test_a_misplaced_gate_shifts_drag_as_predicted():
    noise = Scatter(time_s=0.0, position_m=1e-3)
    firings = simulate(SIX, screens(), ONE_SHOT, noise, 13)
    reduction = reduce(firings)
    gate = next(gate for gate in gate_summaries(reduction, firings) if gate.gate == "G9")
    moved = simulate(SIX, screens(), ONE_SHOT, noise, 13)
    # The gate is 0.5 mm further than its file says: which its noise hides.
    moved.gates.loc[moved.gates["gate"] == "G9", "position_m"] -= 0.5e-3
    after = reduce(moved)
    assert not after.late_gates
    change = np.mean(shot_estimates(after).cd - shot_estimates(reduction).cd)
    assert change == pytest.approx(0.5 * gate.cd_per_mm, rel=0.1)


@pytest.mark.long
@pytest.mark.parametrize("ball_scatter", [0.002, 0.006])
def test_intervals_hold_the_truth(ball_scatter):
    """Of 20 ranges; 300 of each kind are run by benchmarks/range_coverage.py."""
    re, s = np.array([0.9e5, 1.3e5, 1.9e5]), np.array([0.2, 0.14, 0.09])
    true = np.array(quoted_ball(re, s, np.nan))
    held = []
    for seed in range(20):
        scatter = Scatter(ball_cd=ball_scatter, ball_cl=ball_scatter, bad_gates=0.02)
        reduction = reduce(simulate(SIX, screens(), ONE_SHOT, scatter, seed))
        draws = reduction.common.draws(400, 1)
        drawn = np.stack(reduction.coefficients(0, re, s, parameters=draws), axis=1)
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        held.append((low < true) & (true < high))
    # The six values of a range hang together, so that 20 ranges say little more than 20 values.
    assert 0.75 < np.mean(held) <= 1.0
