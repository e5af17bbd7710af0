"""Golfers as they will be flown, and where in Re and S their flights lie: rows and tables of `check`."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from rich.table import Table

from pipeline.decide.flights.golfer import as_flown, in_words
from pipeline.decide.flights.passage import Passage
from pipeline.study.model import Golfer, Study
from pipeline.study.trade_units import breakable

REYNOLDS_EDGES = (5e4, 6e4, 7e4, 8e4, 1e5, 1.3e5, 1.7e5, 2.1e5)
SPIN_RATIO_EDGES = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
"""Between these the shares of the flight time are shown."""

_TO_COLUMNS = (
    ("ball_speed", "m_s", 1.0),
    ("launch_angle", "deg", 180.0 / np.pi),
    ("backspin", "rpm", 30.0 / np.pi),
    ("axis_tilt", "deg", 180.0 / np.pi),
)


def golfer_row(golfer: Golfer) -> dict[str, Any]:
    """Return what is flown of a golfer: source (launch, fitted or drawn), file, count, means and spreads."""
    of = as_flown(golfer)
    row: dict[str, Any] = {
        "golfer": golfer.name,
        "source": of.source,
        "file": None if of.file is None else str(of.file),
        "count": of.count,
    }
    for (name, unit, factor), mean, spread in zip(_TO_COLUMNS, of.mean, of.spread, strict=True):
        row |= {f"{name}_{unit}": float(mean * factor), f"{name}_sd_{unit}": float(spread * factor)}
    return row | {"words": breakable(in_words(of))}


def passage_row(study: Study, of: Passage) -> dict[str, Any]:
    """Return where a golfer's flights with one table spend their time, and how much outside the matrix."""
    row: dict[str, Any] = {"golfer": of.golfer, "scenario": of.scenario, "table": of.table}
    for name, edges in (("reynolds", REYNOLDS_EDGES), ("spin_ratio", SPIN_RATIO_EDGES)):
        row |= {f"{name}_p{p}": of.quantile(name, p / 100) for p in (5, 50, 95)}
        row |= {f"{name}_edges": list(edges), f"{name}_shares": of.shares(name, edges).tolist()}
    return row | of.beyond(study.flow.reynolds, study.flow.spin_ratios)


def golfer_table(rows: Sequence[dict[str, Any]]) -> Table:
    """Return the table of the golfers as they will be flown."""
    table = Table("golfer", "as flown: mean ± standard deviation", title="Golfers")
    for row in rows:
        table.add_row(row["golfer"], row["words"])
    return table


def passage_tables(rows: Sequence[dict[str, Any]]) -> list[Table]:
    """Return shares of the flight time by Reynolds number and by spin ratio, means over the balls flown."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["golfer"], row["scenario"]), []).append(row)
    found = []
    for name, title, factor in (
        ("reynolds", "Reynolds number, thousands", 1e-3),
        ("spin_ratio", "spin ratio", 1.0),
    ):
        edges = [f"{edge * factor:g}" for edge in rows[0][f"{name}_edges"]]
        heads = [f"< {edges[0]}", *(f"to {edge}" for edge in edges[1:]), f"> {edges[-1]}"]
        table = Table(title=f"Share of the flight time by {title}, %")
        table.add_column("golfer")
        for head in (*heads, "outside the matrix, at most"):
            table.add_column(head, justify="right")
        for (golfer, scenario), same in groups.items():
            shares = np.mean([row[f"{name}_shares"] for row in same], axis=0)
            outside = max(row[f"{name}_below"] + row[f"{name}_above"] for row in same)
            label = f"{golfer}, {scenario}" if scenario else golfer
            table.add_row(label, *(f"{100 * share:.0f}" for share in (*shares, outside)))
        found.append(table)
    return found
