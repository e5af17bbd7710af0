r"""Drag or lift of many patterns, which inform each other: a common part, a part over features, an own part.

At the depth d, Reynolds number and spin ratio of a run of pattern p a coefficient is

.. math:: C = C_0(d, Re, S) + a(S) \, \delta_p(d, Re, S) + e

C_0 is what all patterns of the family have in common, with the prior of one pattern's coefficients
(`pipeline.aero.process`), and what the drag crisis adds to it near and below its critical Reynolds number.
What a pattern differs by has a level, slopes over S and ln Re, a smooth course over depth, and a crisis of
its own; a(S) is 1 for drag and proportional to lift for lift. Its covariance between patterns p and q is

.. math:: w^2 \, (h \, k(z_p, z_q) + (1 - h) \, [p = q]),  \quad  k = \exp(-|z_p - z_q|^2 / 2 \ell^2)

with the features z: the share h of the variance that features explain lets a pattern be known before any run
of it. All is Gaussian, so that the posterior is linear algebra.
"""

import itertools
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.conditions import Points
from pipeline.aero.crisis import CRISIS_PRIORS
from pipeline.aero.crisis_place import Criterion
from pipeline.aero.discrepancy import MIDDLE, SIZES, UNIT
from pipeline.aero.priors import PRIORS
from pipeline.aero.process import DEPTH_UNIT_M, REYNOLDS_UNIT, matern, mean_terms
from pipeline.arrays import FloatArray

IntArray = NDArray[np.intp]

LENGTHS = (1.5, 0.6, 0.15)
"""Correlation lengths over depth (0.1 mm), ln Re and S: the prior's of one pattern's coefficients."""

CRISIS_DECAY, CRISIS_LENGTH = 0.2, 0.12
"""What the crisis adds falls off with ln(Re / Re_c) over the first, so that transitions of 20 % have room,
and changes over the second, the length of the prior of the crisis (`pipeline.aero.crisis`)."""

CRISIS_OWN = 0.5
"""Share of the size of the crisis by which patterns differ; a judgement, no source."""

FEWEST_PATTERNS = 10
"""Patterns with runs below which nothing of `Kinship` is learned: lengths from fewer are chance."""

_LIFT = 0.5
"""Lift over the prior's lift term S / sqrt(b), its prior mean."""


class Kinship(NamedTuple):
    """How patterns differ [-].

    Parameters
    ----------
    width, depth : float
        Size of what they differ by over the prior's, and that of its course over depth besides.
    share : float
        Share of the variance that features explain.
    length : float
        Root mean square difference of the features over which that falls off.
    """

    width: float
    depth: float
    share: float
    length: float


PRIOR_KINSHIP = Kinship(1.0, 1.0, 0.5, 1.0)
"""Before ten patterns have runs; the width is that of published balls (`pipeline.aero.discrepancy.SIZES`)."""

KINSHIPS = tuple(
    Kinship(*of) for of in itertools.product((0.5, 1.0, 2.0), (1.0, 2.0), (0.2, 0.5, 0.8), (0.7, 1.4))
)  # fmt: skip
"""Among which the evidence of the runs chooses; lengths in root mean square distances of features."""


@dataclass(frozen=True, eq=False)
class Runs:
    """Runs of many patterns.

    Parameters
    ----------
    pattern : ndarray of int, shape (n,)
        Row of each run's pattern in the features.
    points : Points
        Conditions, shape (n,).
    values, errors : ndarray, shape (n,)
        A coefficient and its standard errors [-].
    """

    pattern: IntArray
    points: Points
    values: FloatArray
    errors: FloatArray


