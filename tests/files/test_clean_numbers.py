"""Numbers of JSON and CSV files: rounding errors go, all else stays to the last bit."""

import math

import numpy as np
import pandas as pd
import pytest

from pipeline.files.clean_numbers import clean, clean_csv, clean_json


@pytest.mark.parametrize(
    ("value", "right"),
    [
        (0.00011000000000000002, 0.00011),
        (0.00021999999999999998, 0.00022),
        (0.1 + 0.2, 0.3),
        (math.degrees(math.radians(12.0)), 12.0),
        (0.9999999999999997, 1.0),
        (-45.900000000000006, -45.9),
        (0.0, 0.0),
        (5e-324, 5e-324),
    ],
)
def test_rounding_errors_go(value: float, right: float) -> None:
    assert clean(value) == right


def test_what_has_more_digits_stays_to_the_last_bit() -> None:
    values = np.random.default_rng(1).uniform(0.1, 300.0, 2000)
    assert [clean(value) for value in values] == pytest.approx(values.tolist(), rel=1e-15, abs=0.0)
    assert clean(math.pi) == math.pi and clean(1.0 / 3.0) == 1.0 / 3.0 and math.isnan(clean(math.nan))


def test_steps_of_a_grid_are_written_short() -> None:
    """Depths from 0.10 to 0.30 mm in steps of 0.01 mm, as sums and as products."""
    depths = [*np.linspace(1e-4, 3e-4, 21), *(1e-4 + 1e-5 * step for step in range(21))]
    assert max(len(repr(clean(float(depth)))) for depth in depths) <= len("0.00011")


def test_json_and_csv() -> None:
    content = {"depth_m": [0.00011000000000000002, None], "word": "0.1", "count": 3, "sure": True}
    assert clean_json(content) == {"depth_m": [0.00011, None], "word": "0.1", "count": 3, "sure": True}
    assert clean_json({"at": (0.1 + 0.2,)}) == {"at": [0.3]}
    frame = pd.DataFrame({"name": ["a", "b"], "angle_deg": [12.000000000000002, math.nan], "n": [1, 2]})
    assert clean_csv(frame) == "name,angle_deg,n\na,12.0,1\nb,,2\n"
    assert frame["angle_deg"][0] == 12.000000000000002
