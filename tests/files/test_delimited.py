"""Delimited text as people and their spreadsheets write it: read as it is meant, or refused with a line."""

import gzip
import io
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.files.delimited import read_delimited


def rows(folder: Path, text: str) -> list[list[str]]:
    path = folder / "table.csv"
    path.write_bytes(text.encode())
    found = read_delimited(path, "a CSV")
    return [found.header, *(cells for _, cells in found.rows)]


def refusal(folder: Path, content: bytes | str, **limits: int) -> str:
    path = folder / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(InputError) as caught:
        read_delimited(path, "a CSV of things", **limits)
    assert "\n" not in str(caught.value)
    return str(caught.value).replace(str(path), "table.csv")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a,b\n1.5,2\n", [["a", "b"], ["1.5", "2"]]),
        ("a;b\n1,5;2\n", [["a", "b"], ["1.5", "2"]]),
        ("a\tb\n1,5\t-2,25e3\n", [["a", "b"], ["1.5", "-2.25e3"]]),
        ('"a;x",b\n1,2\n', [["a;x", "b"], ["1", "2"]]),  # a separator in quotes separates nothing
        ("a;b\n1,500;2\n", [["a", "b"], ["1.500", "2"]]),  # semicolons: the comma is decimal
        ("\n \nsep=;\n\na;b\n1;2\n", [["a", "b"], ["1", "2"]]),
        ("a;b\n1,5;good, long\n", [["a", "b"], ["1.5", "good, long"]]),
        ("a,b\r1,2\r", [["a", "b"], ["1", "2"]]),
        ("", [[]]),
        (",,\n", [[]]),
        ("sep=;\n", [[]]),
    ],
)
def test_separators_and_decimal_signs_are_found_out(
    tmp_path: Path, text: str, expected: list[list[str]]
) -> None:
    assert rows(tmp_path, text) == expected


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text('\nsep=,\n\na,b\n1,2\n\n"3\n",4\n5,6\n')
    found = read_delimited(path, "a CSV")
    assert (found.header_line, [line for line, _ in found.rows]) == (4, [5, 8, 9])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a\tb\n1\t2,600\n", "table.csv:2: 2,600: is 2.600 or 2600; write it with a decimal point"),
        ('a,b\n1,"2,600"\n', "table.csv:2: 2,600: is 2.600 or 2600"),
        ("a;b\n1,5;2\n3.5;4\n", "table.csv:2: 1,5: has a comma, and 3.5 on line 3 a point"),
        ("a;b\n1.234,5;2\n1.5;3\n1,5;3\n", "table.csv:4: 1,5: has a comma, and 1.5 on line 3 a point"),
        ("a b c\n1 2 3\n", "table.csv:1: has one column, 'a b c': separate columns by commas, semicolons or"),
        ('a,b\n"1,2', None),
        ('a,b\n"' + "x" * 200_000, "table.csv:2: is not a CSV row (field larger than field limit"),
    ],
)
def test_what_is_not_certain_is_refused(tmp_path: Path, text: str, message: str | None) -> None:
    if message is None:
        rows(tmp_path, text)  # a quote that is left open ends with the file
    else:
        assert refusal(tmp_path, text).startswith(message)


def test_decimal_commas_between_commas_are_named(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("a,b,c\n1,5,2,5,3,5\n")
    found = read_delimited(path, "a CSV")
    assert found.width_problem(found.rows[0][1]) == (
        "has 6 values: must have 3 (a, b, c); are there decimal commas? Write points, or separate the "
        "columns by semicolons"
    )


def archive(*names: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as made:
        for name in names:
            made.writestr(name, "x")
    return stream.getvalue()


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (archive("[Content_Types].xml", "xl/workbook.xml"), "a spreadsheet (.xlsx)"),
        (archive("a.csv"), "a ZIP archive"),
        (bytes.fromhex("d0cf11e0a1b11ae1"), "a spreadsheet's own format (.xls)"),  # [memory], MS-CFB header
        (gzip.compress(b"a,b\n1,2\n", mtime=0), "compressed (gzip)"),
        ("a,b\n".encode("utf-16"), "text in UTF-16"),
    ],
)
def test_other_formats_are_named(tmp_path: Path, content: bytes, what: str) -> None:
    assert refusal(tmp_path, content) == (
        f"table.csv: is not text in UTF-8 but {what}; a CSV of things (text, columns separated by commas) "
        "is needed"
    )


def test_size_and_rows_are_bounded(tmp_path: Path) -> None:
    assert "is larger than 1 KiB" in refusal(tmp_path, "a,b\n" + "1,2\n" * 300, largest_bytes=1024)
    assert "has 300 rows: at most 299 can be read" in refusal(
        tmp_path, "a,b\n" + "1,2\n" * 300, most_rows=299
    )


def test_a_sparse_file_of_a_terabyte_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    with path.open("wb") as stream:
        stream.truncate(2**40)
    with pytest.raises(InputError, match="is larger than 32 MiB"):
        read_delimited(path, "a CSV")


def test_a_pipe_without_a_writer_and_a_device_are_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    probe = (
        "import sys; from pathlib import Path; from pipeline.files.delimited import read_delimited\n"
        "from pipeline.errors import InputError\n"
        "try: read_delimited(Path(sys.argv[1]), 'a CSV')\n"
        "except InputError as error: print(error)\n"
    )
    for path in (str(tmp_path / "fifo"), "/dev/zero"):
        done = subprocess.run(
            [sys.executable, "-c", probe, path], capture_output=True, text=True, check=True, timeout=120
        )
        assert "cannot be read (it is no regular file)" in done.stdout
