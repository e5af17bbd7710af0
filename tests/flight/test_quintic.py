"""Interpolation over one step of a flight."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.flight.quintic import falling_between

slopes = st.floats(-1e3, 0.0)


@given(st.floats(1e-6, 1e3), st.floats(0.0, 1.0), slopes, slopes, st.floats(1e-3, 0.5))
def test_a_falling_quantity_never_rises(first, share, d0, d1, step):
    last = share * first
    t = np.linspace(0.0, 1.0, 101)
    between = falling_between.py_func(first, d0, last, d1, step, t)
    assert between[0] == first and between[-1] == last
    assert (np.diff(between) <= 1e-12 * first).all()


def test_a_cubic_that_falls_is_found_again():
    # f = 5 - t - t^3 over a step of 0.4, whose slopes are within the bound.
    t = np.linspace(0.0, 1.0, 11)
    f = 5.0 - t - t**3
    between = falling_between.py_func(f[0], -1.0 / 0.4, f[-1], -4.0 / 0.4, 0.4, t)
    assert np.allclose(between, f, rtol=0.0, atol=1e-14)
