"""Golfers as they will be flown, and where in Re and S their flights lie: rows and tables of `check`."""

from collections.abc import Mapping, Sequence
from typing import TypedDict

import numpy as np
from rich.table import Table

from pipeline.arrays import FloatArray
from pipeline.decide.flights.golfer import as_flown, in_words
from pipeline.decide.flights.passage import Passage
from pipeline.study.model import Golfer, Study
from pipeline.study.trade_units import breakable, shown

REYNOLDS_EDGES = (5e4, 6e4, 7e4, 8e4, 1e5, 1.3e5, 1.7e5, 2.1e5)
SPIN_RATIO_EDGES = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
"""Between these the shares of the flight time are shown."""

QUANTITIES = ("reynolds", "spin_ratio")
DEGREES, RPM = 180.0 / np.pi, 30.0 / np.pi


class GolferRow(TypedDict):
    """What is flown of a golfer: source (launch, fitted or drawn), file, count, means and spreads."""

    golfer: str
    source: str
    file: str | None
    count: int | None
    ball_speed_m_s: float
    ball_speed_sd_m_s: float
    launch_angle_deg: float
    launch_angle_sd_deg: float
    backspin_rpm: float
    backspin_sd_rpm: float
    axis_tilt_deg: float
    axis_tilt_sd_deg: float
    words: str


class PassageRow(TypedDict):
    """Where a golfer's flights with one table spend their time: percentiles, shares, share outside runs."""

    golfer: str
    scenario: str
    table: str
    reynolds_p5: float
    reynolds_p50: float
    reynolds_p95: float
    reynolds_edges: list[float]
    reynolds_shares: list[float]
    spin_ratio_p5: float
    spin_ratio_p50: float
    spin_ratio_p95: float
    spin_ratio_edges: list[float]
    spin_ratio_shares: list[float]
    reynolds_below: float
    reynolds_above: float
    spin_ratio_below: float
    spin_ratio_above: float
    outside: float


def golfer_row(golfer: Golfer) -> GolferRow:
    """Return what is flown of a golfer."""
    of = as_flown(golfer)
    speed, angle, spin, tilt = of.mean.tolist()
    speed_sd, angle_sd, spin_sd, tilt_sd = of.spread.tolist()
    return GolferRow(
        golfer=golfer.name,
        source=of.source,
        file=None if of.file is None else str(of.file),
        count=of.count,
        ball_speed_m_s=speed,
        ball_speed_sd_m_s=speed_sd,
        launch_angle_deg=angle * DEGREES,
        launch_angle_sd_deg=angle_sd * DEGREES,
        backspin_rpm=spin * RPM,
        backspin_sd_rpm=spin_sd * RPM,
        axis_tilt_deg=tilt * DEGREES,
        axis_tilt_sd_deg=tilt_sd * DEGREES,
        words=breakable(in_words(of)),
    )


def passage_row(study: Study, of: Passage) -> PassageRow:
    """Return where a golfer's flights with one table spend their time, and how much outside the matrix."""
    reynolds, spin_ratio = ([of.quantile(name, p) for p in (0.05, 0.5, 0.95)] for name in QUANTITIES)
    beyond = of.beyond(study.flow.reynolds, study.flow.spin_ratios)
    return PassageRow(
        golfer=of.golfer,
        scenario=of.scenario,
        table=of.table,
        reynolds_p5=reynolds[0],
        reynolds_p50=reynolds[1],
        reynolds_p95=reynolds[2],
        reynolds_edges=list(REYNOLDS_EDGES),
        reynolds_shares=of.shares("reynolds", REYNOLDS_EDGES).tolist(),
        spin_ratio_p5=spin_ratio[0],
        spin_ratio_p50=spin_ratio[1],
        spin_ratio_p95=spin_ratio[2],
        spin_ratio_edges=list(SPIN_RATIO_EDGES),
        spin_ratio_shares=of.shares("spin_ratio", SPIN_RATIO_EDGES).tolist(),
        reynolds_below=beyond.reynolds_below,
        reynolds_above=beyond.reynolds_above,
        spin_ratio_below=beyond.spin_ratio_below,
        spin_ratio_above=beyond.spin_ratio_above,
        outside=beyond.outside,
    )


def golfer_table(rows: Sequence[GolferRow]) -> Table:
    """Return the table of the golfers as they will be flown."""
    table = Table("golfer", "as flown: mean ± standard deviation", title="Golfers")
    for row in rows:
        table.add_row(row["golfer"], shown(row["words"]))
    return table


def passage_tables(rows: Sequence[PassageRow]) -> list[Table]:
    """Return shares of the flight time by Reynolds number and by spin ratio, means over the balls flown."""
    groups: dict[tuple[str, str], list[PassageRow]] = {}
    for row in rows:
        groups.setdefault((row["golfer"], row["scenario"]), []).append(row)
    return [
        _shares(
            "Reynolds number, thousands",
            [1e-3 * edge for edge in REYNOLDS_EDGES],
            {
                of: (
                    np.mean([row["reynolds_shares"] for row in same], axis=0),
                    max(row["reynolds_below"] + row["reynolds_above"] for row in same),
                )
                for of, same in groups.items()
            },
        ),
        _shares(
            "spin ratio",
            SPIN_RATIO_EDGES,
            {
                of: (
                    np.mean([row["spin_ratio_shares"] for row in same], axis=0),
                    max(row["spin_ratio_below"] + row["spin_ratio_above"] for row in same),
                )
                for of, same in groups.items()
            },
        ),
    ]


def _shares(
    title: str, edges: Sequence[float], rows: Mapping[tuple[str, str], tuple[FloatArray, float]]
) -> Table:
    """Table of shares between edges, and of the share outside the matrix, by golfer and scenario."""
    names = [f"{edge:g}" for edge in edges]
    table = Table(title=f"Share of the flight time by {title}, %")
    table.add_column("golfer")
    heads = (f"< {names[0]}", *(f"to {name}" for name in names[1:]), f"> {names[-1]}")
    for head in (*heads, "outside the matrix, at most"):
        table.add_column(head, justify="right")
    for (golfer, scenario), (shares, outside) in rows.items():
        label = f"{golfer}, {scenario}" if scenario else golfer
        table.add_row(label, *(f"{100 * share:.0f}" for share in (*shares.tolist(), outside)))
    return table
