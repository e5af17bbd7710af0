"""Tidy tables as CSV and Parquet, and plain grids, there and back."""

import datetime
import itertools

import numpy as np
import pandas as pd
import pytest

from pipeline import __version__
from pipeline.aero.export import COLUMNS, origin_lines, read_tidy, write_tables, write_tidy
from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import smits_smith_1994
from pipeline.aero.table_file import read_table, table_of
from pipeline.errors import InputError
from pipeline.study.model import Study


def model(pattern="NA") -> CoefficientModel:
    rows = []
    for depth, re, s in itertools.product((0.2e-3, 0.3e-3), (8e4, 1.8e5), (0.08, 0.2)):
        fit = smits_smith_1994(re, s)
        rows.append(
            {
                "run": "-", "depth_m": depth, "reynolds": re, "spin_ratio": s, "cd": float(fit.cd),
                "cd_se": 0.001, "cl": float(fit.cl), "cl_se": 0.002, "cm": np.nan, "cm_se": np.nan,
            }
        )  # fmt: skip
    return CoefficientModel(pattern, pd.DataFrame(rows))


@pytest.mark.parametrize("name", ["table.csv", "table.parquet"])
def test_round_trip_is_exact(tmp_path, name):
    of = model()
    frame = of.frame([0.2e-3, 0.25e-3])
    write_tidy(frame, tmp_path / name)
    back = read_tidy(tmp_path / name)
    assert list(back.columns) == list(COLUMNS) and set(back["pattern"]) == {"NA"}
    pd.testing.assert_frame_equal(back, frame, check_exact=True, check_dtype=False)
    table = table_of(back[back["depth_m"] == 0.25e-3])
    expected = of.tables([0.25e-3])[0]
    assert np.array_equal(table.cd, expected.cd) and np.array_equal(table.cl_se, expected.cl_se)
    assert table.cm is None
    assert [path.name for path in tmp_path.iterdir()] == [name]  # nothing half-written beside it


def test_a_study_leaves_tables_for_other_flight_codes(tmp_path):
    of = model("a")
    write_tables({"a": of}, tmp_path)
    grid = read_table(tmp_path / "tables" / "a" / "0.3mm.csv")
    assert np.array_equal(grid.cd, of.tables([0.3e-3])[0].cd)
    assert len(read_tidy(tmp_path / "tables.csv")) == 2 * grid.cd.size
    assert np.array_equal(grid.cl_se, of.tables([0.3e-3])[0].cl_se) and grid.cl_se.max() > 0
    write_tables({}, tmp_path / "none")
    assert read_tidy(tmp_path / "none" / "tables.csv").empty


STUDY = {
    "name": "autumn",
    "ball": {"diameter_m": 0.0427, "mass_kg": 0.0459},
    "patterns": [
        {
            "name": "a",
            "layout": {"symmetry": "icosahedral", "count": 32},
            "cavity": {"chord_diameter_m": 3.58e-3},
            "depths_m": [0.2e-3, 0.3e-3],
        }
    ],
    "flow": {
        "fidelity": "steady-rans", "level": "coarse", "boundary_layer": "tripped",
        "reynolds": [8e4, 1.8e5], "spin_ratios": [0.08, 0.2],
    },
    "golfers": [
        {"name": "g", "launch": {"ball_speed_m_s": 70, "launch_angle_rad": 0.2, "backspin_rad_s": 270}}
    ],
}  # fmt: skip


def test_what_is_handed_on_says_what_it_is(tmp_path):
    """As pandas reads it, with comments passed over, and with nothing but the numbers in the columns."""
    study = Study.model_validate(STUDY, by_name=True)
    runs = pd.DataFrame(
        {
            "verdict": ["settled", "noisy", "diverged"],
            "cells": [192000.0, 192000.0, np.nan],
            "solver": ["solver 1", "solver 1", None],
        }
    )
    write_tables({"a": model("a")}, tmp_path, origin_lines(study, runs))
    for path in (tmp_path / "tables.csv", tmp_path / "tables" / "a" / "0.2mm.csv"):
        lines = path.read_text().splitlines()
        head = "\n".join(line for line in lines if line.startswith("# "))
        for words in (
            "study: autumn", "steady-rans, tripped boundary layer", "mesh: coarse, 192000 cells",
            "runs: 2 usable of 3, by solver 1", f"by Depthline {__version__}", "units: depth_m in m",
            "_se is one standard deviation", f"written: {datetime.datetime.now(datetime.UTC):%Y-%m}",
        ):  # fmt: skip
            assert words in head
        frame = pd.read_csv(path, comment="#")
        assert {"reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se"} <= set(frame)
        assert len(frame) == len(lines) - head.count("\n") - 2
        assert frame[["cd", "cd_se"]].notna().all(axis=None)
    assert "# surface depth: 0.2 mm" in lines and "# pattern: a" in lines


def test_the_share_that_is_tripped_is_handed_on_where_the_model_knows_it(tmp_path, monkeypatch):
    of, plain = model("a"), CoefficientModel.frame
    share = np.linspace(0.0, 1.0, of.reynolds.size * of.spin_ratio.size)
    monkeypatch.setattr(
        CoefficientModel,
        "frame",
        lambda self, depth_m: plain(self, depth_m).assign(tripped_share=np.tile(share, len(depth_m))),
    )
    write_tables({"a": of}, tmp_path)
    path = tmp_path / "tables" / "a" / "0.3mm.csv"
    assert pd.read_csv(path, comment="#")["tripped_share"].to_numpy() == pytest.approx(share)
    assert "tripped_share: share of the meridians" in path.read_text()
    assert "tripped_share" in read_tidy(tmp_path / "tables.csv")
    assert np.array_equal(read_table(path).cd, of.tables([0.3e-3])[0].cd)


def test_a_head_cannot_break_the_file(tmp_path):
    write_tidy(model().frame([0.2e-3]), tmp_path / "table.csv", ["study: a\nb,c\rd"])
    assert (tmp_path / "table.csv").read_text().startswith("# study: a b,c d\npattern,")
    assert len(read_tidy(tmp_path / "table.csv")) > 0


def test_rows_that_are_no_full_grid_make_no_table():
    rows = model().frame([0.2e-3])
    assert table_of(rows) is not None
    assert table_of(rows.drop(index=3)) is None and table_of(pd.concat([rows, rows.head(1)])) is None
    assert table_of(rows.assign(cd=np.nan)) is None and table_of(rows.head(0)) is None


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("none.csv", None, "there is no such file"),
        ("bad.csv", "pattern,depth_m\na,1\n", 'column "reynolds" is missing'),
        ("bad.parquet", "PAR1 not", "cannot be read as a tidy table"),
        ("bad.txt", "", "ends in .csv or .parquet"),
        ("words.csv", ",".join(COLUMNS) + "\na" + ",x" * 9 + "\n", "cannot be read as a tidy table"),
    ],
)
def test_one_line_for_what_is_wrong(tmp_path, name, text, message):
    if text is not None:
        (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=message) as error:
        read_tidy(tmp_path / name)
    assert "\n" not in str(error.value)
