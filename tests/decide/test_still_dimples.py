"""Flows whose dimples stand still: what moving ones add is recorded and makes deeper ones better."""

import pytest
from decide.test_decide_station import coefficients, decided, study

STEADY = {"fidelity": "steady-rans", "boundary_layer": "turbulent"}


def steady():
    of = study()
    return of.model_copy(update={"flow": of.flow.model_copy(update=STEADY)})


def test_what_was_added_is_recorded_and_moves_the_best_depth_deeper():
    frame, details = decided(steady(), coefficients())
    moving = details["moving_dimples"]
    assert moving["pairs"] >= 3
    shallow, *_, deep = moving["added"]
    assert shallow["depth_m"] < deep["depth_m"]
    assert shallow["cl_share"] < deep["cl_share"] and deep["cl_share_sd"] > 0.0
    without = {of["golfer"]: of["best_depth_m"] for of in moving["without"]}
    # 0.22 mm is planted in the coefficients: what the runs alone would name.
    for golfer, best in zip(frame["golfer"], frame["best_depth_m"], strict=True):
        assert without[golfer] == pytest.approx(0.22e-3, abs=1e-6)
        assert 0.5e-6 < best - without[golfer] < 40e-6


def test_the_uncertainty_of_what_was_added_is_in_the_interval():
    sure, _ = decided(study(), coefficients())
    frame, _ = decided(steady(), coefficients())
    width = frame["best_depth_hi_m"] - frame["best_depth_lo_m"]
    assert (width > sure["best_depth_hi_m"] - sure["best_depth_lo_m"]).all()


def test_flows_whose_dimples_move_are_flown_as_they_are():
    assert decided(study(), coefficients())[1].get("moving_dimples") is None
