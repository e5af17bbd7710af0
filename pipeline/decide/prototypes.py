"""Prototypes to make of a decision: patterns and depths that were decided or short-listed, and what for."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.decide.depths import AngleOfDepth
from pipeline.decide.state import DECIDED, PROTOTYPES
from pipeline.records.decision import Decision, DecisionState
from pipeline.study.trade_units import number

SAME_DEPTH_M = 0.5e-6
"""Depths as close as this are one prototype [m]: the third decimal of a millimetre."""


@dataclass
class WantedBall:
    """A prototype.

    Attributes
    ----------
    pattern : str
        Its pattern.
    depth_m : float
        Surface depth of the finished ball [m].
    edge_angle_deg : float or None
        Edge angle at that depth; None where it is not known [deg].
    purposes : list of str
        What it is for, the product for all golfers first.
    tolerance_m, tolerance_edge_angle_deg, tolerance_diameter_m : float or None
        Change of depth [m], edge angle [deg] and ball diameter [m] that costs a yard of carry, the smallest
        among the golfers; None where none does within the depths studied.
    """

    pattern: str
    depth_m: float
    edge_angle_deg: float | None
    purposes: list[str] = field(default_factory=list)
    tolerance_m: float | None = None
    tolerance_edge_angle_deg: float | None = None
    tolerance_diameter_m: float | None = None

    @property
    def name(self) -> str:
        """Pattern and depth, as a plan of firings names it: "ico332 0.14 mm"."""
        return f"{self.pattern} {1e3 * self.depth_m:.2f} mm"


def wanted_balls(decision: Decision, angles: dict[str, AngleOfDepth | None]) -> list[WantedBall]:
    """Prototypes of a decision, for all golfers together and for each.

    Parameters
    ----------
    decision : Decision
        decision.json.
    angles : dict
        Edge angle against depth of each pattern, where known (`pipeline.decide.depths.angle_of_depth`).

    Returns
    -------
    list of WantedBall
        Each pattern and depth once; empty where nothing is decided or short-listed.
    """
    found: list[WantedBall] = []
    several = len(decision.advice) > 1
    everybody: list[tuple[str, DecisionState]] = [("all golfers", decision.product)] if several else []
    for whom, state in [*everybody, *((advice.golfer, advice) for advice in decision.advice)]:
        for pattern, depth_m, purpose in _named(whom, state):
            same = (
                ball
                for ball in found
                if ball.pattern == pattern and abs(ball.depth_m - depth_m) <= SAME_DEPTH_M
            )
            ball = next(same, None)
            if ball is None:
                of_pattern = angles.get(pattern)
                angle = None if of_pattern is None else of_pattern.at(depth_m)
                ball = WantedBall(pattern, depth_m, angle, [], *_tolerances(decision, pattern))
                found.append(ball)
            ball.purposes.append(purpose)
    return found


def _named(whom: str, state: DecisionState) -> Iterator[tuple[str, float, str]]:
    """Pattern, depth and purpose of every ball that one decision asks for."""
    if state.state == DECIDED and state.depth_m is not None:
        sure = "" if state.p_within_yard is None else f" with probability {number(state.p_within_yard, 2)}"
        yield state.pattern, state.depth_m, f"decided for {whom}: within a yard of the best{sure}"
    elif state.state == PROTOTYPES:
        for place, one in enumerate(state.short_list, start=1):
            text = (
                f"short list for {whom}, place {place}: within a yard of the best with probability "
                f"{number(one.p_within_yard, 2)}"
            )
            yield one.pattern, one.depth_m, text


def _tolerances(decision: Decision, pattern: str) -> tuple[float | None, float | None, float | None]:
    rows = [row for row in decision.rows if row.pattern == pattern]

    def smallest(values: list[float | None]) -> float | None:
        return min((value for value in values if value is not None), default=None)

    return (
        smallest([row.tolerance_m for row in rows]),
        smallest([row.tolerance_edge_angle_deg for row in rows]),
        smallest([row.tolerance_diameter_m for row in rows]),
    )
