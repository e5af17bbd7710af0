"""Runs that a study chooses itself: where they lie, what they are chosen for, and when it stops."""

import math

import numpy as np
import pytest
from decide.simulated_studies import TARGETS, SimulatedStudy
from scipy.stats import norm

from pipeline.aero.table import padded
from pipeline.decide.batch import REPEATED, Belief, choose, expected_regret
from pipeline.decide.design import SAME, first_design, positions
from pipeline.decide.policy import CHECK, KNOWN, WORTHLESS, first_round, next_round
from pipeline.decide.product import Product
from pipeline.decide.state import DECIDED, State
from pipeline.study.points import RunPoint

DRAWS = 4000


@pytest.fixture(scope="module")
def study() -> SimulatedStudy:
    return SimulatedStudy(102)


def two_depths(gap_m: float, sd_m: float) -> tuple[Product, dict[str, Belief]]:
    """Two patterns of one depth each, worth what drag at one condition says; their beliefs are Gaussian."""
    rng = np.random.default_rng(1)
    depth, re, s = np.array([1e-4, 3e-4]), np.array([8e4, 1.6e5]), np.array([0.1, 0.3])
    beliefs, draws = {}, {}
    for name in ("a", "b"):
        cd = rng.standard_normal((DRAWS, 2, 2)) * 0.02 + 0.25
        tables = np.stack([cd, np.full_like(cd, 0.2), np.zeros_like(cd)], axis=-1)
        beliefs[name] = Belief(depth, padded(re, s, np.concatenate([tables, tables]), has_cm=False))
        draws[name] = -(cd[:, 0, 0] - 0.25)[None] * sd_m / 0.02
    grid = {name: np.array([2e-4]) for name in beliefs}
    value = {"a": np.array([100.0 + gap_m]), "b": np.array([100.0])}
    drawn = {name: value[name][:, None] + draws[name] for name in beliefs}
    return Product(grid, value, drawn, drawn), beliefs


def test_expected_regret_of_two_normal_values() -> None:
    # E max(v_b - v_a, 0) with a standard deviation s of the difference: s phi(z) - d (1 - Phi(z)), z = d / s
    # (expected improvement: Jones et al. 1998, J. Global Optim. 13, equation 15 [memory]).
    of, _ = two_depths(1.0, 2.0)
    spread = 2.0 * math.sqrt(2.0)
    expected = spread * norm.pdf(1.0 / spread) - 1.0 * (1.0 - norm.cdf(1.0 / spread))
    assert expected_regret(of) == pytest.approx(expected, rel=0.05)


def test_a_run_explains_its_share_of_the_difference() -> None:
    of, beliefs = two_depths(0.0, 2.0)
    at = RunPoint("a", 2e-4, 8e4, 0.1)
    elsewhere = RunPoint("a", 2e-4, 1.6e5, 0.3)
    chosen = choose(of, beliefs, [elsewhere, at], [1.0, 1.0], (0.001, 0.002), 2)
    assert chosen[0].point == at
    # Half of the variance of the difference is pattern a's, but for the run's own noise.
    noise = 0.001**2 + REPEATED[0] ** 2
    share = 0.5 / (1.0 + noise / 0.02**2)
    assert chosen[0].gain_m == pytest.approx(share * expected_regret(of), rel=0.05)
    # The other says nothing of what the value is made of.
    assert all(offer.gain_m < 0.02 * chosen[0].gain_m for offer in chosen[1:])


def test_a_second_run_at_the_same_place_is_worth_little_and_a_dear_one_waits() -> None:
    of, beliefs = two_depths(0.0, 2.0)
    same = [RunPoint("a", 2e-4, 8e4, 0.1), RunPoint("a", 2.01e-4, 8e4, 0.1), RunPoint("b", 2e-4, 8e4, 0.1)]
    chosen = choose(of, beliefs, same, [1.0, 1.0, 1.0], (0.001, 0.002), 3)
    assert {offer.point.pattern for offer in chosen[:2]} == {"a", "b"}
    assert chosen[-1].gain_m < 0.05 * chosen[0].gain_m if len(chosen) == 3 else True
    dear = choose(of, beliefs, same, [1.0, 1.0, 5.0], (0.001, 0.002), 1)
    assert dear[0].point.pattern == "a"