class SharedModel:
    """Posterior of one coefficient of all patterns.

    Parameters
    ----------
    name : {"cd", "cl"}
        The coefficient.
    features : ndarray, shape (p, f)
        Features of the patterns, each of mean 0 and standard deviation 1 over the family.
    runs : Runs
        Of some of them; at least one.
    criterion : Criterion or None
        Where the crisis lies; None for flows that know none.
    depth_middle_m : float
        Depth from which the terms of the mean are counted [m].
    kinship : Kinship, optional
        How patterns differ; what the runs say of it when absent, where `FEWEST_PATTERNS` have runs.

    Attributes
    ----------
    kinship : Kinship
        As used.
    """

    def __init__(
        self,
        name: Literal["cd", "cl"],
        features: FloatArray,
        runs: Runs,
        criterion: Criterion | None,
        depth_middle_m: float,
        kinship: Kinship | None = None,
    ) -> None:
        from scipy.linalg import cho_solve

        self._prior, self._crisis = PRIORS[name], CRISIS_PRIORS[name]
        self._own = SIZES[0 if name == "cd" else 1].own
        self._criterion, self._middle_m, self._lifts = criterion, depth_middle_m, name == "cl"
        self.runs = runs
        # Root mean square over the features, so that a length means the same for any number of them.
        apart2 = ((features[:, None] - features) ** 2).mean(axis=2)
        lengths = {of.length for of in (*KINSHIPS, PRIOR_KINSHIP, kinship or PRIOR_KINSHIP)}
        self._alike = {length: np.exp(-0.5 * apart2 / length**2) for length in lengths}
        self._residual = runs.values - self.prior_mean(runs.points)
        common, own = self.common(runs.points, runs.points), self._own_parts(runs.points, runs.points)
        noise = runs.errors**2 + self._prior.repeatability**2
        if kinship is None:
            kinship = PRIOR_KINSHIP
            if np.unique(runs.pattern).size >= FEWEST_PATTERNS:
                kinship = max(KINSHIPS, key=lambda of: self._evidence(common, own, noise, of))
        self.kinship = kinship
        self._factor = self._factored(common, own, noise, kinship)
        self.alpha: FloatArray = cho_solve((self._factor, True), self._residual, check_finite=False)

    def prior_mean(self, points: Points) -> FloatArray:
        """Prior mean, the same for all patterns, shape (m,)."""
        return np.asarray(self._terms(points) @ np.array(self._prior.mean))

    def between_patterns(self, one: IntArray, other: IntArray, kinship: Kinship | None = None) -> FloatArray:
        """Covariance of what patterns differ by, over the prior's variance, shape (m, n)."""
        of = kinship or self.kinship
        near = self._alike[of.length][np.ix_(one, other)]
        same = one[:, None] == other
        return np.asarray(of.width**2 * (of.share * near + (1.0 - of.share) * same))

    def solved(self, cross: FloatArray) -> FloatArray:
        """Half of the posterior's correction: L^-1 times covariances with the runs, shape (n, m)."""
        from scipy.linalg import solve_triangular

        return np.asarray(solve_triangular(self._factor, cross, lower=True, check_finite=False))

    def common(self, one: Points, other: Points) -> FloatArray:
        """Prior covariance of the common part between points, shape (m, n)."""
        spread = np.array(self._prior.spread)
        explicit = (self._terms(one) * spread) @ (self._terms(other) * spread).T
        depth, reynolds, spin = (
            _near(a, b, length) for a, b, length in zip(_scaled(one), _scaled(other), LENGTHS, strict=True)
        )
        lift = self._lift(one)[:, None] * self._lift(other) if self._lifts else 1.0
        amplitude = self._prior.common**2 + self._prior.depth**2 * depth
        found = explicit + reynolds * spin * amplitude * (lift / 0.2**2 if self._lifts else 1.0)
        return np.asarray(found + self._of_crisis(one, other, abs(self._crisis.mean[0])))

    def own(self, one: Points, other: Points) -> FloatArray:
        """Prior covariance, at a width of 1, of what one pattern differs by between points, shape (m, n)."""
        level, depth = self._own_parts(one, other)
        return level + self.kinship.depth**2 * depth

    def _own_parts(self, one: Points, other: Points) -> tuple[FloatArray, FloatArray]:
        """The same without its course over depth, and that alone."""
        level, over_spin, over_reynolds, over_depth = self._own
        (x, r, s), (y, q, t) = _scaled(one), _scaled(other)
        s, t = (s - MIDDLE[0]) / UNIT[0], (t - MIDDLE[0]) / UNIT[0]
        smooth = level**2 + over_spin**2 * s[:, None] * t + over_reynolds**2 * r[:, None] * q
        depth = over_depth**2 * _near(x, y, LENGTHS[0])
        if self._lifts:
            lift = self._lift(one)[:, None] * self._lift(other)
            smooth, depth = smooth * lift, depth * lift
        crisis = self._of_crisis(one, other, CRISIS_OWN * abs(self._crisis.mean[0]))
        return np.asarray(smooth + crisis), np.asarray(depth)

    def _of_crisis(self, one: Points, other: Points, size: float) -> FloatArray | float:
        if self._criterion is None:
            return 0.0
        u, v = (np.log(of.reynolds) - self._criterion.log_critical(of.depth_m) for of in (one, other))
        fades = [np.exp(-np.maximum(of, 0.0) / CRISIS_DECAY) for of in (u, v)]
        if self._lifts:
            fades = [of * np.tanh(at.spin_ratio / 0.05) for of, at in zip(fades, (one, other), strict=True)]
        near = _near(u, v, CRISIS_LENGTH)
        return np.asarray(size**2 * fades[0][:, None] * fades[1] * near)

    def _lift(self, points: Points) -> FloatArray:
        return np.asarray(_LIFT * mean_terms("odd", points, self._middle_m)[:, 0])

    def _terms(self, points: Points) -> FloatArray:
        return mean_terms(self._prior.parity, points, self._middle_m)

    def _factored(
        self, common: FloatArray, own: tuple[FloatArray, FloatArray], noise: FloatArray, of: Kinship
    ) -> FloatArray:
        differs = own[0] + of.depth**2 * own[1]
        covariance = common + differs * self.between_patterns(self.runs.pattern, self.runs.pattern, of)
        covariance[np.diag_indices_from(covariance)] += noise
        return np.asarray(np.linalg.cholesky(covariance))

    def _evidence(
        self, common: FloatArray, own: tuple[FloatArray, FloatArray], noise: FloatArray, of: Kinship
    ) -> float:
        from scipy.linalg import solve_triangular

        factor = self._factored(common, own, noise, of)
        white = solve_triangular(factor, self._residual, lower=True, check_finite=False)
        return -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum())


def _near(one: FloatArray, other: FloatArray, length: float) -> FloatArray:
    """Correlation between values, shape (m, n), computed once for those that repeat."""
    (x, i), (y, j) = (np.unique(of, return_inverse=True) for of in (one, other))
    return matern(np.abs(x[:, None] - y) / length)[0][np.ix_(i, j)]


def _scaled(points: Points) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Depth in tenths of a millimetre, ln Re against the prior's and spin ratio."""
    return points.depth_m / DEPTH_UNIT_M, np.log(points.reynolds / REYNOLDS_UNIT), points.spin_ratio
