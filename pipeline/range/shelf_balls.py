"""Balls of the shelf from a reduction: its tables, and the joint errors of drag and lift at their nodes."""

import math
import re
from pathlib import Path

import numpy as np

from pipeline.aero.table_file import read_table
from pipeline.arrays import BoolArray, FloatArray
from pipeline.files.columns import Column, Problems, read_columns
from pipeline.range.record import FiredPattern, ReductionRecord
from pipeline.range.results import REDUCTION, VALUES, table_file
from pipeline.range.terms import Term, design, parse_terms
from pipeline.records.record import read
from pipeline.shelf.ball import ShelfBall, modes_of
from pipeline.study.names import SAFE_NAME

_WITH_DEPTH = re.compile(r"(.+?)[ _-]+([0-9]+(?:\.[0-9]+)?) ?mm")
"""Kinds of balls as `depthline range plan` writes them: "ico332 0.14 mm"."""


def balls_of_reduction(folder: Path, place: str, date: str = "") -> list[ShelfBall]:
    """Make balls of the shelf from the results of `depthline range reduce`.

    Parameters
    ----------
    folder : Path
        With reduction.json, values.csv and a table a pattern.
    place : str
        Name of the range: its balls share what it measures wrong.
    date : str
        When they were fired.

    Returns
    -------
    list of ShelfBall
        One a pattern of the firings. A kind "ico332 0.14 mm" is the pattern ico332 at that depth, or at the
        mean depth as moulded where that was measured.

    Raises
    ------
    InputError
        A file is missing or broken.
    """
    folder = Path(folder)
    record = read(folder / REDUCTION, ReductionRecord)
    covariance = np.array(record.parameters.covariance)
    files = ", ".join(Path(of.file).name for of in record.files)
    inside = _measured_nodes(folder)
    return [
        _ball(
            folder, of, record.parameters.order, covariance, inside.get(of.pattern, set()), place, date, files
        )
        for of in record.patterns
    ]


def _ball(
    folder: Path, of: FiredPattern, order: list[str], covariance: FloatArray,
    measured: set[tuple[str, str]], place: str, date: str, files: str,
) -> ShelfBall:  # fmt: skip
    kind = of.pattern
    table = read_table(folder / table_file(kind))
    split = _WITH_DEPTH.fullmatch(kind)
    pattern, depth = (split[1], 1e-3 * float(split[2])) if split else (kind, math.nan)
    depth = depth if of.depth_m is None else of.depth_m
    shape = table.cd.shape
    inside = np.array(
        [[(f"{re_:.6g}", f"{s:.6g}") in measured for s in table.spin_ratio] for re_ in table.reynolds]
    )
    near = _nearest(table.reynolds, table.spin_ratio, inside)
    jacobian = np.zeros((2 * near[0].size, len(order)))
    for row, name in enumerate(("cd", "cl")):
        for column, key in enumerate(order):
            owner, _, rest = key.rpartition("/")
            if owner == f"{kind}/{name}":
                (term,) = (Term(),) if rest == "1" else parse_terms(rest, str(folder / REDUCTION))
                values = design((term,), *near)[:, 0]
                jacobian[row * near[0].size : (row + 1) * near[0].size, column] = values
    modes = modes_of(jacobian @ covariance @ jacobian.T, (shape[0], shape[1]))
    return ShelfBall(
        _safe(kind, place), "measured", table, inside, modes,
        pattern=pattern if re.fullmatch(SAFE_NAME, pattern) else "", depth_m=depth, place=place,
        source=f"range reduce of {files}", date=date, balls=of.balls, shots=of.shots,
    )  # fmt: skip


def _nearest(
    reynolds: FloatArray, spin_ratio: FloatArray, inside: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Conditions of the nodes, those outside what was fired replaced by the nearest node inside."""
    log, s = np.meshgrid(np.log(reynolds), spin_ratio, indexing="ij")
    points = np.stack([log.ravel(), s.ravel() / 0.3], axis=1)
    own = points[inside.ravel()] if inside.any() else points
    best = ((points[:, None] - own) ** 2).sum(axis=2).argmin(axis=1)
    return np.exp(own[best, 0]), 0.3 * own[best, 1]


def _measured_nodes(folder: Path) -> dict[str, set[tuple[str, str]]]:
    """Nodes of the tables that shots covered, as text, by pattern."""
    problems = Problems()
    columns = {"reynolds": Column("count", 1e3, 1e7, ""), "spin_ratio": Column("count", 0.0, 3.0, "")}
    read = read_columns(
        folder / VALUES, "values.csv of a reduction", columns, ("pattern",), ("pattern", *columns), problems
    )
    problems.refuse()
    assert read is not None
    found: dict[str, set[tuple[str, str]]] = {}
    rows = zip(read.texts["pattern"], read.values["reynolds"], read.values["spin_ratio"], strict=True)
    for pattern, re_, s in rows:
        found.setdefault(pattern, set()).add((f"{re_:.6g}", f"{s:.6g}"))
    return found


def _safe(kind: str, place: str) -> str:
    """File name of a kind of ball fired at a range."""
    text = re.sub(r"[^A-Za-z0-9_]+", "-", f"{kind.replace('.', '_')}-{place}").strip("-_")
    return text[:64] or "ball"
