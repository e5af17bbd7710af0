"""Statistics of force histories against exact results for the AR(1) process."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from pipeline.flow.forces.averaging import autocorrelation_time, mean_of, mser5_cut, standard_error

PHI, N = 0.9, 1000


def ar1(seed: int, n: int = N, phi: float = PHI) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(size=n + 500) * np.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], noise)[500:]


def test_standard_error_of_ar1() -> None:
    # AR(1), phi 0.9, sigma 1, n 1000: SE 0.13719 exactly, from Var(mean) = (sigma^2/n) ((1+phi)/(1-phi)
    # - 2 phi (1-phi^n) / (n (1-phi)^2)) [computed]. Root mean square over seeds: the error's square is
    # what an estimator can be unbiased for.
    exact = np.sqrt((1 + PHI) / (1 - PHI) / N - 2 * PHI * (1 - PHI**N) / (N * (1 - PHI)) ** 2)
    assert exact == pytest.approx(0.13719, abs=5e-6)
    estimates = [standard_error(ar1(seed))[0] for seed in range(200)]
    assert np.sqrt(np.mean(np.square(estimates))) == pytest.approx(exact, rel=0.05)


def test_autocorrelation_time_of_ar1() -> None:
    # tau = 1/2 + phi / (1 - phi) = 9.5 [computed]; on a long series the window's truncation bias is small.
    assert np.mean([autocorrelation_time(ar1(seed, 20000)) for seed in range(20)]) == pytest.approx(
        9.5, rel=0.05
    )


def test_mean_of_ar1_is_covered_and_settled() -> None:
    means = [mean_of(ar1(seed)) for seed in range(200)]
    assert np.mean([abs(mean.value) < 1.96 * mean.standard_error for mean in means]) > 0.85
    assert sum(mean.drifting for mean in means) <= 4


def test_white_noise_has_the_textbook_error() -> None:
    # Uncorrelated samples: SE = sigma / sqrt(n).
    samples = np.random.default_rng(3).normal(size=4000)
    error, tau = standard_error(samples)
    assert tau == pytest.approx(0.5, abs=0.1)
    assert error == pytest.approx(1 / np.sqrt(4000), rel=0.12)


@pytest.mark.parametrize("slope", [2e-3, -5e-4])
def test_a_drifting_history_is_called_drifting(slope: float) -> None:
    history = 0.3 + slope * np.arange(400) + 0.01 * ar1(5, 400, 0.5)
    mean = mean_of(history)
    assert mean.drifting
    assert mean.standard_error > 10 * abs(slope)


def test_an_initial_transient_is_cut() -> None:
    steady = 0.01 * ar1(7, 600, 0.5)
    history = steady + 2.0 * np.exp(-np.arange(600) / 20.0)
    mean = mean_of(history)
    assert 60 < mean.cut < 300
    assert abs(mean.value) < 3 * mean.standard_error + 1e-3


def test_an_exponential_approach_is_bounded_by_its_error() -> None:
    # A steady solver's history approaches its limit without noise; the error must not hide what is left.
    history = 0.28 + 0.2 * np.exp(-np.arange(400) / 50.0)
    mean = mean_of(history)
    assert abs(mean.value - 0.28) <= mean.standard_error


def test_mser_needs_enough_samples() -> None:
    with pytest.raises(ValueError, match="at least 20"):
        mser5_cut(np.zeros(19))


@given(st.floats(-5, 5), st.floats(0.1, 10), st.integers(0, 50))
def test_mean_and_error_follow_shift_and_scale(shift: float, scale: float, seed: int) -> None:
    history = ar1(seed, 200, 0.6)
    plain, changed = mean_of(history), mean_of(shift + scale * history)
    assert changed.value == pytest.approx(shift + scale * plain.value, abs=1e-9)
    assert changed.standard_error == pytest.approx(scale * plain.standard_error, rel=1e-6)


def test_a_constant_history_has_no_error() -> None:
    mean = mean_of(np.full(300, 0.28))
    assert mean.value == pytest.approx(0.28, abs=1e-14)
    assert mean.standard_error < 1e-14
    assert not mean.drifting