def test_the_first_design_covers_what_flights_pass_through(study: SimulatedStudy) -> None:
    points = first_design(study.space, 12)
    assert len(points) == 36
    assert len(set(points)) == 36
    for name, ends in study.space.depth_m.items():
        own = [point for point in points if point.pattern == name]
        assert (min(point.depth_m for point in own), max(point.depth_m for point in own)) == pytest.approx(
            ends
        )
        inside = study.space.region.nearest(
            [point.reynolds for point in own], [point.spin_ratio for point in own]
        )[2]
        assert inside.all()
        everywhere = positions(study.space.filled(name, 1000, 5))
        gaps = np.sqrt(((everywhere[:, None] - positions(own)) ** 2).sum(axis=2)).min(axis=1)
        random = positions(study.space.filled(name, 12, 7))
        of_random = np.sqrt(((everywhere[:, None] - random) ** 2).sum(axis=2)).min(axis=1)
        assert gaps.max() < of_random.max()


def test_a_budget_makes_the_first_design_smaller(study: SimulatedStudy) -> None:
    whole = first_round(study.space, study.price, math.inf)
    price = sum(choice.price_s for choice in whole)
    assert sum(choice.price_s for choice in first_round(study.space, study.price, 0.5 * price)) <= 0.5 * price
    assert first_round(study.space, study.price, 1.0) == []


def test_rounds_check_the_first_design_then_stop_when_two_decisions_agree(study: SimulatedStudy) -> None:
    points = [choice.point for choice in first_round(study.space, study.price, math.inf)]
    found = study.decide(points)
    sure = State(DECIDED, found.state.pattern, found.state.depth_m, 0.99, [""])
    rest = (study.price, TARGETS, math.inf)
    chosen, why = next_round(study.space, points, sure, found.of, found.beliefs, None, *rest)
    assert why == ""
    assert any(choice.why == CHECK for choice in chosen)
    assert {choice.point.round for choice in chosen} == {1}
    assert not {choice.point for choice in chosen} & set(points)
    for choice in chosen:
        if choice.why == CHECK:
            assert all(
                choice.point.apart(other) > SAME for other in points if other.pattern == choice.point.pattern
            )
    named = (sure.pattern, sure.depth_m)
    assert next_round(study.space, points, sure, found.of, found.beliefs, named, *rest) == ([], KNOWN)
    # Another depth, yards away, was named before: not known yet.
    pattern = min(found.of.value_m, key=lambda name: found.of.value_m[name].max())
    worst = float(found.of.depth_m[pattern][int(found.of.value_m[pattern].argmin())])
    again, _ = next_round(study.space, points, sure, found.of, found.beliefs, (pattern, worst), *rest)
    assert again


def test_a_budget_is_never_passed(study: SimulatedStudy) -> None:
    points = [choice.point for choice in first_round(study.space, study.price, math.inf)]
    found = study.decide(points)
    for budget in (0.0, 60.0, 200.0):
        chosen, _ = next_round(
            study.space, points, *found, None, study.price, TARGETS, budget, until_decided=False
        )
        assert sum(choice.price_s for choice in chosen) <= budget


def test_nothing_is_chosen_where_nothing_can_be_gained(study: SimulatedStudy) -> None:
    of, beliefs = two_depths(50.0, 0.01)
    state = State("run more", "a", 2e-4, 1.0, [""])
    chosen, why = next_round(study.space, [], state, of, beliefs, ("a", 2e-4), study.price, TARGETS, math.inf)
    assert (chosen, why) == ([], WORTHLESS)


@pytest.mark.long
def test_a_simulated_study_is_decided_right_in_rounds() -> None:
    wrong = 0
    for seed in (500, 501, 502, 503):
        simulated = SimulatedStudy(seed)
        points = [choice.point for choice in first_round(simulated.space, simulated.price, math.inf)]
        before = None
        for _ in range(8):
            found = simulated.decide(points)
            chosen, _ = next_round(
                simulated.flown_space(found), points, *found, before, simulated.price, TARGETS, math.inf
            )
            before = (found.state.pattern, found.state.depth_m)
            if not chosen:
                break
            points = points + [choice.point for choice in chosen]
        wrong += not simulated.right(found.state)
    assert wrong <= 1
