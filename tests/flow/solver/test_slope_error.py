"""Relative errors of the slopes with depth, from the shipped table of depth steps."""

import math

import pytest

from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.flow.solver.slope_error import slope_errors

TABLE = """level,cd_step,cl_step,finest
rough,0.02,-0.04,no
fine,0.008,-0.03,yes
finer,0.012,-0.02,yes
"""


def test_an_error_is_the_distance_from_the_finest_meshes_and_their_spread(tmp_path):
    path = tmp_path / "steps.csv"
    path.write_text(TABLE)
    found = slope_errors(path)
    # Drag: mean 0.010, half difference 0.002; lift: mean -0.025, half difference 0.005.
    assert found["rough"] == pytest.approx(
        (math.hypot(0.010, 0.002) / 0.02, math.hypot(0.015, 0.005) / 0.04), abs=0.0101
    )
    assert found["rough"] >= (math.hypot(0.010, 0.002) / 0.02, math.hypot(0.015, 0.005) / 0.04)
    assert found["fine"] == pytest.approx((0.25, 1 / 6), abs=0.0101)


def test_every_level_of_the_steady_model_has_one_and_finer_ones_have_less():
    errors = FIDELITIES["steady-rans"].slope_error
    assert set(FIDELITIES["steady-rans"].levels) <= set(errors)
    assert errors["coarse"][0] > max(errors["medium"][0], errors["graded"][0])
    assert all(0.0 < part < 1.0 for error in errors.values() for part in error)
