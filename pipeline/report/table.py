"""A table of the page: texts, and which of them call for attention."""

from dataclasses import dataclass
from typing import NamedTuple


class Cell(NamedTuple):
    """One cell; `mark` is "" or the name of a style: "good", "warn" or "bad"."""

    text: str
    mark: str = ""


@dataclass(frozen=True)
class Table:
    """A table with a caption.

    Parameters
    ----------
    caption : str
        Above the table; may be empty.
    columns : tuple of str
        Headings.
    rows : list of list of Cell
        As many cells a row as there are columns; the first `labels` of each name the row.
    labels : int
        Number of columns that name the row and are set flush left.
    """

    caption: str
    columns: tuple[str, ...]
    rows: list[list[Cell]]
    labels: int = 1
