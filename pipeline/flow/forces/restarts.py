"""Finds the history files of function objects in a case, and joins those of restarts.

A function object writes NAME.dat into a folder that is named after the time at which the solver was started;
when it is there already, NAME_TIME.dat beside it.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray


@dataclass(frozen=True)
class Start:
    """The files of one start of the solver.

    Attributes
    ----------
    folder : Path
        Named after the start time.
    name : str
        Of the file, without the suffix that a second start adds, e.g. "force".
    suffix : str
        "" or "_TIME".
    """

    folder: Path
    name: str
    suffix: str

    def path(self, name: str | None = None) -> Path:
        """File of this start; that of another name for the same start."""
        return self.folder / f"{name or self.name}{self.suffix}.dat"

    @property
    def order(self) -> tuple[float, float]:
        """Place among the starts: by the folder's time, then by the suffix's, without one first."""
        return float(self.folder.name), float(self.suffix[1:]) if self.suffix else -math.inf


def starts(folder: Path, names: Iterable[str]) -> list[Start]:
    """Find the files of a function object.

    Parameters
    ----------
    folder : Path
        Of the function object, with one folder a start time.
    names : iterable of str
        File names looked for, without suffix and `.dat`.

    Returns
    -------
    list of Start
        Earliest first; times are compared as numbers.
    """
    wanted = re.compile(f"({'|'.join(map(re.escape, names))})(_[^_]+)?\\.dat")
    found = []
    for entry in Path(folder).glob("*/*.dat"):
        match = wanted.fullmatch(entry.name)
        if match and is_time(entry.parent.name) and (not match[2] or is_time(match[2][1:])):
            found.append(Start(entry.parent, match[1], match[2] or ""))
    return sorted(found, key=lambda start: start.order)


def is_time(name: str) -> bool:
    """Whether a folder's name is a time."""
    try:
        return math.isfinite(float(name))
    except ValueError:
        return False


def merged_rows(times: list[FloatArray]) -> list[slice]:
    """Which rows of each start stand in the merged history.

    Parameters
    ----------
    times : list of ndarray
        Growing times of every start, earliest start first.

    Returns
    -------
    list of slice
        Where starts overlap, the later one wins: from its first time on, earlier ones are dropped.
    """
    rows, end = [], math.inf
    for time in reversed(times):
        rows.append(slice(0, int(np.searchsorted(time, end))))
        if len(time):
            end = min(end, float(time[0]))
    return rows[::-1]
