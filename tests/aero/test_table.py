"""Interpolation of coefficient tables against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.errors import InputError

REYNOLDS = np.array([5e4, 9e4, 1.3e5, 2.1e5])
SPIN_RATIO = np.array([0.05, 0.1, 0.25])


def bilinear(reynolds, spin_ratio, a, b, c, d):
    """A function that is bilinear in log Re and S, so that the interpolation must reproduce it everywhere."""
    log_re = np.log(np.asarray(reynolds) / 1e5)
    s = np.asarray(spin_ratio)
    return a + b * log_re + c * s + d * log_re * s


def table_of(function, **more) -> CoefficientTable:
    grid = function(REYNOLDS[:, None], SPIN_RATIO[None, :])
    return CoefficientTable(REYNOLDS, SPIN_RATIO, grid, 2 * grid, **more)


@settings(deadline=None)
@given(
    st.floats(5e4, 2.1e5), st.floats(0.05, 0.25), st.tuples(st.floats(0.3, 1.2), *[st.floats(-0.2, 0.2)] * 3)
)
def test_bilinear_function_is_reproduced_between_the_nodes(reynolds, spin_ratio, parameters):
    at = table_of(lambda re, s: bilinear(re, s, *parameters)).at(reynolds, spin_ratio)
    expected = bilinear(reynolds, spin_ratio, *parameters)
    assert at.cd == pytest.approx(expected, abs=1e-12)
    assert at.cl == pytest.approx(2 * expected, abs=1e-12)
    assert not at.outside


def test_nodes_are_reproduced_exactly():
    rng = np.random.default_rng(3)
    cd, cl, cm = rng.uniform(0.1, 0.5, (3, 4, 3)) * np.array([1.0, 1.0, -1.0])[:, None, None]
    at = CoefficientTable(REYNOLDS, SPIN_RATIO, cd, cl, cm).at(REYNOLDS[:, None], SPIN_RATIO[None, :])
    assert np.array_equal(at.cd, cd) and np.array_equal(at.cl, cl) and np.array_equal(at.cm, cm)
    assert not at.outside.any()


def test_below_the_lowest_spin_ratio_lift_falls_linearly_to_zero_and_drag_stays():
    cd, cl, cm = np.full((4, 3), 0.3), np.full((4, 3), 0.2), np.full((4, 3), -0.002)
    table = CoefficientTable(REYNOLDS, SPIN_RATIO, cd, cl, cm)
    at = table.at(1e5, [0.0, 0.02, 0.05])
    assert at.cl == pytest.approx([0.0, 0.2 * 0.02 / 0.05, 0.2])
    assert at.cm == pytest.approx([0.0, -0.002 * 0.02 / 0.05, -0.002])
    assert at.cd == pytest.approx([0.3, 0.3, 0.3])
    assert at.outside.tolist() == [True, True, False]


def test_outside_the_grid_the_edge_is_used_and_flagged():
    table = table_of(lambda re, s: bilinear(re, s, 0.3, 0.1, 0.5, 0.0))
    at = table.at([1e4, 5e4, 1e6, 1e5], [0.1, 0.1, 0.1, 0.9])
    assert at.cd[0] == pytest.approx(at.cd[1])
    assert at.cd[2] == pytest.approx(bilinear(2.1e5, 0.1, 0.3, 0.1, 0.5, 0.0))
    assert at.cd[3] == pytest.approx(bilinear(1e5, 0.25, 0.3, 0.1, 0.5, 0.0))
    assert at.outside.tolist() == [True, False, True, True]


def test_one_node_is_a_constant():
    at = CoefficientTable([1e5], [0.0], [[0.5]], [[0.1]]).at([1e3, 1e5, 1e6], [0.0, 0.0, 0.3])
    assert at.cd == pytest.approx(0.5, rel=1e-15) and at.cl == pytest.approx(0.1, rel=1e-15)
    assert at.outside.tolist() == [True, False, True]
    assert np.isnan(at.cm).all()


def test_draws_scatter_by_the_standard_errors():
    cd_se, cl_se = np.full((4, 3), 0.004), np.zeros((4, 3))
    cl_se[1, 2] = 0.02
    table = table_of(lambda re, s: bilinear(re, s, 0.3, 0, 0, 0), cd_se=cd_se, cl_se=cl_se)
    drawn = table.at_draws(np.random.default_rng(1), 4000).values[:, :, 1:, :]  # without the column at rest
    # Standard error of a standard deviation: sigma / sqrt(2 n), here 1.1 %; 24 of them are looked at.
    assert drawn[..., 0].std(axis=0, ddof=1) == pytest.approx(np.full((4, 3), 0.004), rel=0.045)
    assert drawn[..., 1].std(axis=0, ddof=1)[1, 2] == pytest.approx(0.02, rel=0.045)
    assert np.ptp(drawn[:, 0, 0, 1]) == 0
    correlation = np.corrcoef(drawn[:, 0, 0, 0], drawn[:, 2, 1, 0])[0, 1]
    assert abs(correlation) < 4 / np.sqrt(4000)


def test_drawn_drag_is_never_negative():
    table = CoefficientTable([1e5], [0.1], [[0.1]], [[0.1]], cd_se=[[1.0]])
    assert table.at_draws(np.random.default_rng(1), 100).values[..., 0].min() == 0.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"reynolds": [2e5, 1e5]}, "reynolds: must be finite, positive and increasing"),
        ({"reynolds": [1e5, 1e5]}, "reynolds: must be finite, positive and increasing"),
        ({"reynolds": [0.0, 1e5]}, "reynolds: must be finite, positive and increasing"),
        ({"spin_ratio": [-0.1, 0.1]}, "spin_ratio: must be finite, not negative and increasing"),
        ({"spin_ratio": []}, "spin_ratio: needs a list of at least one number"),
        ({"cd": [[0.3, 0.3]]}, "cd: has shape (1, 2); 2 Reynolds numbers and 2 spin ratios need (2, 2)"),
        ({"cl": [[0.1, np.nan], [0.1, 0.1]]}, "cl at reynolds 100000, spin_ratio 0.2: is nan"),
        (
            {"cd": [[0.3, 0.3], [0.3, 2e4]]},
            "cd at reynolds 200000, spin_ratio 0.2: is 20000; a number from 0 to",
        ),
        ({"cl": [[1e300, 0.3], [0.3, 0.3]]}, "spin_ratio 0.1: is 1e+300; a number from -3 to 3 is needed"),
        (
            {"cm": [[-0.01, 0.01], [0.0, 0.0]]},
            "cm at reynolds 100000, spin_ratio 0.2: is 0.01; a number from",
        ),
        ({"cd_se": [[-0.1, 0.1], [0.0, 0.0]]}, "is -0.1; a standard error from 0 up is needed"),
        ({"cl_se": [[0.1, 0.1], [np.inf, 0.1]]}, "cl_se at reynolds 200000, spin_ratio 0.1: is inf"),
    ],
)
def test_bad_tables_are_refused(change, message):
    good = {"reynolds": [1e5, 2e5], "spin_ratio": [0.1, 0.2], "cd": np.full((2, 2), 0.3)}
    good["cl"] = good["cd"]
    with pytest.raises(InputError) as error:
        CoefficientTable(**(good | change))
    assert message in str(error.value) and "\n" not in str(error.value)


def test_a_batch_needs_one_grid():
    one = CoefficientTable([1e5], [0.1], [[0.3]], [[0.1]])
    other = CoefficientTable([1e5], [0.2], [[0.3]], [[0.1]])
    with pytest.raises(InputError, match="same Reynolds numbers and spin ratios"):
        TableBatch.of([one, other])
    with pytest.raises(InputError, match="at least one"):
        TableBatch.of([])
