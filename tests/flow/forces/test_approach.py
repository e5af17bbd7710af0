"""Limits of synthetic histories, which are known, against what a run that is judged on the way claims."""

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.flow.forces.approach import limit_of
from pipeline.flow.forces.averaging import mean_of
from pipeline.flow.forces.verdict import MIN_ITERATIONS, verdict_of

SEEDS = 30
BETWEEN_LOOKS = 4
"""A run is judged once a second; the coarse mesh has three to five iterations a second."""


def ar1(rng: np.random.Generator, n: int, tau: float) -> np.ndarray:
    """Autoregressive noise of unit variance; tau = 1/2 + phi / (1 - phi) [computed], the process settled."""
    phi = (2 * tau - 1) / (2 * tau + 1)
    noise = rng.normal(size=n + 2000) * np.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], noise)[2000:]


def stop(history: np.ndarray, target: float) -> tuple[int, float, float] | None:
    """Iteration, value and standard error at which a run with that history stops; None if it does not."""
    count = MIN_ITERATIONS
    while count <= len(history):
        mean = mean_of(history[:count])
        if verdict_of(mean, target) == "settled":
            return count, mean.value, mean.standard_error
        count += max(BETWEEN_LOOKS, count // 50)
    return None


def stops(kind: str, target: float) -> list[tuple[int, float, float]]:
    """Where runs of a kind stop; the limit of all of them is 0."""
    t = np.arange(2400)
    found = []
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        history = {
            "approach": lambda rng=rng: 0.1 * np.exp(-t / 80) + 0.001 * rng.normal(size=len(t)),
            "slow approach": lambda rng=rng: 0.03 * np.exp(-t / 200) + 0.001 * rng.normal(size=len(t)),
            "two approaches": lambda rng=rng: 0.1 * np.exp(-t / 30) + 0.03 * np.exp(-t / 120),
            "damped swaying": lambda rng=rng: (
                0.05 * np.exp(-t / 60) * np.cos(2 * np.pi * t / 90) + 0.0005 * ar1(rng, len(t), 5)
            ),
            "noise": lambda rng=rng: ar1(rng, len(t), 10),
        }[kind]()
        at = stop(history, target)
        if at is not None:
            found.append(at)
    return found


@pytest.mark.parametrize(
    ("kind", "target", "latest"),
    [
        # 0.1 off, a time of 80, noise of 0.001: of the error asked for after 80 ln(0.1 / 0.003) = 281.
        ("approach", 0.003, 400),
        ("approach", 0.001, 600),
        ("slow approach", 0.003, 600),
        ("two approaches", 0.003, 450),
        ("damped swaying", 0.003, 300),
        # The standard error of 2 tau / n is 0.3 after 222 samples.
        ("noise", 0.3, 700),
    ],
)
def test_what_a_run_claims_when_it_stops_is_so(kind: str, target: float, latest: int) -> None:
    found = np.array(stops(kind, target))
    assert len(found) == SEEDS
    assert np.median(found[:, 0]) < latest
    held = np.abs(found[:, 1]) <= 1.96 * found[:, 2]
    assert held.mean() >= 0.9  # of 95 % intervals, with 30 seeds


def test_intervals_of_slow_noise_hold_its_mean() -> None:
    # Twenty correlation times: few, and a run of noise that looks like an approach now and then.
    means = [mean_of(ar1(np.random.default_rng(seed), 1000, 50)) for seed in range(SEEDS)]
    assert np.mean([abs(mean.value) <= 1.96 * mean.standard_error for mean in means]) >= 0.9


@pytest.mark.parametrize("drift", [4.0, 8.0])
def test_a_drift_never_stops_a_run(drift: float) -> None:
    # Over the history, in standard deviations of its noise; without it the target is met after 45 samples.
    settled = 0
    for seed in range(SEEDS):
        history = drift * np.arange(400) / 400 + np.random.default_rng(seed).normal(size=400)
        settled += stop(history, 0.15) is not None
    assert settled <= 1


def test_the_limit_of_an_approach_without_noise() -> None:
    # x = L + A exp(-t / T), exactly; between two nodes of the grid of T there is an error that it must know.
    for time in (20.0, 50.0, 77.0):
        found = limit_of(0.28 + 0.2 * np.exp(-np.arange(200) / time))
        assert found.steady < 1e-6
        assert abs(found.mean[1] - 0.28) <= 2 * np.sqrt(found.variance[1])
        left = -0.2 * np.exp(-199 / time)
        assert found.remaining == pytest.approx(left, rel=0.1, abs=2 * np.sqrt(found.variance[1]))


def test_white_noise_is_steady_and_has_the_textbook_error() -> None:
    # Uncorrelated samples: SE = sigma / sqrt(n).
    found = [limit_of(np.random.default_rng(seed).normal(size=400)) for seed in range(20)]
    assert np.mean([limit.steady for limit in found]) > 0.8
    errors = [np.sqrt(limit.variance[0]) for limit in found]
    assert np.mean(errors) == pytest.approx(1 / 20, rel=0.2)


def test_a_limit_needs_samples() -> None:
    with pytest.raises(ValueError, match="at least 5"):
        limit_of(np.zeros(4))
