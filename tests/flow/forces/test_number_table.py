"""The readers of tables against Python's own reading of numbers, and what is said of broken files."""

import math
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pipeline.flow.forces.number_table as module
from pipeline.errors import InputError
from pipeline.flow.forces.histories import read_history
from pipeline.flow.forces.number_table import read_table

FORMS = ("{:.6e}", "{:.12g}", "{!r}", "{:g}", "{:+.3E}", "{:.1f}")


@pytest.fixture(autouse=True, scope="module", params=[0, module.SHORT_BYTES], ids=["pandas", "row by row"])
def short_bytes(request: pytest.FixtureRequest) -> Iterator[None]:
    """Read short tables by pandas too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "SHORT_BYTES", request.param)
        yield


def table(path: Path, body: str, header: str = "# Time a b\n") -> Path:
    path.write_text(header + body)
    return path


@settings(deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.floats(-1e300, 1e300), st.floats(-1.0, 1.0), st.sampled_from(FORMS)), max_size=20
    )
)
def test_numbers_are_those_that_python_reads(tmp_path_factory: pytest.TempPathFactory, rows: list) -> None:
    texts = [(form.format(a), form.format(b)) for a, b, form in rows]
    path = tmp_path_factory.mktemp("t") / "x.dat"
    columns = read_table(table(path, "".join(f"{i}\t({a} {b})\n" for i, (a, b) in enumerate(texts)))).columns
    expected = np.array([[float(a), float(b)] for a, b in texts]).reshape(-1, 2).T
    np.testing.assert_array_equal(columns[1:], expected)


def test_not_finite_numbers_brackets_commas_and_comments(tmp_path: Path) -> None:
    body = "1 (nan inf)\n\n# restarted\n2 [-inf,NaN]\r\n   \n3\t-0.5,\t.25\n4 7 8"
    columns = read_table(table(tmp_path / "x.dat", body)).columns
    assert columns[0].tolist() == [1, 2, 3]  # the last line has no end yet
    assert math.isnan(columns[1, 0]) and columns[1, 1] == -math.inf
    assert columns[2, 0] == math.inf and math.isnan(columns[2, 1])
    assert columns[:, 2].tolist() == [3, -0.5, 0.25]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("3 1", ":4: 2 numbers where the header names 3: 3 1"),
        ("3 1 2 5", ":4: 4 numbers where the header names 3"),
        ("3 1 2x", ":4: '2x' where a number belongs"),
        ("3 1 lift", ":4: 'lift' where a number belongs"),
        ("3 1 2e", ":4: '2e' where a number belongs"),
        ("3 1 -", ":4: '-' where a number belongs"),
        ("3 1 2_0", ":4: '2_0' where a number belongs"),
        ("2 1 2", "time 2 in row 3 is not later"),
    ],
)
def test_broken_lines_are_named(tmp_path: Path, line: str, said: str) -> None:
    path = table(tmp_path / "x.dat", f"1 1 1\n2 1 1\n{line}\n4 1 1\n")
    with pytest.raises(InputError) as caught:
        read_table(path)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@settings(deadline=None)
@given(
    values=st.lists(st.tuples(*[st.floats(-10, 10)] * 4), min_size=1, max_size=30),
    form=st.sampled_from(("{:.8e}", "{:g}", "{:12.5f}", "{!r}")),
)
def test_columns_that_are_not_wanted_are_passed_over(
    tmp_path_factory: pytest.TempPathFactory, values: list, form: str
) -> None:
    body = "".join(f"{i}\t" + "\t".join(map(form.format, row)) + "\n" for i, row in enumerate(values))
    path = table(tmp_path_factory.mktemp("t") / "x.dat", body, "# Time a b c d\n")
    found = read_table(path, lambda name: name in "ac")
    expected = np.array([[float(form.format(value)) for value in row] for row in values]).T
    assert found.names == ["Time", "a", "c"]
    np.testing.assert_array_equal(found.columns[1:], expected[[0, 2]])


@pytest.mark.parametrize("line", ["3 1 2 1.25", "3 1 2 1.25 4 5", "3 1 2", "3 1 2\t1.25  "])
def test_lines_broken_where_nothing_is_wanted_are_named(tmp_path: Path, line: str) -> None:
    body = "1 1 1 1 1\n2 1 1 1 1\n" + line + "\n" + "4 1.0000001 1 1.000001 1\n" * 3
    with pytest.raises(InputError, match=r":4: \d numbers where the header names 5"):
        read_table(table(tmp_path / "x.dat", body, "# Time a b c d\n"), lambda name: name == "a")


def test_no_header(tmp_path: Path) -> None:
    for text in ("", "1 2 3\n", "# Forces\n1 2 3\n"):
        with pytest.raises(InputError, match="no header line '# Time"):
            read_table(table(tmp_path / "x.dat", text, header=""))


def test_a_long_table_is_the_same_by_either_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.random.default_rng(1).normal(size=(500, 2))
    body = "".join(f"{i}\t{a!r}\t{b!r}\n" + "\n" * (i % 97 == 0) for i, (a, b) in enumerate(values.tolist()))
    path = table(tmp_path / "x.dat", body)
    for short in (0, 10**9):
        monkeypatch.setattr(module, "SHORT_BYTES", short)
        columns = read_table(path).columns
        np.testing.assert_array_equal(columns[0], np.arange(500))
        np.testing.assert_array_equal(columns[1:].T, values)


def test_reference_values_of_the_header(tmp_path: Path) -> None:
    header = "# Force coefficients\n# magUInf : 2.5e+01\n# CofR : (1 0 -2)\n# patch : ball\n#\n# Time\ta b\n"
    reference = read_table(table(tmp_path / "x.dat", "1 2 3\n", header)).reference
    assert reference == {"magUInf": (25.0,), "CofR": (1.0, 0.0, -2.0)}


@pytest.mark.parametrize(
    "content",
    [
        b"# Time " + b"a" * 300_000,  # each byte used to be looked at with 100,000 after it
        b"# Time " + b"a" * 300_000 + b"\n1 2\n",
        b"a" * 300_000 + b"\n",
        b"#\n" * 200_000,
        b"\n" * 300_000,
        b"# x : " + b"9" * 300_000 + b"\n# Time a b\n1 2 3\n",
    ],
)
def test_a_header_is_looked_for_in_a_bounded_part_of_the_file(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "force.dat"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_table(path)
    assert "no header line '# Time ...'" in str(caught.value)
    assert len(str(caught.value)) < 300 + len(str(path))


def test_messages_stay_short_whatever_the_header_holds(tmp_path: Path) -> None:
    path = table(tmp_path / "force.dat", "", "# Time " + " ".join(f"q{i}" for i in range(500)) + "\n")
    error = read_table(path).unknown_header("total_x")
    assert "Time, q0, q1" in str(error) and "and 489 more; expected total_x" in str(error)
    assert len(str(error)) < 400 + len(str(path))


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "force.dat"
    os.mkfifo(path)
    with pytest.raises(InputError, match=r"force\.dat: is missing or no regular file"):
        read_table(path)
    with pytest.raises(InputError, match="no regular file"):
        read_table(tmp_path)
    (tmp_path / "0").mkdir()
    path.rename(tmp_path / "0/force.dat")
    with pytest.raises(InputError, match="no regular file"):
        read_history(tmp_path)
