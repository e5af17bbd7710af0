"""Tidy tables as CSV and Parquet, and plain grids, there and back."""

import itertools

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.export import COLUMNS, read_tidy, write_tables, write_tidy
from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import smits_smith_1994
from pipeline.aero.table_file import read_table, table_of
from pipeline.errors import InputError


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
    write_tables({}, tmp_path / "none")
    assert read_tidy(tmp_path / "none" / "tables.csv").empty


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
