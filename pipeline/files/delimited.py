"""Delimited text from people: separator and decimal sign found out, rows with their lines, of a bounded size.

Spreadsheets of countries with a decimal comma write "CSV" with semicolons; tables copied from one have tabs.
"""

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files.given import given_text

LARGEST_BYTES = 32 * 2**20
MOST_ROWS = 1_000_000

COMMENT = "#"
"""Lines above the header that begin with it say what a file is; our own tables have some."""

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}

_ANNOUNCED = re.compile(r"\s*sep=([,;\t|])\s*")
"""First line in which spreadsheets state the separator."""
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]+)?")
_POINT_NUMBER = re.compile(r"[+-]?[0-9]*\.[0-9]+(?:[eE][+-]?[0-9]+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+")
_LONGEST_NUMBER = 100


@dataclass(frozen=True)
class Delimited:
    """A header and rows of cells.

    Attributes
    ----------
    path : Path
        The file.
    header_line : int
        Line of the header, from 1.
    header : list of str
        Names of the columns, without blanks around them; none where the file is empty.
    rows : list of (int, list of str)
        Line and cells of every row that is not blank; numbers have decimal points.
    """

    path: Path
    header_line: int
    header: list[str]
    rows: list[tuple[int, list[str]]]

    def width_problem(self, cells: list[str]) -> str | None:
        """What is wrong with the number of cells of a row; None when nothing is."""
        if len(cells) == len(self.header):
            return None
        hint = ""
        if len(cells) == 2 * len(self.header):
            hint = "; are there decimal commas? Write points, or separate the columns by semicolons"
        return f"has {len(cells)} values: must have {len(self.header)} ({', '.join(self.header)}){hint}"


def number(cell: str) -> float:
    """Read a number as people write it; NaN when it is none."""
    try:
        return math.nan if "_" in cell else float(cell)  # float() takes 1_000 for a number
    except ValueError:
        return math.nan


def read_delimited(
    path: Path, wanted: str, largest_bytes: int = LARGEST_BYTES, most_rows: int = MOST_ROWS
) -> Delimited:
    """Read a table that somebody gives, separated by commas, semicolons or tabs.

    Parameters
    ----------
    path : Path
        Text in UTF-8 whose first line that is neither blank nor a comment (#) names the columns.
    wanted : str
        What the file should be, for messages: "a CSV of launches".
    largest_bytes : int
        Size that is refused when exceeded, before more is read.
    most_rows : int
        Rows below the header that are refused when exceeded.

    Returns
    -------
    Delimited
        The separator is the one that the header has most of. Numbers with decimal commas, possible where
        commas do not separate or in quotes, are given with points.

    Raises
    ------
    InputError
        The file cannot be read, is not such text, has too many rows, or its commas may be decimal or of
        thousands.
    """
    path = Path(path)
    text = given_text(path, largest_bytes, f"{wanted} (text, columns separated by commas)")
    stream = io.StringIO(text, newline="")
    skipped, line = _next_line(stream, 0)
    separator = None
    if announced := _ANNOUNCED.fullmatch(line):
        separator = announced[1]
        skipped, line = _next_line(stream, skipped + 1)
    if not line:
        return Delimited(path, 1, [], [])
    stream.seek(stream.tell() - len(line))
    separator = separator or _separator(line)
    rows = _cells(path, stream, skipped, separator, most_rows)
    if not rows:
        return Delimited(path, 1, [], [])
    (header_line, header), *body = rows
    if len(header) == 1 and len(header[0].split()) > 1:
        raise InputError(
            f"{path}:{header_line}: has one column, {header[0][:40]!r}: separate columns by commas, "
            "semicolons or tabs"
        )
    return Delimited(path, header_line, header, _with_points(path, body, separator))


def _next_line(stream: io.StringIO, skipped: int) -> tuple[int, str]:
    """Lines before the next one that is neither blank nor a comment, and that one; empty at the end."""
    while line := stream.readline():
        if line.strip() and not line.startswith(COMMENT):
            break
        skipped += 1
    return skipped, line


def _separator(header: str) -> str:
    """Separator of a header line: the one that it has most of outside quotes; commas when it has none."""
    bare = re.sub(r'"[^"]*"', "", header)
    return max(SEPARATORS, key=bare.count)


def _cells(
    path: Path, stream: io.StringIO, skipped: int, separator: str, most: int
) -> list[tuple[int, list[str]]]:
    """Line and cells, without blanks around them, of every row that is not blank."""
    reader = csv.reader(stream, delimiter=separator, skipinitialspace=True)
    rows: list[tuple[int, list[str]]] = []
    count = 0
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                count += 1
                if count <= most + 1:
                    rows.append((skipped + reader.line_num, stripped))
    except csv.Error as error:
        raise InputError(f"{path}:{skipped + reader.line_num}: is not a CSV row ({error})") from None
    if count > most + 1:
        raise InputError(f"{path}: has {count - 1} rows: at most {most} can be read")
    return rows


def _with_points(
    path: Path, rows: list[tuple[int, list[str]]], separator: str
) -> list[tuple[int, list[str]]]:
    """Give rows whose decimal commas are points; refuse commas whose meaning is not certain."""
    if not any("," in cell for _, cells in rows for cell in cells):
        return rows
    commas: list[tuple[int, str]] = []
    point: tuple[int, str] | None = None
    for line, cells in rows:
        for cell in cells:
            if len(cell) > _LONGEST_NUMBER:
                continue
            if _COMMA_NUMBER.fullmatch(cell) or _THOUSANDS.fullmatch(cell):
                commas.append((line, cell))
            elif point is None and _POINT_NUMBER.fullmatch(cell):
                point = (line, cell)
    if not commas:
        return rows
    line, cell = commas[0]
    if point is not None:
        raise InputError(
            f"{path}:{line}: {cell}: has a comma, and {point[1]} on line {point[0]} a point; write decimal "
            "points throughout, and nothing between thousands"
        )
    # Where semicolons separate, it is because the comma is decimal.
    if separator != ";" and all(_THOUSANDS.fullmatch(cell) for _, cell in commas):
        raise InputError(
            f"{path}:{line}: {cell}: is {cell.replace(',', '.')} or {cell.replace(',', '')}; write it with a "
            "decimal point, or with nothing between thousands"
        )
    return [
        (line, [cell.replace(",", ".") if _COMMA_NUMBER.fullmatch(cell) else cell for cell in cells])
        for line, cells in rows
    ]
