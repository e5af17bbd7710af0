"""Verdicts on force histories."""

import numpy as np
import pytest

from pipeline.flow.forces.plausible import plausible_bounds
from pipeline.flow.forces.verdict import judge

TARGETS = {"cd": 0.001, "cl": 0.002}


def history(n: int, cd: np.ndarray | float = 0.28, cl: np.ndarray | float = 0.15) -> dict[str, np.ndarray]:
    zero = np.zeros(n)
    return {"cd": zero + cd, "cl": zero + cl, "cs": zero, "cm": zero}


def test_a_steady_history_is_settled() -> None:
    noise = np.random.default_rng(0).normal(size=(2, 400)) * 0.003
    assert judge(history(400, 0.28 + noise[0], 0.15 + noise[1]), TARGETS).verdict == "settled"


def test_a_scattered_history_is_noisy() -> None:
    noise = np.random.default_rng(0).normal(size=400) * 0.2
    assert judge(history(400, 0.28 + noise), TARGETS).verdict == "noisy"


def test_a_moving_history_is_drifting() -> None:
    assert judge(history(400, 0.28 + 1e-4 * np.arange(400)), TARGETS).verdict == "drifting"


def test_only_lift_out_of_target_is_not_settled() -> None:
    noise = np.random.default_rng(1).normal(size=400) * 0.2
    assert judge(history(400, cl=0.15 + noise), TARGETS).verdict == "noisy"


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e6])
def test_not_finite_or_out_of_bounds_is_diverged(bad: float) -> None:
    cd = np.full(300, 0.28)
    cd[-1] = bad
    judgement = judge(history(300, cd), TARGETS)
    assert judgement.verdict == "diverged"
    assert judgement.means == {}


def test_a_wild_start_does_not_overflow() -> None:
    # Squares of 1e200 are infinite: means and errors were not numbers, which no JSON file holds.
    rng = np.random.default_rng(4)
    cd = 0.28 + 0.003 * rng.normal(size=400)
    cd[:10] = 1e200
    for count in (120, 400):
        judgement = judge(history(count, cd[:count]), TARGETS)
        assert all(np.isfinite([mean.value, mean.standard_error]).all() for mean in judgement.means.values())
        assert all(mean.standard_error >= 0 for mean in judgement.means.values())
    assert judgement.verdict == "settled"


@pytest.mark.parametrize(
    ("reynolds", "spin_ratio", "cd", "cl", "said"),
    [
        (1e5, 0.1, -25.0, 46.0, "Cd -25 is outside 0.05 to 2, Cl 46 is outside -1.5 to 1.5"),
        (1e5, 0.1, 0.5, -1.6, "Cl -1.6 is outside -1.5 to 1.5"),
        (1e5, 0.1, 2.5, 0.1, "Cd 2.5 is outside 0.05 to 2"),
        # Smooth spheres just above and below the drag crisis (Achenbach 1972 [memory]), reverse lift.
        (4e5, 0.0, 0.07, 0.0, ""),
        (1e5, 0.3, 0.50, -0.3, ""),
        # [computed] Clift, Grace & Weber 1978, table 5.2: a sphere at Re 1 (`published.clift_grace_weber`).
        (1.0, 0.0, 28.6, 0.0, ""),
        (1.0, 0.0, 100.0, 0.0, "Cd 100 is outside 0.05 to 82.8"),
        # Rubinow & Keller 1961: Cl = 2 S at low Reynolds numbers.
        (1.0, 1.5, 28.6, 3.0, ""),
    ],
)
def test_means_that_are_no_flow_around_a_ball(
    reynolds: float, spin_ratio: float, cd: float, cl: float, said: str
) -> None:
    judgement = judge(history(400, cd, cl), TARGETS, plausible_bounds(reynolds, spin_ratio))
    assert judgement.reason == said
    assert judgement.verdict == ("implausible" if said else "settled")
    assert judgement.at_targets


def creep(count: int) -> np.ndarray:
    """The end of an approach to 0.15 with a time of 60 iterations, without noise."""
    return 0.15 - 0.05 * np.exp(-np.arange(count) / 60)


def test_targets_met_by_a_long_extrapolation_are_drifting() -> None:
    cl = creep(160)
    judgement = judge(history(160, cl=cl), TARGETS | {"cl": 0.02})
    # It moves by 0.0044 over the last 50 iterations and has 0.0035 to go: the error holds that [computed].
    mean = judgement.means["cl"]
    assert mean.change == pytest.approx(cl[-10:].mean() - cl[-60:-50].mean(), abs=1e-12)
    assert mean.remaining == pytest.approx(0.05 * np.exp(-159 / 60), rel=0.3)
    assert mean.standard_error >= mean.change
    assert judgement.verdict == "settled"
    assert judge(history(160, cl=cl), TARGETS).verdict == "drifting"
    # A straight climb has no limit: the farther it is fitted to lie, the less it is believed.
    climb = history(160, cl=0.1 + 1e-5 * np.arange(160))
    assert judge(climb, TARGETS | {"cl": 0.001}).verdict == "drifting"


def test_a_history_that_has_turned_round_has_changed() -> None:
    cl = 0.15 + 0.02 * np.cos(np.pi * (np.arange(200) - 170) / 60)
    mean = judge(history(200, cl=cl), TARGETS).means["cl"]
    # Ends where it was 50 iterations before, by way of a crest 0.02 (1 - cos 75 deg) above [computed].
    assert abs(mean.change) > 0.01


def test_no_error_far_below_its_target_is_claimed() -> None:
    noise = np.random.default_rng(0).normal(size=(2, 400)) * 1e-6
    means = judge(history(400, 0.28 + noise[0], 0.15 + noise[1]), TARGETS).means
    assert {name: means[name].standard_error for name in TARGETS} == pytest.approx(
        {name: target / 3 for name, target in TARGETS.items()}
    )


def test_few_iterations_are_not_judged() -> None:
    assert judge(history(50), TARGETS).verdict == "short"


def test_a_cycle_is_oscillating() -> None:
    cd = 0.28 + 0.1 * np.sin(2 * np.pi * np.arange(500) / 120)
    noise = np.random.default_rng(2).normal(size=500) * 0.02
    judgement = judge(history(500, cd + noise), TARGETS)
    assert judgement.verdict == "oscillating"
    assert judgement.means["cd"].period == pytest.approx(120, rel=0.1)


def test_a_slow_wandering_is_no_cycle() -> None:
    # An AR(1) process has no line in its spectrum, however long its memory.
    rng = np.random.default_rng(3)
    cycles = 0
    for _ in range(100):
        series = np.zeros(800)
        for i, step in enumerate(rng.normal(size=799)):
            series[i + 1] = 0.97 * series[i] + step
        cycles += judge(history(800, 0.28 + 0.05 * series), TARGETS).verdict == "oscillating"
    assert cycles <= 3
