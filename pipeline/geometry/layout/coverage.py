"""Dimples of several sizes under a rotation group, packed for coverage.

Each orbit's dimples share one radius. From an even spread, sequential linear programming moves the orbits
and changes the radii together: coverage grows with every radius, the land between two dimples bounds their
sum. First every orbit has a radius of its own; then orbits of similar radius are joined into the classes
wanted, and the steps go on with one radius a class.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array, hstack, vstack

from pipeline.arrays import FloatArray, IntArray
from pipeline.geometry.layout.class_cuts import nearest_cuts, nth_cuts
from pipeline.geometry.layout.seam import Seam
from pipeline.geometry.layout.spacing import descend, orbit_points, project, tangents, tie_rows

SPREAD_EXPONENTS = (4.0, 16.0)
FREE_STEPS, CLASS_STEPS = 30, 40
FIRST_TRUST = 0.1
"""Largest first step of an orbit, as a share of the mean radius."""

SMALLEST_TRUST = 1e-5
RADIUS_RANGE = (0.55, 1.4)
"""Radii allowed, over that of equal dimples covering four fifths; 2.3 to 5.9 mm across for 332 on a ball."""

SAME_COVERAGE = 1e-6
MOST_JOININGS = 60
"""Ways of joining orbits into classes that are compared by their first steps; evenly chosen among more."""


@dataclass(frozen=True)
class Packing:
    """Positions and radii.

    Attributes
    ----------
    representatives : ndarray, shape (k, 3)
        One unit vector for each general orbit.
    radii : ndarray, shape (f + k,)
        Half angles of the dimples' edges [rad]: of the fixed orbits, then of the general ones.
    coverage : float
        Dimpled share of the sphere.
    """

    representatives: FloatArray
    radii: FloatArray
    coverage: float


class Packer:
    """Packs orbits of a group; see `pack`.

    Parameters
    ----------
    group : ndarray, shape (order, 3, 3)
        Rotation matrices, the identity first.
    fixed : list of ndarray, shape (size, 3)
        Orbits that do not move, each closed under the group.
    land_rad : float
        Least land between two edges, as an angle [rad].
    tied : ndarray, shape (3 k, 3 k), optional
        Projection onto the representatives' positions that are allowed, as for `spacing.largest_spacing`.
    partners : ndarray of int, shape (k,), optional
        For each general orbit the first of those that must have its radius (its mirror image); itself when
        absent.
    seam : Seam, optional
        Kept free, half the land wide on both sides.
    """

    def __init__(
        self,
        group: FloatArray,
        fixed: list[FloatArray],
        land_rad: float,
        tied: FloatArray | None = None,
        partners: IntArray | None = None,
        seam: Seam | None = None,
    ) -> None:
        self.group, self.land, self.tied = group, land_rad, tied
        self.fixed = np.concatenate([np.empty((0, 3)), *fixed])
        self.fixed_orbit = np.repeat(np.arange(len(fixed)), [len(orbit) for orbit in fixed])
        self.fixed_count, self.partners, self.seam = len(fixed), partners, seam

    def pack(
        self,
        starts: Iterable[FloatArray],
        classes: int,
        shares: FloatArray | None,
        report: Callable[[float], None] = lambda share: None,
    ) -> Packing:
        """Best packing found from several starts.

        Parameters
        ----------
        starts : iterable of ndarray, shape (k, 3)
            First guesses of the representatives, unit vectors.
        classes : int
            Number of radii, at least 1; fewer are used when there are fewer orbits.
        shares : ndarray, shape (classes,), optional
            Share of the dimples wanted in each class, widest first; those that cover most when absent.
        report : callable
            Called with the share of the present start that is done, 1 at its end.

        Returns
        -------
        Packing
            The one of largest coverage.

        Raises
        ------
        ValueError
            If there is no start.
        """
        best: Packing | None = None
        for start in starts:
            spread = start
            if len(start):
                spread = descend(self.group, self.fixed, start, self.tied, SPREAD_EXPONENTS, self.seam)
            own = np.arange(self.fixed_count + len(start))
            if self.partners is not None:
                own[self.fixed_count :] = self.fixed_count + self.partners
            own = np.unique(own, return_inverse=True)[1]
            free = self._improved(spread, own, FREE_STEPS, lambda share: report(0.1 + 0.4 * share))
            joined = self._joined(free, own, classes, shares, lambda share: report(0.5 + 0.2 * share))
            found = self._improved(
                free.representatives, joined, CLASS_STEPS, lambda share: report(0.7 + 0.3 * share)
            )
            if best is None or found.coverage > best.coverage + SAME_COVERAGE:
                best = found
            report(1.0)
        if best is None:
            raise ValueError("a packing needs at least one start")
        return best

    def _sizes(self, general: int) -> FloatArray:
        """Number of dimples of each orbit, shape (f + k,)."""
        fixed = np.bincount(self.fixed_orbit, minlength=self.fixed_count)
        return np.concatenate([fixed, np.full(general, len(self.group))]).astype(float)

    def _joined(
        self,
        free: Packing,
        own: IntArray,
        classes: int,
        shares: FloatArray | None,
        report: Callable[[float], None],
    ) -> IntArray:
        """Class of each orbit, shape (f + k,): neighbours in radius together."""
        sizes = self._sizes(len(free.representatives))
        radius = np.array([free.radii[own == v][0] for v in range(own.max() + 1)])
        weight = np.bincount(own, sizes)
        order = np.argsort(-radius, kind="stable")
        count = min(classes, len(order))
        if shares is not None:
            reached = np.cumsum(weight[order]) / weight.sum()
            cuts = [nearest_cuts(reached, np.cumsum(shares)[: count - 1])]
        else:
            ways = math.comb(len(order) - 1, count - 1)
            compared = min(ways, MOST_JOININGS)
            # In whole numbers: there can be more ways than a float counts exactly.
            places = [place * (ways - 1) // max(compared - 1, 1) for place in range(compared)]
            cuts = [nth_cuts(len(order), count - 1, place) for place in places]

        def labels(cut: tuple[int, ...]) -> IntArray:
            place = np.empty(len(order), dtype=np.int64)
            place[order] = np.searchsorted(np.array(cut, dtype=int), np.arange(len(order)), side="right")
            return place[own]

        if len(cuts) == 1:
            return labels(cuts[0])
        reached_by = []
        for place, cut in enumerate(cuts):
            report(place / len(cuts))
            reached_by.append(self._improved(free.representatives, labels(cut), 3).coverage)
        return labels(cuts[int(np.argmax(reached_by))])

    def _improved(
        self,
        representatives: FloatArray,
        label: IntArray,
        steps: int,
        report: Callable[[float], None] = lambda share: None,
    ) -> Packing:
        """Packing after linear steps from given positions, with one radius for each label."""
        sizes = self._sizes(len(representatives))
        mean = np.sqrt(4 * 0.8 / sizes.sum())
        radii = self._largest(representatives, label, np.full(label.max() + 1, mean), sizes)
        trust = FIRST_TRUST * mean
        coverage = _covered(radii[label], sizes)
        for done in range(steps):
            report(done / steps)
            moved, guess = self._step(representatives, label, radii, trust, sizes)
            after = self._largest(moved, label, guess, sizes)
            reached = _covered(after[label], sizes)
            if reached > coverage:
                if reached - coverage < 0.1 * SAME_COVERAGE:
                    break
                representatives, radii, coverage = moved, after, reached
                trust *= 1.3
            else:
                trust *= 0.4
            if trust < SMALLEST_TRUST * mean:
                break
        return Packing(representatives, radii[label], coverage)

    def _pairs(
        self, representatives: FloatArray, reach: float
    ) -> tuple[IntArray, IntArray, IntArray, IntArray, FloatArray]:
        """Pairs nearer than `reach`: orbit and orbit, general orbit i or -1, point p, and their angle."""
        points = orbit_points(self.group, self.fixed, representatives)
        k, order, fixed = len(representatives), len(self.group), len(self.fixed)
        heads = np.concatenate([self.fixed, representatives])
        orbit = np.concatenate([self.fixed_orbit, self.fixed_count + np.repeat(np.arange(k), order)])
        head_orbit = np.concatenate([self.fixed_orbit, self.fixed_count + np.arange(k)])
        cosines = heads @ points.T
        itself = np.concatenate([np.arange(fixed), fixed + np.arange(k) * order])
        cosines[np.arange(len(heads)), itself] = -1.0
        i, p = np.nonzero(cosines > np.cos(min(reach, np.pi)))
        # Fixed with fixed once; fixed with general from the general one's side; i <= j among general ones.
        keep = np.where(i < fixed, (p < fixed) & (i < p), (p < fixed) | (head_orbit[i] <= orbit[p]))
        i, p = i[keep], p[keep]
        return head_orbit[i], orbit[p], np.where(i < fixed, -1, i - fixed), p, np.arccos(cosines[i, p])

    def _bounds(self, sizes: FloatArray) -> tuple[float, float]:
        mean = np.sqrt(4 * 0.8 / sizes.sum())
        return RADIUS_RANGE[0] * mean, RADIUS_RANGE[1] * mean

    def _largest(
        self, representatives: FloatArray, label: IntArray, about: FloatArray, sizes: FloatArray
    ) -> FloatArray:
        """Radii of the labels that cover most at given positions (linearised about given radii)."""
        from scipy.optimize import linprog  # half a second, only where a layout is made

        low, high = self._bounds(sizes)
        one, other, _, _, angle = self._pairs(representatives, 2 * high + self.land)
        rows, values = _radius_rows(label[one], label[other], label.max() + 1), angle - self.land
        if self.seam is not None:
            heads = np.concatenate([self.fixed, representatives])
            orbits = label[
                np.concatenate([self.fixed_orbit, self.fixed_count + np.arange(len(representatives))])
            ]
            clear = self.seam.clearance(heads)[0].min(axis=1)
            rows = vstack([rows, _radius_rows(orbits, orbits, label.max() + 1)], format="csr")
            values = np.concatenate([values, 2 * clear - self.land])
        gain = np.bincount(label, sizes) * np.sin(np.maximum(about, low))
        # Positions that do not allow the smallest radius are taken with smaller ones, and corrected later.
        for lowest in (low, 0.0):
            found = linprog(
                -gain / gain.max(),
                A_ub=rows,
                b_ub=values,
                bounds=[(lowest, high)] * len(gain),
                method="highs",
            )
            if found.x is not None:
                # What rounding of the linear program leaves over is taken off all radii alike.
                excess = float(np.max(rows @ found.x - values, initial=0.0))
                return np.asarray(np.maximum(found.x - excess, 0.0))
        return np.zeros(len(gain))

    def _step(
        self,
        representatives: FloatArray,
        label: IntArray,
        radii: FloatArray,
        trust: float,
        sizes: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Positions and radii after one linear program within the trust region."""
        from scipy.optimize import linprog  # half a second, only where a layout is made

        k, order, fixed, fixed_orbits = (
            len(representatives),
            len(self.group),
            len(self.fixed),
            self.fixed_count,
        )
        low, high = self._bounds(sizes)
        if k == 0:
            return representatives, radii
        one, other, i, p, angle = self._pairs(representatives, 2 * high + self.land + 4 * trust)
        points = orbit_points(self.group, self.fixed, representatives)
        first, second = tangents(representatives)
        frames = np.stack([first, second], axis=1)
        rows = np.arange(len(one))
        moving, other_moves = i >= 0, p >= fixed
        # d angle = -d cosine / sin(angle)
        factor = 1 / np.sin(angle)
        j, g = np.divmod(p[other_moves] - fixed, order)
        own = np.einsum("mab,mb->ma", frames[i[moving]], points[p[moving]]) * factor[moving, None]
        back = np.einsum("mba,mb->ma", self.group[g], representatives[i[other_moves]])
        theirs = np.einsum("mab,mb->ma", frames[j], back) * factor[other_moves, None]
        values = np.concatenate([own.ravel(), theirs.ravel()])
        row = np.concatenate([np.repeat(rows[moving], 2), np.repeat(rows[other_moves], 2)])
        column = np.concatenate(
            [(2 * i[moving][:, None] + [0, 1]).ravel(), (2 * j[:, None] + [0, 1]).ravel()]
        )
        moves = csr_array((values * trust, (row, column)), shape=(len(rows), 2 * k))
        matrix = hstack([moves, _radius_rows(label[one], label[other], len(radii))], format="csr")
        bound = angle - self.land
        if self.seam is not None:
            clear, away = self.seam.clearance(representatives)
            near, which = np.nonzero(2 * clear < 2 * high + self.land + 4 * trust)
            push = -2 * trust * np.einsum("mab,mb->ma", frames[near], away[near, which])
            line = np.arange(len(near))
            place = (np.repeat(line, 2), (2 * near[:, None] + [0, 1]).ravel())
            moves = csr_array((push.ravel(), place), shape=(len(near), 2 * k))
            own_label = label[fixed_orbits + near]
            both = hstack([moves, _radius_rows(own_label, own_label, len(radii))])
            matrix = vstack([matrix, both], format="csr")
            bound = np.concatenate([bound, 2 * clear[near, which] - self.land])
        gain = np.bincount(label, sizes) * np.sin(np.maximum(radii, low))
        cost = np.concatenate([np.zeros(2 * k), -gain / gain.max()])
        equal = None
        if self.tied is not None:
            equal = hstack([tie_rows(frames, self.tied), csr_array((3 * k, len(radii)))], format="csr")
        found = linprog(
            cost,
            A_ub=matrix,
            b_ub=bound,
            A_eq=equal,
            b_eq=None if equal is None else np.zeros(3 * k),
            bounds=[(-1.0, 1.0)] * (2 * k) + [(0.0, high)] * len(radii),
            method="highs",
        )
        if found.x is None:
            return representatives, radii
        offsets = found.x[: 2 * k].reshape(k, 2) * trust
        moved = representatives + offsets[:, :1] * first + offsets[:, 1:] * second
        return project(moved, self.tied), found.x[2 * k :]


def _radius_rows(one: IntArray, other: IntArray, labels: int) -> csr_array:
    """Rows that add the radii of two labels, shape (pairs, labels)."""
    rows = np.arange(len(one))
    return csr_array(
        (np.ones(2 * len(one)), (np.concatenate([rows, rows]), np.concatenate([one, other]))),
        shape=(len(one), labels),
    )


def _covered(radii: FloatArray, sizes: FloatArray) -> float:
    """Share of the sphere inside the edges, sum (1 - cos beta) / 2."""
    return float(sizes @ (np.sin(radii / 2) ** 2))
