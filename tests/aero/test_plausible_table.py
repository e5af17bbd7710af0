"""Tables that no golf ball has are told with the likely cause; published ones are not."""

import numpy as np
import pytest

from pipeline.aero.plausible_table import implausible_table
from pipeline.aero.published import published_tables
from pipeline.aero.table import CoefficientTable


def table(cd, cl):
    return CoefficientTable([9e4, 1.8e5], [0.1, 0.2], np.full((2, 2), cd), np.full((2, 2), cl))


def test_published_tables_are_plausible():
    for published in published_tables().values():
        assert implausible_table(published) == []


@pytest.mark.parametrize(
    ("cd", "cl", "expected"),
    [
        (0.25, 0.15, []),
        (
            2.5,
            0.15,
            ["Cd 2.5 is outside 0.1 to 1: the numbers look four times too large: is the reference area"],
        ),
        (0.07, 0.15, ["Cd 0.07 is outside 0.1 to 1: the numbers look four times too small"]),
        (0.0025, 0.15, ["Cd 0.0025 is outside 0.1 to 1: the numbers look a hundred times too small"]),
        (9.0, 0.15, ["Cd 9 is outside 0.1 to 1: are columns mixed up"]),
        (
            0.25,
            1.5,
            ["Cl 1.5 is outside -0.8 to 0.8: are columns mixed up, or is it on another reference area"],
        ),
        (0.05, -0.9, ["Cd 0.05 is outside", "Cl -0.9 is outside -0.8 to 0.8"]),
    ],
)
def test_what_is_outside_is_told_with_its_cause(cd, cl, expected):
    found = implausible_table(table(cd, cl))
    assert len(found) == len(expected)
    for line, words in zip(found, expected, strict=True):
        assert line.startswith(words)
