"""Knowledge gradient against its closed form."""

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.decide.next_runs import expected_gain


@pytest.mark.parametrize(("behind", "noise"), [(0.0, 0.0), (1.0, 0.0), (1.0, 2.0)])
def test_one_uncertain_candidate_against_a_known_one(behind, noise):
    # Observing one of two candidates, N(-behind, 2), the other known to be 0: the gain is s f(-behind / s)
    # with f(z) = z Phi(z) + phi(z) and s = 2^2 / sqrt(2^2 + noise^2) (Frazier et al. 2009, equation 4.1
    # [memory]).
    draws = np.zeros((2, 20000))
    draws[1] = np.random.default_rng(1).normal(-behind, 2.0, 20000)
    s = 4.0 / np.sqrt(4.0 + noise**2)
    z = -behind / s
    expected = s * (z * norm.cdf(z) + norm.pdf(z))
    found = expected_gain(np.array([0.0, -behind]), draws, draws[1:], np.array([noise]), 0.0)
    assert found == pytest.approx(expected, rel=0.08)


def test_an_error_that_all_share_gains_nothing():
    shared = np.random.default_rng(2).normal(0, 3.0, 500)
    draws = np.array([200.0, 199.0])[:, None] + shared
    assert expected_gain(np.array([200.0, 199.0]), draws, draws[:1], np.array([0.1]), 200.0) == pytest.approx(
        0.0, abs=1e-9
    )
