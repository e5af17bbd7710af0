"""Ranges of coverage, edge angle and dimple volume that balls have; beyond them a unit is wrong, probably."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.geometry.ball.height_field import DimpledBall

_INCH_IN_MM = 25.4

Row = Mapping[str, Any]
"""A ball: its `variant` (name), and what `measures` or `pipeline.geometry.ball.totals.totals` returns."""


@dataclass(frozen=True)
class Range:
    """Range of a measure that balls have.

    Attributes
    ----------
    what : str
        Its name.
    lowest, highest : str
        Keys of its least and greatest value in a row.
    low, high : float
        Ends of the range.
    factor, unit : float, str
        What values are shown in.
    cause : callable
        The likely cause of a row's value below (true) or above (false) the range, in words.
    """

    what: str
    lowest: str
    highest: str
    low: float
    high: float
    factor: float
    unit: str
    cause: Callable[[Row, bool], str]

    def warning(self, rows: Sequence[Row]) -> str | None:
        """One line on the rows outside the range; None when there are none."""
        wrong = [row for row in rows if row[self.lowest] < self.low or row[self.highest] > self.high]
        if not wrong:
            return None
        ends = min(row[self.lowest] for row in wrong), max(row[self.highest] for row in wrong)
        values = dict.fromkeys(f"{self.factor * end:.3g}" for end in ends)
        which = ""
        if len(wrong) < len(rows):
            names = [row["variant"] for row in wrong]
            which = f" ({', '.join(names[:3])}{', ...' if len(names) > 3 else ''})"
        cause = self.cause(wrong[0], wrong[0][self.lowest] < self.low)
        return (
            f"{self.what} {' to '.join(values)} {self.unit}{which} is outside {self.factor * self.low:g} to "
            f"{self.factor * self.high:g} {self.unit}: {cause}"
        )


def measures(ball: DimpledBall, copies: int = 1) -> dict[str, float]:
    """Measures that are judged, as `pipeline.geometry.ball.totals.totals` names them, without its other work.

    Parameters
    ----------
    ball : DimpledBall
        Some dimples.
    copies : int
        How often the ball to be judged has each of them.

    Returns
    -------
    dict
        coverage, dimple_volume_share, edge_angle_min_deg, edge_angle_max_deg; nothing for a smooth ball.
    """
    if len(ball.layout.directions) == 0:
        return {}
    angles = np.degrees(ball.cavities.edge_angle_rad)
    phantom = np.pi * ball.ball_diameter_m**3 / 6
    return {
        "coverage": copies * float(ball.solid_angles.sum() / (4 * np.pi)),
        "dimple_volume_share": copies * float(ball.cavities.volume_m3.sum() / phantom),
        "edge_angle_min_deg": float(angles.min()),
        "edge_angle_max_deg": float(angles.max()),
    }


def implausible(rows: Sequence[Row]) -> list[str]:
    """Say which measures of a pattern's balls no ball has, and the likely cause; one line a measure.

    Parameters
    ----------
    rows : sequence of mapping
        The balls of one pattern; smooth ones are passed over.

    Returns
    -------
    list of str
        Nothing when all are plausible.
    """
    dimpled = [row for row in rows if row.get("edge_angle_min_deg") is not None]
    return [line for one in RANGES if (line := one.warning(dimpled))]


def _cause_of_coverage(row: Row, is_low: bool) -> str:
    if not is_low:
        return "chord diameters are too wide for the count, or given twice"
    if _is_in_inches(row):
        return "chord diameters look like inches under a heading or unit of mm"
    return "dimples are few, or their chord diameters small; is a radius given for a diameter?"


def _cause_of_angle(row: Row, is_low: bool) -> str:
    if is_low:
        return "depths are small for the chord diameters; is a chord depth given for a surface depth?"
    if _is_in_inches(row):
        return "depths are large for chord diameters that look like inches"
    return "depths are large for the chord diameters; is their unit right, or a radius given for a diameter?"


def _cause_of_volume(row: Row, is_low: bool) -> str:
    if is_low:
        return "dimples are few, narrow or shallow; are the units of depths and chord diameters right?"
    return "depths are large; is their unit right?"


def _is_in_inches(row: Row) -> bool:
    return 0.40 <= row["coverage"] * _INCH_IN_MM**2 <= 0.95


RANGES = (
    Range("coverage", "coverage", "coverage", 0.40, 0.95, 100.0, "%", _cause_of_coverage),
    Range("edge angle", "edge_angle_min_deg", "edge_angle_max_deg", 4.0, 25.0, 1.0, "deg", _cause_of_angle),
    Range(
        "dimple volume", "dimple_volume_share", "dimple_volume_share", 0.003, 0.025, 100.0, "%",
        _cause_of_volume,
    ),
)  # fmt: skip
"""Common practice, no source: what published and sold balls have lies well inside of them."""
