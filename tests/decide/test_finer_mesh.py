"""Few flows on a finer mesh: a planted error of the mesh in the slope with depth goes out of the decision."""

import numpy as np
import pandas as pd
import pytest
from decide.test_decide_station import DEPTHS, REYNOLDS, SPIN_RATIOS, coefficients, decided, study

from pipeline.aero.collect import finer_rows
from pipeline.aero.finer_mesh import pairs, refined
from pipeline.aero.patterns import models_from_coefficients
from pipeline.flow.solver.fidelity import fidelity
from pipeline.study.matrix import runs
from pipeline.study.model import FinerRuns

TOO_STEEP = 300.0
"""Drag that the study's mesh adds per depth [1/m]: 0.03 a tenth of a millimetre, which moves the best depth
by 300 / (2 x 5e6 / m^2) = 0.03 mm."""
BEST_M = 0.22e-3


def with_finer(runs=4):
    of = study()
    flow = of.flow.model_copy(update={"finer": FinerRuns(level="graded", runs=runs)})
    return of.model_copy(update={"flow": flow})


def named(frame, level=""):
    """Runs named as the matrix names them."""
    keys = zip(frame["pattern"], frame["depth_m"], frame["reynolds"], frame["spin_ratio"], strict=True)
    return frame.assign(run=[f"runs/{p}/d{1e3 * d:.3f}mm{level}/re{re:.0f}/s{s:.3f}" for p, d, re, s in keys])


def both_meshes(of):
    """Coefficients on the study's own mesh, with its error, and those of its finer runs, without."""
    own = named(coefficients(BEST_M))
    own["cd"] += 0.015 + TOO_STEEP * (own["depth_m"] - 2e-4)
    own["cl"] *= 0.95
    finer = named(coefficients(BEST_M), "-graded")
    planned = {run.run_id for run in runs(of) if run.level is not None}
    return pd.concat([own, finer[finer["run"].isin(planned)]], ignore_index=True)


def test_the_finer_runs_are_at_opposite_corners():
    finer = [run for run in runs(with_finer()) if run.level is not None]
    assert len(finer) == 4 and {run.level for run in finer} == {"graded"}
    # The lowest Reynolds number may be inside the crisis of shallow dimples.
    assert {run.reynolds for run in finer} == {max(REYNOLDS)}
    found = sorted((run.variant_key, run.spin_ratio) for run in finer)
    ends = [f"d{1e3 * depth:.3f}mm-graded" for depth in (DEPTHS[0], DEPTHS[-1])]
    assert found == [(key, s) for key in ends for s in SPIN_RATIOS]
    assert finer[0].starts_from is None
    known = {run.run_id for run in finer}
    assert all(run.starts_from in known for run in finer[1:])


def test_the_planted_depth_is_named_again():
    own, _ = decided(study(), both_meshes(study()))
    assert own["best_depth_m"].to_numpy() == pytest.approx(BEST_M - 0.03e-3, abs=2e-6)
    frame, details = decided(with_finer(), both_meshes(with_finer()))
    assert frame["best_depth_m"].to_numpy() == pytest.approx(BEST_M, abs=3e-6)
    assert (frame["best_depth_lo_m"] < BEST_M).all() and (frame["best_depth_hi_m"] > BEST_M).all()
    finer = details["finer_mesh"]
    assert (
        finer["level"] == "graded" and len(finer["pairs"]) == 4 and all(of["used"] for of in finer["pairs"])
    )
    for at in finer["added"]:
        planted = -0.015 - TOO_STEEP * (at["depth_m"] - 2e-4)
        assert at["cd"] == pytest.approx(planted, abs=max(3.0 * at["cd_sd"], 1e-3))
        assert at["cl_share"] == pytest.approx(1.0 / 0.95 - 1.0, abs=0.02)
    for of in finer["without"]:
        assert of["best_depth_m"] == pytest.approx(BEST_M - 0.03e-3, abs=2e-6)


def test_what_is_left_is_the_error_of_the_finer_level():
    _, details = decided(with_finer(), both_meshes(with_finer()))
    assert details["mesh_error"]["cd_slope"] == fidelity("transient-rans").slope_error["graded"][0]
    _, alone = decided(study(), both_meshes(study()))
    assert alone["mesh_error"]["cd_slope"] == fidelity("transient-rans").slope_error["coarse"][0]


def test_a_pair_alone_corrects_nothing_and_is_noted():
    runs_ = both_meshes(with_finer())
    few = runs_.drop(index=runs_.index[finer_rows(runs_)][1:])
    _, details = decided(with_finer(), few)
    assert details["finer_mesh"]["added"] == [] and len(details["finer_mesh"]["pairs"]) == 1
    assert any("Fewer than 2 runs on the graded mesh" in note for note in details["notes"])


def test_flows_without_lift_are_no_pairs():
    frame = both_meshes(with_finer())
    frame.loc[finer_rows(frame), "cl"] = -0.1  # as inside the drag crisis
    own = frame[~finer_rows(frame)]
    models, _ = models_from_coefficients(own)
    assert [pair.used for pair in pairs(frame, models)] == [False] * 4
    assert refined(frame, models) == (models, None)


def test_a_run_that_drifts_teaches_nothing():
    """Its mean is far off, as one was that never settled on the finer mesh."""
    frame = both_meshes(with_finer())
    place = frame.index[finer_rows(frame)][0]
    frame.loc[place, ["cd", "cd_se"]] = frame.loc[place, "cd"] + 0.04, 0.006
    frame.loc[place, "verdict"] = "drifting"
    own, details = decided(with_finer(), frame)
    assert [pair["used"] for pair in details["finer_mesh"]["pairs"]].count(False) == 1
    assert own["best_depth_m"].to_numpy() == pytest.approx(BEST_M, abs=6e-6)


def test_fine_flows_of_failed_runs_are_no_pairs():
    frame = both_meshes(with_finer())
    frame.loc[frame["run"] == frame["run"][0], "verdict"] = "crashed"
    frame.loc[finer_rows(frame), "verdict"] = "crashed"
    models, _ = models_from_coefficients(frame)
    assert pairs(frame, models) == []


def test_equal_meshes_change_no_table():
    frame = both_meshes(with_finer())
    of_finer = finer_rows(frame)
    own = frame[~of_finer].set_index("run")
    for place in frame.index[of_finer]:
        run = frame["run"][place].replace("-graded", "")
        frame.loc[place, ["cd", "cl"]] = own.loc[run, ["cd", "cl"]].to_numpy(float)
    models, _ = models_from_coefficients(frame)
    fine, learned = refined(frame, models)
    assert learned is not None
    depth = np.array(DEPTHS)
    for one, other in zip(fine["ico332"].tables(depth), models["ico332"].tables(depth), strict=True):
        assert one.cd == pytest.approx(other.cd, abs=1e-9) and one.cl == pytest.approx(other.cl, abs=1e-9)
        assert (one.cd_se >= other.cd_se).all()
