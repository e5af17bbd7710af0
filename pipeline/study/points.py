"""Runs off the matrix of a study, anywhere or spread over it, and what each starts from."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.arrays import FloatArray

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


def spread_out(
    depths: Sequence[float], reynolds: Sequence[float], spin_ratios: Sequence[float], most: int
) -> tuple[list[tuple[int, float, float]], list[int | None]]:
    r"""Choose few conditions of a matrix that tell how a difference changes over it.

    With the rows x = (1, depth, ln Re, S), the last three scaled to -1 to 1, the next condition is the one
    that makes the determinant of I + sum x x' largest: at the corners of the matrix, opposite ones first.

    Parameters
    ----------
    depths : sequence of float
        Depths or edge angles, increasing, in any unit.
    reynolds, spin_ratios : sequence of float
        Of the matrix. The lowest of several Reynolds numbers is left out: shallow dimples may be in their
        drag crisis there, which is a regime of its own.
    most : int
        How many are wanted; all where the matrix has fewer.

    Returns
    -------
    conditions : list of tuple
        Place among the depths, Reynolds number and spin ratio.
    nearest : list of int or None
        Place of the nearest condition before each.

    References
    ----------
    Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, with SAS, section 11.2 (D-optimum designs, a
    condition at a time).
    """
    above, spins = sorted(reynolds)[1:] or sorted(reynolds), sorted(spin_ratios)
    places = list(itertools.product(range(len(depths)), range(len(above)), range(len(spins))))
    axes = [_scaled(np.asarray(of, float)) for of in (depths, np.log(above), spins)]
    rows = np.array([[1.0, *(axis[at] for axis, at in zip(axes, place, strict=True))] for place in places])
    information = np.eye(4)
    chosen: list[int] = []
    while len(chosen) < min(most, len(places)):
        gain = np.einsum("ni,ij,nj->n", rows, np.linalg.inv(information), rows)
        gain[chosen] = -1.0
        chosen.append(int(gain.argmax()))
        information += np.outer(rows[chosen[-1]], rows[chosen[-1]])
    apart = np.linalg.norm(rows[chosen][:, None] - rows[chosen], axis=-1)
    nearest = [None if at == 0 else int(apart[at, :at].argmin()) for at in range(len(chosen))]
    found = [places[of] for of in chosen]
    return [(depth, above[re], spins[s]) for depth, re, s in found], nearest


def _scaled(values: FloatArray) -> FloatArray:
    """Values from -1 to 1; 0 where there is one alone."""
    half = 0.5 * np.ptp(values)
    return np.asarray((values - values.min() - half) / (half or 1.0))
