"""Tables of numbers as the solver writes them: `#` lines with names above, rows of numbers, brackets and all.

Long ones are read by a compiled parser (`number_parser`), because histories grow to millions of rows and are
read again and again.
"""

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

SHORT_BYTES = 64_000
"""Up to this length a table without faults is read by numpy: loading the compiler takes as long as all else
that a station does for a run, and most runs have a few hundred iterations."""

CHUNK_BYTES = 8_000_000
"""A longer file is parsed in parts of this length, on several cores at once."""

_BLANKED = bytes.maketrans(b"(),[]", b"     ")
"""Brackets and commas as blanks."""

LONGEST_LINE = 4_000
"""Characters of a header line: the longest that solvers write have some hundred."""

LONGEST_HEADER = 20_000
"""Bytes of all lines above the first row."""

SHOWN_NAMES, SHOWN_LETTERS = 12, 40
"""Most column names in a message, and most letters of each."""

THREADS = 4
"""Most parts that are parsed at once."""

TUPLES = ("forces", "moment", "moments", "localForces", "localMoments")
"""Names before the brackets of nested vectors; any other `name(part)` is one column, such as `Cl(f)`."""


@dataclass(frozen=True)
class NumberTable:
    """A file of the solver's post-processing.

    Attributes
    ----------
    path : Path
        The file.
    names : list of str
        Column names, the first of them "Time".
    columns : ndarray, shape (len(names), n)
        Values by column.
    reference : dict of tuple
        Values that the header names, such as magUInf, lRef, Aref and CofR, each a tuple of numbers.
    """

    path: Path
    names: list[str]
    columns: Floats
    reference: dict[str, tuple[float, ...]]

    def unknown_header(self, expected: str) -> InputError:
        """Return the error that lists the columns found."""
        return InputError(
            f"{self.path}: unknown header; found the columns {shown_names(self.names)}; expected {expected}"
        )


def shown_names(names: list[str]) -> str:
    """Column names for a message, which stays short whatever stands in a file."""
    shown = ", ".join(name[:SHOWN_LETTERS] for name in names[:SHOWN_NAMES])
    return shown + (f" and {len(names) - SHOWN_NAMES} more" if len(names) > SHOWN_NAMES else "")


def read_table(path: Path, wanted: Callable[[str], bool] | None = None) -> NumberTable:
    """Read a table by the names in its header.

    Parameters
    ----------
    path : Path
        A file whose `#` lines end with the one that names the columns (`# Time ...`), or whose first line
        names them, divided by commas.
    wanted : callable, optional
        Tells by its name whether a column is wanted; the others are passed over, their numbers unread. All
        are by default; Time always is.

    Returns
    -------
    NumberTable
        A last line without its end is left out: it is still being written, or the solver died in it.

    Raises
    ------
    InputError
        If it is no regular file, there is no header, a row has not as many numbers as the header has names,
        or times do not grow.
    """
    path = Path(path)
    if not path.is_file():  # a pipe without a writer would be waited for
        raise InputError(f"{path}: is missing or no regular file")
    # A file that is still growing is short and read as it is now; copying a long one would cost as much as
    # parsing it.
    small = path.stat().st_size <= CHUNK_BYTES
    data = np.fromfile(path, np.uint8) if small else np.asarray(np.memmap(path, np.uint8, mode="c"))
    end = len(data)
    while end and data[end - 1] != ord("\n"):
        end -= 1
    names, reference, begin = _header(path, data[:end])
    kept = np.array([not place or wanted is None or wanted(name) for place, name in enumerate(names)])
    columns = _plain_columns(data[begin:end], kept) if end - begin <= SHORT_BYTES else None
    if columns is None:
        columns = _columns(path, data, begin, end, kept)
    names = [name for name, keep in zip(names, kept, strict=True) if keep]
    time = columns[0]
    late = time[1:] <= time[:-1]
    if late.any():
        row = int(np.argmax(late)) + 1
        raise InputError(
            f"{path}: time {time[row]:g} in row {row + 1} is not later than the one before it; expected "
            "growing times (with very small steps, set a larger timePrecision)"
        )
    return NumberTable(path, names, columns, reference)


