"""Runs of a study that lie anywhere in depth, Reynolds number and spin ratio, and what each starts from."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

APART = (1e-4, 0.5, 0.15)
"""Changes of depth [m], of ln Re and of S that count alike as a distance between flows: a tenth of a
millimetre, a factor of 1.6, and about half of what a flight's spin ratio changes by. From a neighbour in any
of the three a run settles after as many iterations (benchmarks/RESULTS.md, "the demonstration's level")."""

DEPTH_STEP_M, SPIN_STEP = 1e-6, 1e-3
"""Steps to which depths and spin ratios are rounded, those of the names of their folders [m], [-]."""


@dataclass(frozen=True)
class RunPoint:
    """One run off the grid.

    Parameters
    ----------
    pattern : str
        Name of the pattern.
    depth_m : float
        Surface depth, rounded to a thousandth of a millimetre [m].
    reynolds, spin_ratio : float
        The flow, rounded to three digits and to a thousandth [-].
    level : str or None
        Mesh level; None stands for the study's own.
    round : int
        The round of the study that asked for it, from 0.
    """

    pattern: str
    depth_m: float
    reynolds: float
    spin_ratio: float
    level: str | None = None
    round: int = field(default=0, compare=False)

    @staticmethod
    def rounded(
        pattern: str,
        depth_m: float,
        reynolds: float,
        spin_ratio: float,
        level: str | None = None,
        round_: int = 0,
    ) -> "RunPoint":
        """Point at the nearest condition that the name of a run can tell."""
        depth = round(round(depth_m / DEPTH_STEP_M) * DEPTH_STEP_M, 9)
        spin = round(round(spin_ratio / SPIN_STEP) * SPIN_STEP, 6)
        return RunPoint(pattern, depth, float(f"{reynolds:.3g}"), spin, level, round_)

    def apart(self, other: "RunPoint") -> float:
        """Distance to a run of the same pattern, in units of `APART`."""
        return math.hypot(
            (self.depth_m - other.depth_m) / APART[0],
            math.log(self.reynolds / other.reynolds) / APART[1],
            (self.spin_ratio - other.spin_ratio) / APART[2],
        )

    def content(self) -> dict[str, object]:
        """JSON content; without a level where it is the study's own."""
        found = dict(vars(self))
        if self.level is None:
            found.pop("level")
        return found


def starts(points: Sequence[RunPoint]) -> list[int | None]:
    """Place of the run that each starts from: the nearest of its pattern and mesh level before it.

    Parameters
    ----------
    points : sequence of RunPoint
        In the order in which they were asked for.

    Returns
    -------
    list of int or None
        Runs of earlier rounds come first, so that those of a round need not wait for each other; where there
        are none, the nearest of those before it in the same round; None for the first of all, which starts
        from rest. A point that is added changes the start of none before it.
    """
    found: list[int | None] = []
    for place, point in enumerate(points):
        same = [
            at
            for at, other in enumerate(points[:place])
            if (other.pattern, other.level) == (point.pattern, point.level)
        ]
        known = [at for at in same if points[at].round < point.round] or same
        found.append(min(known, key=lambda at: point.apart(points[at]), default=None))
    return found
