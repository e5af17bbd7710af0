"""Collecting run.json files, and coefficients.csv."""

import json

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.collect import COLUMNS, collect, read_coefficients, write_coefficients
from pipeline.errors import InputError

RUN = {
    "pattern": "ico332",
    "depth_m": 0.00020000000000000004,
    "edge_angle_deg": 14.1,
    "reynolds": 9e4,
    "spin_ratio": 0.1,
    "cd": 0.1 + 0.2,
    "cd_se": 0.001,
    "cl": 0.17,
    "cl_se": 0.002,
    "cm": -0.0021,
    "cm_se": 1e-5,
    "verdict": "settled",
    "fidelity": "steady-rans",
    "cells": 61440,
    "yplus_max": 1.2,
    "iterations": 400,
    "core_seconds": 310.5,
    "solver": "OpenFOAM v1912",
    "run": "runs/ico332/d0.200mm/re90000/s0.100",
    "cs": 0.0,
    "warnings": ["not for the table"],
}
FAILED = (
    RUN | dict.fromkeys(("cd", "cd_se", "cl", "cl_se", "cm", "cm_se", "yplus_max")) | {"verdict": "diverged"}
)


def put(results, run):
    folder = results / run["run"]
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps(run))
    return run["run"]


def test_rows_come_in_the_order_given_with_the_columns_of_the_design(tmp_path):
    other = FAILED | {"run": "runs/ico332/d0.300mm/re90000/s0.100", "depth_m": 3e-4}
    ids = [put(tmp_path, other), "runs/oct300/d0.200mm/re90000/s0.100", put(tmp_path, RUN)]
    frame = collect(tmp_path, ids)
    assert tuple(frame.columns) == COLUMNS
    assert frame["verdict"].tolist() == ["diverged", "missing", "settled"]
    assert frame["pattern"].tolist() == ["ico332", "oct300", "ico332"]
    assert frame["run"].tolist() == ids
    assert np.isnan(frame["cd"][0]) and np.isnan(frame["depth_m"][1]) and frame["cd"][2] == RUN["cd"]


def test_csv_gives_the_frame_back_exactly(tmp_path):
    frame = collect(tmp_path, [put(tmp_path, RUN), "runs/oct300/d0.200mm/re90000/s0.100"])
    path = tmp_path / "coefficients.csv"
    write_coefficients(frame, path)
    pd.testing.assert_frame_equal(read_coefficients(path), frame, check_exact=True)
    assert path.read_text().splitlines()[0] == ",".join(COLUMNS)


def test_a_study_without_runs_gives_an_empty_table(tmp_path):
    path = tmp_path / "coefficients.csv"
    write_coefficients(collect(tmp_path, []), path)
    assert len(read_coefficients(path)) == 0


def test_a_broken_run_json_is_named(tmp_path):
    run = put(tmp_path, RUN)
    path = tmp_path / run / "run.json"
    path.write_text(json.dumps(RUN, indent=1)[:60])
    with pytest.raises(
        InputError, match=r"s0\.100/run\.json: is broken \(not JSON, line 4: .*\); depthline run sets it"
    ):
        collect(tmp_path, [run])
    path.write_text(json.dumps({key: value for key, value in RUN.items() if key != "cl"}))
    with pytest.raises(InputError, match=r'run\.json: is broken \(the key "cl" is missing\)'):
        collect(tmp_path, [run])


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("spin_ratio", "spin", 'column "spin_ratio" is missing'),
        ("0.17", "0.17x", ':2: cl: "0.17x" is not a number'),
    ],
)
def test_a_bad_coefficients_file_gets_one_line(tmp_path, old, new, message):
    path = tmp_path / "coefficients.csv"
    write_coefficients(collect(tmp_path, [put(tmp_path, RUN)]), path)
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(InputError) as error:
        read_coefficients(path)
    assert (
        message in str(error.value)
        and "coefficients.csv" in str(error.value)
        and "\n" not in str(error.value)
    )


def test_a_missing_or_empty_coefficients_file_gets_one_line(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        read_coefficients(tmp_path / "coefficients.csv")
    (tmp_path / "coefficients.csv").write_text("")
    with pytest.raises(InputError, match="cannot be read as CSV"):
        read_coefficients(tmp_path / "coefficients.csv")


def test_results_from_before_attempts_were_counted(tmp_path):
    path = tmp_path / "coefficients.csv"
    write_coefficients(collect(tmp_path, []), path)
    old = ",".join(name for name in COLUMNS if name != "attempts")
    path.write_text(old + "\n")
    assert list(read_coefficients(path).columns) == list(COLUMNS)


def test_a_pattern_may_be_called_na(tmp_path):
    frame = pd.DataFrame({name: pd.Series(["NA"], dtype="string") for name in ("pattern", "run")})
    whole = frame.reindex(columns=list(COLUMNS)).assign(verdict="missing")
    write_coefficients(whole, tmp_path / "coefficients.csv")
    back = read_coefficients(tmp_path / "coefficients.csv")
    assert back["pattern"].tolist() == ["NA"] and back["solver"].isna().all() and back["cd"].isna().all()
