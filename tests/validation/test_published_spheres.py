"""The correlations against a reference library and printed values."""

from collections.abc import Callable

import fluids.drag
import numpy as np
import pytest

from pipeline.validation import published

REYNOLDS = np.array([1.0, 5.0, 20.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 1000.0])

REFERENCES = [
    (published.clift_grace_weber, fluids.drag.Clift),
    (published.morrison, fluids.drag.Morrison),
]


@pytest.mark.parametrize(("ours", "reference"), REFERENCES)
def test_drag_correlations_of_the_reference_library(ours: Callable, reference: Callable) -> None:
    expected = [reference(reynolds) for reynolds in REYNOLDS]
    np.testing.assert_allclose(ours(REYNOLDS), expected, rtol=1e-9)


@pytest.mark.parametrize(
    ("correlation", "values"),
    [
        # Brown & Lawler 2003; Schiller & Naumann 1933 [computed elsewhere from the stated formulas].
        (published.brown_lawler, [2.585, 1.516, 1.073, 0.895, 0.793, 0.726, 0.677]),
        (published.schiller_naumann, [2.610, 1.538, 1.092, 0.910, 0.806, 0.735, 0.684]),
    ],
)
def test_drag_correlations_as_printed(correlation: Callable, values: list[float]) -> None:
    reynolds = np.array([20.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0])
    np.testing.assert_allclose(correlation(reynolds), values, atol=6e-4)


def test_fits_of_spinning_spheres() -> None:
    # Loth 2008 [quoted], Re 100: 0.138, 0.258, 0.438; Oesterle & Bui Dinh 1998 [quoted], Re 100, S 1: 0.686;
    # Niazmand & Renksizbulut 2003 [source]: Cd 1.127, 1.147, 1.181 at Re 100, 0.724, 0.765, 0.834 at Re 300
    # [computed].
    spin = np.array([0.25, 0.5, 1.0])
    np.testing.assert_allclose(published.loth_lift(100.0, spin), [0.138, 0.258, 0.438], atol=5.1e-4)
    assert float(published.oesterle_bui_dinh_lift(100.0, 1.0)) == pytest.approx(0.686, abs=5e-4)
    drag = published.niazmand_renksizbulut_drag(np.array([[100.0], [300.0]]), spin)
    np.testing.assert_allclose(drag, [[1.127, 1.147, 1.181], [0.724, 0.765, 0.834]], atol=6e-4)
    # Bagchi & Balachandar 2002: 0.55 of Rubinow & Keller's 2 S [memory]; Niazmand: 0.11 at rest.
    np.testing.assert_allclose(published.bagchi_balachandar_lift(spin), 0.55 * 2.0 * spin)
    assert float(published.niazmand_renksizbulut_lift(0.0)) == pytest.approx(0.11)
