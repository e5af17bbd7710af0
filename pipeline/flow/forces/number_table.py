"""Tables of numbers as the solver writes them: `#` lines with names above, rows of numbers with brackets."""

import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError

SHORT_BYTES = 64_000
"""Up to this length rows are read one by one: the import of pandas takes as long as all else that a station
does for a run, and most runs have a few hundred iterations."""

_BLANKED = bytes.maketrans(b"(),[]", b"     ")
"""Brackets and commas as blanks."""

LONGEST_LINE = 4_000
"""Characters of a header line: the longest that solvers write have some hundred."""

LONGEST_HEADER = 20_000
"""Bytes of all lines above the first row."""

SHOWN_NAMES, SHOWN_LETTERS = 12, 40
"""Most column names in a message, and most letters of each."""

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
    columns: FloatArray
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
        Whether the column of that name is wanted. All are by default; Time always is.

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
    data = path.read_bytes()
    data = data[: data.rfind(b"\n") + 1]
    names, reference, begin = _header(path, data)
    columns = _columns(path, data, begin, len(names))
    kept = [not place or wanted is None or wanted(name) for place, name in enumerate(names)]
    columns = columns[kept]
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


def _header(path: Path, data: bytes) -> tuple[list[str], dict[str, tuple[float, ...]], int]:
    """Column names, the values that the lines above name, and where the rows begin."""
    reference: dict[str, tuple[float, ...]] = {}
    last, place, line = "", 0, ""
    while place < len(data):
        stop = data.find(b"\n", place, place + LONGEST_LINE)
        if last and stop < 0 and not data.startswith(b"#", place):
            break  # a long first row
        if stop < 0 or place > LONGEST_HEADER:
            raise InputError(
                f"{path}: no header line '# Time ...' (up to {LONGEST_LINE:,} characters) found in its first "
                f"{min(LONGEST_HEADER, len(data)):,} bytes"
            )
        line = data[place:stop].decode(errors="replace").strip()
        if line and not line.startswith("#"):
            break
        last = line or last
        named = re.fullmatch(r"#\s*(\w+)\s*:\s*(.*)", line)
        if named:
            try:
                values = tuple(float(number) for number in re.split(r"[\s(),]+", named[2]) if number)
            except ValueError:
                values = ()  # text, such as a patch name
            if values:
                reference[named[1]] = values
        place = stop + 1
    if place < len(data) and not last and "," in line:
        return (
            ["Time", *(name.strip() for name in line.split(",")[1:])],
            reference,
            data.index(b"\n", place) + 1,
        )
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


def _columns(path: Path, data: bytes, begin: int, width: int) -> FloatArray:
    """Numbers of the rows, shape (width, n)."""
    rows = data[begin:].translate(_BLANKED)
    columns = _by_pandas(rows, width) if len(rows) > SHORT_BYTES else None
    return _row_by_row(path, data, begin, rows, width) if columns is None else columns


def _by_pandas(rows: bytes, width: int) -> FloatArray | None:
    """Columns of rows that are nothing but numbers; None for anything else."""
    import pandas as pd

    try:
        frame = pd.read_csv(io.BytesIO(rows), sep=r"\s+", header=None, comment="#", dtype=float)
    except ValueError:  # text, a row longer than the first one, no rows at all
        return None
    columns = np.ascontiguousarray(frame.to_numpy().T)
    # Missing numbers become NaN; those that are written so are found row by row.
    return columns if len(columns) == width and not np.isnan(columns).any() else None


def _row_by_row(path: Path, data: bytes, begin: int, rows: bytes, width: int) -> FloatArray:
    """Columns of any rows, at 2 us a number; the first that is broken is named."""
    found = []
    for place, row in enumerate(rows.split(b"\n")):
        words = row.partition(b"#")[0].split()
        if not words:
            continue
        try:
            if len(words) != width or b"_" in row:  # Python takes it between digits
                raise ValueError
            found.append([float(word) for word in words])
        except ValueError:
            text = data[begin:].split(b"\n")[place].decode(errors="replace")
            number = data.count(b"\n", 0, begin) + place + 1
            raise _broken_row(f"{path}:{number}", words, text.strip()[:60], width) from None
    return np.array(found, dtype=float).reshape(-1, width).T


def _broken_row(place: str, words: list[bytes], text: str, width: int) -> InputError:
    for word in words:
        try:
            float(word.replace(b"_", b"?"))
        except ValueError:
            shown = word[:40].decode(errors="replace")
            return InputError(f"{place}: '{shown}' where a number belongs: {text}")
    return InputError(f"{place}: {len(words)} numbers where the header names {width}: {text}")