def _header(path: Path, data: Bytes) -> tuple[list[str], dict[str, tuple[float, ...]], int]:
    """Column names, the values that the lines above name, and where the rows begin."""
    reference: dict[str, tuple[float, ...]] = {}
    last, place = "", 0
    while place < len(data):
        ends = np.flatnonzero(data[place : place + LONGEST_LINE] == ord("\n"))
        if last and data[place] != ord("#") and not len(ends):
            break  # a long first row
        if not len(ends) or place > LONGEST_HEADER:
            raise InputError(
                f"{path}: no header line '# Time ...' (up to {LONGEST_LINE:,} characters) found in its first "
                f"{min(LONGEST_HEADER, len(data)):,} bytes"
            )
        stop = place + int(ends[0])
        line = data[place:stop].tobytes().decode(errors="replace").strip()
        if line and not line.startswith("#"):
            break
        if line:
            last = line
        named = re.fullmatch(r"#\s*(\w+)\s*:\s*(.*)", line)
        if named:
            try:
                values = tuple(float(number) for number in re.split(r"[\s(),]+", named[2]) if number)
            except ValueError:
                values = ()  # text, such as a patch name
            if values:
                reference[named[1]] = values
        place = max(stop, place) + 1
    if place < len(data) and not last and "," in line:
        return ["Time", *(name.strip() for name in line.split(",")[1:])], reference, stop + 1
    names = _column_names(last)
    if len(names) < 2 or names[0] != "Time":
        raise InputError(f"{path}: no header line '# Time ...' found")
    return names, reference, min(place, len(data))


def _column_names(header: str) -> list[str]:
    """Names of the numbers in a row; a tuple of vectors, `forces(pressure viscous)`, has three a part."""
    text = header.lstrip("#").strip()
    nested = [(what, parts) for what, parts in re.findall(r"(\w+)\(([^()]*)\)", text) if what in TUPLES]
    if nested:
        return ["Time"] + [
            f"{what}({part})_{axis}"
            for what, parts in nested
            for part in re.split(r"[\s,]+", parts.strip())
            for axis in "xyz"
        ]
    if re.search(r"\w\(\w+\)", text):
        return text.split()
    return text.translate(str.maketrans("()", "  ")).split()


def _plain_columns(data: Bytes, kept: NDArray[np.bool_]) -> Floats | None:
    """Columns of rows that are nothing but numbers; None for anything else, which the parser sorts out."""
    text = data.tobytes().translate(_BLANKED)
    if b"_" in text:
        return None  # between digits, numpy takes it
    try:
        rows = np.array([line.split() for line in text.split(b"\n")[:-1]], dtype=float)
    except ValueError:
        return None
    return rows.T[kept] if rows.ndim == 2 and rows.shape[1] == len(kept) else None


def _columns(path: Path, data: Bytes, begin: int, end: int, kept: NDArray[np.bool_]) -> Floats:
    from pipeline.flow.forces.number_parser import BREAKS, POWERS, TENS, count_lines, parse

    parts = _parts(data, begin, end)
    with ThreadPoolExecutor(min(THREADS, len(parts))) as pool:
        lines = list(pool.map(lambda part: int(count_lines(data, *part)), parts))
        first = np.concatenate([[0], np.cumsum(lines)]).astype(int)
        columns = np.empty((int(kept.sum()), first[-1]))
        rows_of = np.where(kept, np.cumsum(kept) - 1, -1)
        found = list(
            pool.map(
                lambda part, row: parse(data, part[0], part[1], columns, rows_of, row, POWERS, TENS, BREAKS),
                parts,
                first[:-1],
            )
        )
    for _, broken in found:
        if broken >= 0:
            raise _broken_line(path, data, int(broken), len(kept))
    if all(rows == count for (rows, _), count in zip(found, lines, strict=True)):
        return columns
    # Empty lines and comments between the rows leave gaps.
    filled = [columns[:, start : start + rows] for (rows, _), start in zip(found, first[:-1], strict=True)]
    return np.concatenate(filled, axis=1)


def _parts(data: Bytes, begin: int, end: int) -> list[tuple[int, int]]:
    """Divide the rows into parts of whole lines."""
    cuts = [begin]
    while end - cuts[-1] > CHUNK_BYTES:
        place = cuts[-1] + CHUNK_BYTES
        while place < end and data[place - 1] != ord("\n"):
            place += 1
        cuts.append(place)
    return list(zip(cuts, [*cuts[1:], end], strict=True))


def _broken_line(path: Path, data: Bytes, place: int, width: int) -> InputError:
    number = int(np.count_nonzero(data[:place] == ord("\n"))) + 1
    text = data[place : place + 10_000].tobytes().decode(errors="replace").split("\n")[0]
    found = re.split(r"[\s(),\[\]]+", text.strip(" \t\r()[],"))
    for token in found:
        try:
            float(token)
        except ValueError:
            return InputError(f"{path}:{number}: '{token[:40]}' where a number belongs: {text.strip()[:60]}")
    return InputError(
        f"{path}:{number}: {len(found)} numbers where the header names {width}: {text.strip()[:60]}"
    )
