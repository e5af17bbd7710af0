"""Where runs of a study may lie, and a first design that fills the conditions that flights pass through."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.aero.region import Region
from pipeline.arrays import FloatArray
from pipeline.decide.flights.passage import Passage, pooled
from pipeline.study.points import APART, RunPoint

DEPTH_STEPS = 8
"""Steps of the depths at which runs may lie, from the shallowest to the deepest: every depth costs a
mesh, and carry is smooth between nine of them."""

MARGIN = 0.2
"""Share by which the region of flights with published balls is enlarged: balls of a study fly otherwise."""

LEAST_INSIDE = 0.05
"""Share of the flight time within a study's Reynolds numbers and spin ratios that makes a region."""

SAME = 0.3
"""Runs that are nearer than this, in units of `APART`, tell the same."""

_TRIED = 4096
"""Conditions of a pattern among which a design is sought."""


@dataclass(frozen=True, eq=False)
class Space:
    """Conditions in which runs may lie.

    Parameters
    ----------
    depth_m : mapping
        By pattern, the shallowest and the deepest depth [m].
    reynolds, spin_ratio : tuple of float
        Lowest and highest that flights pass through [-].
    region : Region
        What flights pass through within these: a ball that slows down spins relatively faster, so that it is
        a band from fast and low spin ratio to slow and high.
    """

    depth_m: Mapping[str, tuple[float, float]]
    reynolds: tuple[float, float]
    spin_ratio: tuple[float, float]
    region: Region

    @staticmethod
    def of_flights(
        depth_m: Mapping[str, tuple[float, float]],
        flights: Sequence[Passage],
        reynolds: Sequence[float],
        spin_ratios: Sequence[float],
    ) -> "Space":
        """Conditions that flights pass through, within the Reynolds numbers and spin ratios of a study.

        Where they hardly pass through these at all, all that lies between them.
        """
        of = pooled(flights)
        ends = (min(reynolds), max(reynolds)), (min(spin_ratios), max(spin_ratios))
        if of.beyond(reynolds, spin_ratios).outside > 1.0 - LEAST_INSIDE:
            return Space(depth_m, *ends, Region.of(*np.meshgrid(*ends)))
        return Space(depth_m, *ends, Region.of(of.reynolds, of.spin_ratio))._grown(1.0 + MARGIN)

    def with_flights(self, flights: Sequence[Passage]) -> "Space":
        """Space that holds other flights too, within the same Reynolds numbers and spin ratios."""
        of, (reynolds, spin) = pooled(flights), self.region.conditions()
        region = Region.of(np.concatenate([reynolds, of.reynolds]), np.concatenate([spin, of.spin_ratio]))
        return replace(self, region=region)._grown(1.0)

    def _grown(self, factor: float) -> "Space":
        """Space whose region is larger by a factor about its middle and keeps to the study's range."""
        logs, spin = np.log(self.region.conditions()[0]), self.region.conditions()[1]
        logs = logs.mean() + factor * (logs - logs.mean())
        spin = spin.mean() + factor * (spin - spin.mean())
        reynolds = np.clip(np.exp(logs), *self.reynolds)
        return replace(self, region=Region.of(reynolds, np.clip(spin, *self.spin_ratio)))

    def corners(self, pattern: str) -> list[RunPoint]:
        """Ends of the region in Re and in S, at the shallowest and the deepest depth of a pattern."""
        hull = self.region.conditions()
        ends = sorted({int(of) for axis in hull for of in (axis.argmin(), axis.argmax())})
        at = [RunPoint.rounded(pattern, 0.0, float(hull[0][end]), float(hull[1][end])) for end in ends]
        kept = [
            point for place, point in enumerate(at) if all(point.apart(other) > SAME for other in at[:place])
        ]
        return [replace(point, depth_m=depth) for point in kept for depth in self.depth_m[pattern]]

    def filled(self, pattern: str, n: int, seed: int) -> list[RunPoint]:
        """Even random conditions of a pattern, at most n (scrambled Sobol points inside the region)."""
        from scipy.stats import qmc  # a second of CPU time, which reports need not wait for

        unit = qmc.Sobol(3, seed=seed).random(int(2 ** np.ceil(np.log2(max(4 * n, 2)))))
        low, high = self.depth_m[pattern]
        depth = low + np.round(unit[:, 0] * DEPTH_STEPS) / DEPTH_STEPS * (high - low)
        logs, (least, most) = np.log(self.reynolds), self.spin_ratio
        reynolds = np.exp(logs[0] + unit[:, 1] * (logs[1] - logs[0]))
        spin = least + unit[:, 2] * (most - least)
        inside = self.region.nearest(reynolds, spin)[2]
        at = np.flatnonzero(inside)[:n]
        found = [RunPoint.rounded(pattern, depth[i], reynolds[i], spin[i]) for i in at]
        return list(dict.fromkeys(found))


def first_design(space: Space, n: int, seed: int = 1) -> list[RunPoint]:
    """Fill the space of every pattern with n runs, the same conditions for all patterns of the same depths.

    Parameters
    ----------
    space : Space
        Where runs may lie.
    n : int
        Runs a pattern.
    seed : int
        Of the conditions tried.

    Returns
    -------
    list of RunPoint
        Of the first pattern first. Of each the middle of the region, its ends in Re and S at both ends of the
        depth, so that flights stay inside of what is computed, then in turn the point that lies farthest from
        all before it (Gonzalez 1985, Theor. Comput. Sci. 38:293-306 [memory]: within a factor of two of the
        best covering).
    """
    found: list[RunPoint] = []
    for pattern in space.depth_m:
        tried = space.filled(pattern, _TRIED, seed)
        at = positions(tried)
        middle = 0.5 * (at.min(axis=0) + at.max(axis=0))
        own = [tried[int(((at - middle) ** 2).sum(axis=1).argmin())], *space.corners(pattern)]
        own = list(dict.fromkeys(own))[:n]
        own += [tried[place] for place in farthest(at, positions(own), n - len(own))]
        found += own
    return found


def farthest(at: FloatArray, known: FloatArray, n: int) -> list[int]:
    """Places of n points, each the one that lies farthest from those known and chosen before.

    Parameters
    ----------
    at, known : ndarray, shapes (m, 3) and (k, 3)
        Points to choose from, and those that are there, in units of `APART`.
    n : int
        How many.
    """
    nearest = np.sqrt(((at[:, None] - known) ** 2).sum(axis=2)).min(axis=1)
    chosen: list[int] = []
    for _ in range(n):
        best = int(nearest.argmax())
        chosen.append(best)
        nearest = np.minimum(nearest, np.sqrt(((at - at[best]) ** 2).sum(axis=1)))
    return chosen


def positions(points: Sequence[RunPoint]) -> FloatArray:
    """Depth, ln Re and S of points in units of `APART`, shape (n, 3)."""
    rows = [(point.depth_m, np.log(point.reynolds), point.spin_ratio) for point in points]
    return np.asarray(np.array(rows, float).reshape(-1, 3) / np.array(APART))
