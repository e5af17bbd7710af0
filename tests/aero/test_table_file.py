"""Coefficient tables as CSV: round trip and one line for whatever is wrong."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.aero.table import CoefficientTable
from pipeline.aero.table_file import read_table, write_table
from pipeline.errors import InputError

GOOD = """reynolds,spin_ratio,cd,cl
9e4,0.1,0.28,0.18
9e4,0.2,0.3,0.25
1.8e5,0.1,0.26,0.17
1.8e5,0.2,0.29,0.24
"""


def read(tmp_path, text):
    path = tmp_path / "table.csv"
    path.write_text(text)
    return read_table(path)


def test_a_table_is_read(tmp_path):
    table = read(tmp_path, GOOD)
    assert table.reynolds.tolist() == [9e4, 1.8e5] and table.spin_ratio.tolist() == [0.1, 0.2]
    assert table.cd.tolist() == [[0.28, 0.3], [0.26, 0.29]] and table.cl.tolist() == [
        [0.18, 0.25],
        [0.17, 0.24],
    ]
    assert table.cm is None and not table.cd_se.any()


def test_order_of_rows_and_columns_and_blank_lines_do_not_matter(tmp_path):
    text = (
        "\ufeffcl, cm ,spin_ratio,reynolds,cd\n\n0.2,-0.001,0.1,2e5,0.3\n0.1,-0.002,0.1,1e5,0.31\n , , , ,\n"
    )
    table = read(tmp_path, text)
    assert table.reynolds.tolist() == [1e5, 2e5]
    assert table.cd.tolist() == [[0.31], [0.3]] and table.cm.tolist() == [[-0.002], [-0.001]]


@settings(deadline=None)
@given(
    st.lists(st.floats(1e3, 1e6), min_size=1, max_size=4, unique=True),
    st.lists(st.floats(0, 1), min_size=1, max_size=4, unique=True),
    st.booleans(),
    st.integers(0, 1000),
)
def test_round_trip_is_exact(tmp_path_factory, reynolds, spin_ratio, with_cm, seed):
    values = np.random.default_rng(seed).uniform(0, 0.6, (3, len(reynolds), len(spin_ratio)))
    cm = -values[2] if with_cm else None
    table = CoefficientTable(sorted(reynolds), sorted(spin_ratio), values[0], values[1], cm)
    path = tmp_path_factory.mktemp("table") / "table.csv"
    write_table(table, path)
    back = read_table(path)
    for name in ("reynolds", "spin_ratio", "cd", "cl", "cm"):
        assert np.array_equal(getattr(back, name), getattr(table, name))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty; a CSV with the columns reynolds, spin_ratio, cd, cl and, where known, cm is needed"),
        ("reynolds,spin_ratio,cd,cl\n", "has a header but no rows"),
        (
            GOOD.replace("spin_ratio", "spin_ration"),
            ':1: unknown column "spin_ration"; did you mean "spin_ratio"?',
        ),
        (GOOD.replace("cd", "CD"), ':1: unknown column "CD"; did you mean "cd"?'),
        (GOOD.replace(",", "|"), ":1: unknown column"),
        (GOOD.replace(",", " "), ":1: has one column, 'reynolds spin_ratio cd cl': separate columns by"),
        (GOOD.replace("0.17", "1_7"), ':4: cl: "1_7" is not a number'),
        (GOOD.replace("spin_ratio", "cl"), ':1: column "cl" is there twice; keep one'),
        ("reynolds,spin_ratio,cd\n1e5,0.1,0.3\n", ':1: column "cl" is missing'),
        (GOOD.replace("0.26", "nan"), ':4: cd: "nan" is not a number from 0 to 10'),
        (GOOD.replace("0.26", "inf"), ':4: cd: "inf" is not a number from 0 to 10'),
        (GOOD.replace("0.26", "-0.26"), ':4: cd: "-0.26" is not a number from 0 to 10'),
        (GOOD.replace("0.26", "2e4"), ':4: cd: "2e4" is not a number from 0 to 10'),
        (GOOD.replace("0.17", "15"), ':4: cl: "15" is not a number from -3 to 3'),
        (GOOD.replace("0.17", ""), ':4: cl: "" is not a number'),
        (GOOD.replace("0.17", "x"), ':4: cl: "x" is not a number'),
        (GOOD.replace("1.8e5,0.1", "0,0.1"), ':4: reynolds: "0" is not a number above 0'),
        (GOOD.replace("1.8e5,0.1", "1.8e5,-0.1"), ':4: spin_ratio: "-0.1" is not a number from 0 up'),
        (
            GOOD + "90000,0.10,0.28,0.18\n",
            ":6: reynolds 90000, spin_ratio 0.1: is on line 2 already; keep one",
        ),
        (
            GOOD + "2.5e5,0.1,0.28,0.18\n",
            "the grid has no row for reynolds 250000, spin_ratio 0.2 (1 missing of 3 x 2)",
        ),
        (GOOD + "2.5e5,0.1\n", ":6: has 2 values: must have 4 (reynolds, spin_ratio, cd, cl)"),
    ],
)
def test_one_line_for_what_is_wrong(tmp_path, text, message):
    with pytest.raises(InputError) as error:
        read(tmp_path, text)
    assert message in str(error.value)
    assert "table.csv" in str(error.value) and "\n" not in str(error.value)


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        read_table(tmp_path / "none.csv")
    with pytest.raises(InputError, match=r"cannot be read \(it is a folder\)"):
        read_table(tmp_path)
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(InputError, match="is not text in UTF-8 but text in UTF-16"):
        read_table(tmp_path / "binary.csv")


@pytest.mark.parametrize("separator", [";", "\t"])
def test_semicolons_tabs_and_decimal_commas_are_read(tmp_path, separator):
    plain = read(tmp_path, GOOD)
    table = read(tmp_path, GOOD.replace(",", separator).replace(".", ","))
    assert np.array_equal(table.cd, plain.cd) and np.array_equal(table.cl, plain.cl)
    assert np.array_equal(table.reynolds, plain.reynolds)


def test_a_table_of_100_000_rows_comes_back(tmp_path):
    reynolds, spin_ratio = np.geomspace(4e4, 3e5, 400), np.linspace(0, 0.6, 250)
    values = np.random.default_rng(1).uniform(0.1, 0.5, (2, 400, 250))
    write_table(CoefficientTable(reynolds, spin_ratio, *values), tmp_path / "large.csv")
    table = read_table(tmp_path / "large.csv")
    assert np.array_equal(table.cd, values[0]) and np.array_equal(table.cl, values[1])
