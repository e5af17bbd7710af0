"""What moving dimples add: read from the shipped pairs, learned, and of the size that the pairs have."""

import math

import numpy as np
import pytest

from pipeline.aero.discrepancy import columns
from pipeline.aero.moving_dimples import PAIRS, comparisons, moving_dimples


def test_every_shipped_pair_lies_within_three_deviations_of_what_is_learned():
    pairs = comparisons()
    assert len(pairs) >= 3
    found = moving_dimples(["ours"])
    for pair in pairs:
        at = columns(pair.depth_m, pair.reynolds, pair.spin_ratio)
        off = pair.difference - found.mean_at(pair.pattern, at)
        stated = np.hypot(found.deviation_at(pair.pattern, at), np.abs(pair.modes).sum(axis=0))
        assert (np.abs(off) < 3.0 * stated).all(), pair.name


def test_deeper_dimples_gain_more_lift():
    # Not ours to plant: pairs of flows computed by the solver.
    at = columns(np.array([1.5e-4, 2.5e-4, 3.4e-4]), 1.5e5, 0.15)
    found = moving_dimples(["ours"])
    lift = found.mean_at("ours", at)[1]
    assert (np.diff(lift) > 0.0).all()
    assert 0.0 < math.expm1(lift[0]) < 0.2 < math.expm1(lift[1]) < 0.7


def test_a_pattern_that_was_not_computed_is_known_less_well():
    found, at = moving_dimples(["ours"]), columns(2.5e-4, 1.5e5, 0.15)
    (own,) = {pair.pattern for pair in comparisons() if "middle" in pair.name}
    assert (found.deviation_at("ours", at) > found.deviation_at(own, at)).all()
    again = moving_dimples(["ours", own])  # a study's own pattern may be that of the pairs
    np.testing.assert_allclose(again.deviation_at(own, at), found.deviation_at(own, at), rtol=1e-9)


def test_a_pair_by_hand(tmp_path):
    path = tmp_path / "pairs.csv"
    path.write_text(
        "pair,chord_mm,depth_mm,reynolds,spin_ratio,cd_still,cl_still,cd_turning,cl_turning,cd_turning_se,"
        "cl_turning_se\nsmooth,4.00,0.0,1e5,0.1,0.2,0.1,0.2,0.1,0.001,0.001\n"
        "one,4.00,0.20,1e5,0.1,0.25,0.15,0.26,0.18,0.002,0.009\n"
    )
    (pair,) = comparisons(path)  # a smooth ball has no dimples that could move
    assert pair.depth_m == pytest.approx(2e-4)
    np.testing.assert_allclose(pair.difference, [[0.01], [math.log(1.2)]])
    np.testing.assert_allclose(pair.modes[:, :, 0], [[0.002, 0.0], [0.0, 0.05]])
    assert PAIRS.is_file()
