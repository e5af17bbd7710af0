"""Ranges of coverage, edge angle and dimple volume that balls have; beyond them a unit is wrong, probably."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.records.geometry import BallTotals

_INCH_IN_MM = 25.4


@dataclass(frozen=True)
class Measures:
    """Measures of a variant's ball that are judged, as `pipeline.geometry.ball.totals.totals` has them."""

    variant: str
    coverage: float
    dimple_volume_share: float
    edge_angle_min_deg: float
    edge_angle_max_deg: float


@dataclass(frozen=True)
class Range:
    """Range of a measure that balls have.

    Attributes
    ----------
    what : str
        Its name.
    lowest, highest : callable
        Its least and greatest value on a ball.
    low, high : float
        Ends of the range.
    factor, unit : float, str
        What values are shown in.
    cause : callable
        The likely cause of a ball's value below (true) or above (false) the range, in words.
    """

    what: str
    lowest: Callable[[Measures], float]
    highest: Callable[[Measures], float]
    low: float
    high: float
    factor: float
    unit: str
    cause: Callable[[Measures, bool], str]

    def warning(self, balls: Sequence[Measures]) -> str | None:
        """One line on the balls outside the range; None when there are none."""
        wrong = [of for of in balls if self.lowest(of) < self.low or self.highest(of) > self.high]
        if not wrong:
            return None
        ends = min(self.lowest(of) for of in wrong), max(self.highest(of) for of in wrong)
        values = dict.fromkeys(f"{self.factor * end:.3g}" for end in ends)
        which = ""
        if len(wrong) < len(balls):
            names = [of.variant for of in wrong]
            which = f" ({', '.join(names[:3])}{', ...' if len(names) > 3 else ''})"
        cause = self.cause(wrong[0], self.lowest(wrong[0]) < self.low)
        return (
            f"{self.what} {' to '.join(values)} {self.unit}{which} is outside {self.factor * self.low:g} to "
            f"{self.factor * self.high:g} {self.unit}: {cause}"
        )


def measures(ball: DimpledBall, variant: str, copies: int = 1) -> Measures | None:
    """Measures of a ball without the other work of its totals.

    Parameters
    ----------
    ball : DimpledBall
        Some dimples.
    variant : str
        Name.
    copies : int
        How often the ball to be judged has each of them.

    Returns
    -------
    Measures or None
        None for a smooth ball.
    """
    if len(ball.layout.directions) == 0:
        return None
    angles = np.degrees(ball.cavities.edge_angle_rad)
    phantom = np.pi * ball.ball_diameter_m**3 / 6
    return Measures(
        variant=variant,
        coverage=copies * float(ball.solid_angles.sum() / (4 * np.pi)),
        dimple_volume_share=copies * float(ball.cavities.volume_m3.sum() / phantom),
        edge_angle_min_deg=float(angles.min()),
        edge_angle_max_deg=float(angles.max()),
    )


def measures_of_totals(totals: BallTotals, variant: str) -> Measures | None:
    """Take the measures from a ball's totals; None for a smooth ball."""
    low, high = totals.edge_angle_min_deg, totals.edge_angle_max_deg
    if low is None or high is None:
        return None
    return Measures(variant, totals.coverage, totals.dimple_volume_share, low, high)


def implausible(balls: Sequence[Measures]) -> list[str]:
    """Say which measures of a pattern's balls no ball has, and the likely cause; one line a measure.

    Parameters
    ----------
    balls : sequence of Measures
        The dimpled balls of one pattern.

    Returns
    -------
    list of str
        Nothing when all are plausible.
    """
    return [line for one in RANGES if (line := one.warning(balls))]


def _cause_of_coverage(of: Measures, is_low: bool) -> str:
    if not is_low:
        return "chord diameters are too wide for the count, or given twice"
    if _is_in_inches(of):
        return "chord diameters look like inches under a heading or unit of mm"
    return "dimples are few, or their chord diameters small; is a radius given for a diameter?"


def _cause_of_angle(of: Measures, is_low: bool) -> str:
    if is_low:
        return "depths are small for the chord diameters; is a chord depth given for a surface depth?"
    if _is_in_inches(of):
        return "depths are large for chord diameters that look like inches"
    return "depths are large for the chord diameters; is their unit right, or a radius given for a diameter?"


def _cause_of_volume(of: Measures, is_low: bool) -> str:
    if is_low:
        return "dimples are few, narrow or shallow; are the units of depths and chord diameters right?"
    return "depths are large; is their unit right?"


def _is_in_inches(of: Measures) -> bool:
    return 0.40 <= of.coverage * _INCH_IN_MM**2 <= 0.95


RANGES = (
    Range(
        "coverage", lambda of: of.coverage, lambda of: of.coverage, 0.40, 0.95, 100.0, "%",
        _cause_of_coverage,
    ),
    Range(
        "edge angle", lambda of: of.edge_angle_min_deg, lambda of: of.edge_angle_max_deg, 4.0, 25.0, 1.0,
        "deg", _cause_of_angle,
    ),
    Range(
        "dimple volume", lambda of: of.dimple_volume_share, lambda of: of.dimple_volume_share, 0.003, 0.025,
        100.0, "%", _cause_of_volume,
    ),
)  # fmt: skip
"""Common practice, no source: what published and sold balls have lies well inside of them."""
