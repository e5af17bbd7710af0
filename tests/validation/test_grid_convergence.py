"""The procedure of Celik et al. 2008 against its worked examples, and against planted orders."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.validation.grid_convergence import grid_convergence

# Celik et al. 2008, J. Fluids Eng. 130:078001, sample calculations [quoted, results computed]: refinement
# ratios, values on the fine, medium and coarse mesh, order, extrapolated value, GCI in %.
EXAMPLES = [
    pytest.param((1.5, 4 / 3), (6.063, 5.972, 5.863), (1.534, 6.1685, 2.175), id="monotonic"),
    pytest.param((2.0, 15 / 7), (10.788, 10.725, 10.605), (0.7519, 10.8801, 1.067), id="monotonic, p < 1"),
    pytest.param((2.0, 15 / 7), (6.0042, 5.9624, 6.0909), (1.5077, 6.02687, 0.472), id="oscillatory"),
]


@pytest.mark.parametrize(("ratios", "values", "expected"), EXAMPLES)
def test_worked_examples(ratios: tuple, values: tuple, expected: tuple) -> None:
    found = grid_convergence((1.0, ratios[0], ratios[0] * ratios[1]), values)
    order, extrapolated, gci_pct = expected
    assert found.order == pytest.approx(order, rel=5e-4)
    assert found.extrapolated == pytest.approx(extrapolated, rel=1e-5)
    assert 100 * found.gci == pytest.approx(gci_pct, rel=1e-3)


def test_the_oscillatory_example_is_known_as_one() -> None:
    found = [
        grid_convergence((1.0, 1.5, 2.0), values)
        for values in ((6.063, 5.972, 5.863), (6.0042, 5.9624, 6.0909))
    ]
    assert [result.oscillatory for result in found] == [False, True]


def test_an_order_above_that_of_the_scheme_is_not_used() -> None:
    # 0.2569, 0.2439, 0.2435 would be of order 9.9. With the scheme's 2, r21 = 1.4: 0.2435 - 0.0004 / 0.96.
    values = (0.2435, 0.2439, 0.2569)
    found = grid_convergence((1.0, 1.4, 1.96), values, highest_order=2.0)
    assert found.order == pytest.approx(np.log(0.0130 / 0.0004) / np.log(1.4), rel=1e-6)
    assert found.extrapolated == pytest.approx(0.2435 - 0.0004 / 0.96, abs=1e-9)
    assert found.gci == pytest.approx(1.25 * (0.0004 / 0.2435) / 0.96, rel=1e-6)
    assert grid_convergence((1.0, 1.4, 1.96), values).gci < 0.05 * found.gci


def test_errors_of_the_first_example() -> None:
    # As the paper defines them: |(6.063 - 5.972) / 6.063| and |(6.1685 - 6.063) / 6.1685| [computed].
    found = grid_convergence((1.0, 1.5, 2.0), (6.063, 5.972, 5.863))
    assert found.approximate_error == pytest.approx(0.0150, abs=5e-5)
    assert found.extrapolated_error == pytest.approx(0.0171, abs=5e-5)


@given(
    exact=st.floats(0.5, 5.0),
    slope=st.floats(0.01, 0.2) | st.floats(-0.2, -0.01),
    order=st.floats(0.5, 4.0),
    r21=st.floats(1.2, 2.2),
    r32=st.floats(1.2, 2.2),
)
def test_a_planted_order_is_recovered(
    exact: float, slope: float, order: float, r21: float, r32: float
) -> None:
    sizes = np.array([1.0, r21, r21 * r32]) / (r21 * r32)
    found = grid_convergence(tuple(sizes), tuple(exact + slope * sizes**order))
    assert found.order == pytest.approx(order, rel=1e-5)
    assert found.extrapolated == pytest.approx(exact, rel=1e-6)
    assert not found.oscillatory
    # The index is the safety factor times the distance to the exact value, over the fine mesh's value.
    fine = exact + slope * sizes[0] ** order
    assert found.gci == pytest.approx(1.25 * abs((exact - fine) / fine), rel=1e-4)


@pytest.mark.parametrize(
    ("sizes", "values", "message"),
    [
        ((1.0, 1.0, 2.0), (1.0, 1.1, 1.2), "must grow"),
        ((1.0, 1.5, 2.0), (1.0, 1.0, 1.2), "same value"),
        ((1.0, 1.1, 5.0), (1.0, 1.1, 1.100001), "no order"),
    ],
)
def test_what_has_no_order_is_refused(sizes: tuple, values: tuple, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        grid_convergence(sizes, values)
