"""Correction of computed coefficients by measured balls: comparison, leave-one-ball-out score, verdict."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.corrected import CorrectedModel
from pipeline.aero.crisis_place import INSIDE, SHARED_SHIFT, Criterion
from pipeline.aero.discrepancy import Comparison, Discrepancy, columns, learn
from pipeline.aero.model import CoefficientModel
from pipeline.aero.table import BOUNDS, CoefficientTable
from pipeline.arrays import BoolArray, FloatArray
from pipeline.flow.solver.boundary_layer import critical_reynolds

LEAST_SPIN_RATIO, LEAST_LIFT = 0.03, 0.03
"""Below these the ratio of two lifts is that of two errors."""

CONDITIONS_A_SIDE = 3
"""Reynolds numbers and spin ratios at which a ball is compared: its coefficients are smooth, and more would
count what the terms do not explain as if it were independent."""

BEYOND_M = 1.0e-5
"""Depth beyond those computed at which a ball still stands for its pattern [m]."""

LEAST_GAIN = 0.3
"""Share of their error that balls of other patterns must take away before patterns that were not fired are
corrected. Where patterns share nothing, three fired ones look by chance as if they did: in four of ten
simulated makers by something, in less than one of ten by this much (record 021)."""

Carry = Callable[[Sequence[CoefficientTable]], FloatArray]


class Measured(Protocol):
    """What a correction needs of a measured ball (`pipeline.shelf.ball.ShelfBall`)."""

    @property
    def name(self) -> str:
        """Name of the ball."""

    @property
    def pattern(self) -> str:
        """Its pattern."""

    @property
    def place(self) -> str:
        """Range or laboratory."""

    @property
    def depth_m(self) -> float:
        """Depth as moulded [m]."""

    @property
    def table(self) -> CoefficientTable:
        """Drag and lift."""

    @property
    def inside(self) -> BoolArray:
        """Nodes of the table that were measured, shape (nr, ns)."""

    @property
    def modes(self) -> FloatArray:
        """Joint errors of Cd and Cl, shape (k, nr, ns, 2)."""

    @property
    def critical_reynolds(self) -> float:
        """Measured critical Reynolds number, or NaN."""

    @property
    def critical_spread(self) -> float:
        """Its relative standard deviation, or NaN."""


class BallScore(NamedTuple):
    """One measured ball: the mean difference to the computed one, and what the correction makes of its carry.

    `carry_computed_m`, `carry_others_m`, `carry_patterns_m` and `carry_corrected_m` are by the computed
    coefficients and by those that the other balls, the balls of other patterns, and all balls correct, over
    the conditions that were measured;
    `level` is what the ball contributes to the shared levels of Cd and ln Cl; `left_over` is the mean
    difference of Cd and ln Cl that stays after the correction by the others.
    """

    name: str
    pattern: str
    place: str
    depth_m: float
    conditions: int
    difference: tuple[float, float]
    left_over: tuple[float, float]
    level: tuple[float, float]
    carry_measured_m: float
    carry_computed_m: float
    carry_others_m: float
    carry_patterns_m: float
    carry_corrected_m: float


@dataclass(frozen=True, eq=False)
class Correction:
    """What measured balls say of a study's computed coefficients.

    Parameters
    ----------
    applied : bool
        Whether the coefficients are corrected.
    for_all : bool
        Whether those of patterns that were not fired are corrected too.
    why : str
        A sentence.
    discrepancy : Discrepancy
        Learned from all balls.
    balls : list of BallScore
        Those that were compared.
    left_out : list of str
        Why others were not, a sentence each.
    before_m, others_m, patterns_m : float
        Root mean square error of the balls' carry, computed, corrected by the other balls, and by the balls
        of other patterns [m]; NaN where fewer than two balls or patterns were compared.
    """

    applied: bool
    for_all: bool
    why: str
    discrepancy: Discrepancy
    balls: list[BallScore]
    left_out: list[str]
    before_m: float
    others_m: float
    patterns_m: float

    def models(self, computed: Mapping[str, CoefficientModel]) -> dict[str, CoefficientModel]:
        """Return the models to fly with: corrected where that helps."""
        if not self.applied:
            return dict(computed)
        fired = {of.pattern for of in self.balls}
        return {
            name: CorrectedModel(model, self.discrepancy) if self.for_all or name in fired else model
            for name, model in computed.items()
        }


def correct(models: Mapping[str, CoefficientModel], balls: Sequence[Measured], carry: Carry) -> Correction:
    """Learn a correction and judge it by leaving each ball out in turn.

    Parameters
    ----------
    models : mapping
        Computed coefficients by pattern.
    balls : sequence of Measured
        Measured balls of these patterns.
    carry : callable
        Mean carry of the golfers with each of some tables [m].

    Returns
    -------
    Correction
        Applied when the carry of balls left out comes nearer to the measured one, root mean square over the
        balls, by what was learned from the others.
    """
    usable, left_out = [], []
    for ball in balls:
        found = compare(ball, models)
        if isinstance(found, str):
            left_out.append(found)
        else:
            usable.append((ball, *found))
    patterns = list(models)
    whole = learn(patterns, [comparison for _, comparison, _ in usable])
    levels = whole.contributions()
    scores = []
    for (ball, comparison, nodes), level in zip(usable, levels, strict=True):
        others = whole.without({ball.name})
        foreign = whole.without({of.name for of, *_ in usable if of.pattern == ball.pattern})
        at = columns(comparison.depth_m, comparison.reynolds, comparison.spin_ratio)
        left = (comparison.difference - others.mean_at(ball.pattern, at)).mean(axis=1)
        flown = carry(_tables(ball, models[ball.pattern], nodes, [None, others, foreign, whole]))
        first = comparison.difference.mean(axis=1)
        scores.append(
            BallScore(
                ball.name, ball.pattern, ball.place, ball.depth_m, comparison.reynolds.size,
                (float(first[0]), float(first[1])), (float(left[0]), float(left[1])),
                (float(level[0]), float(level[1])), *map(float, flown),
            )
        )  # fmt: skip
    return _verdict(whole, scores, left_out)


def _verdict(whole: Discrepancy, scores: list[BallScore], left_out: list[str]) -> Correction:
    """Whether to apply a correction, and to which patterns."""
    if len(scores) < 2:
        count = "one measured ball can" if scores else "no measured ball can"
        why = (
            f"Not applied: {count} be compared with computed ones, so that nothing says whether what it "
            "teaches holds for others; fire a second pattern or depth."
        )
        return Correction(False, False, why, whole, scores, left_out, math.nan, math.nan, math.nan)
    measured = np.array([of.carry_measured_m for of in scores])
    before, others, foreign = (
        float(np.sqrt(np.nanmean((np.array([getattr(of, name) for of in scores]) - measured) ** 2)))
        for name in ("carry_computed_m", "carry_others_m", "carry_patterns_m")
    )
    several = len({of.pattern for of in scores}) > 1
    applied = others < before
    for_all = applied and (not several or foreign < (1.0 - LEAST_GAIN) * before)
    why = (
        f"{'Applied' if applied else 'Not applied'}: with each of {len(scores)} measured balls left out in "
        f"turn, the others bring its carry from {before:.1f} m off its measurement to {others:.1f} m "
        "(root mean square)."
    )
    if not several:
        why += " All are of one pattern: whether others share what it teaches is not known."
    elif applied:
        why += (
            f" Balls of other patterns alone bring it to {foreign:.1f} m, so that patterns which were not "
            f"fired are {'corrected too' if for_all else 'left as computed'}."
        )
    return Correction(
        applied, for_all, why, whole, scores, left_out, before, others, foreign if several else math.nan
    )


def compare(ball: Measured, models: Mapping[str, CoefficientModel]) -> tuple[Comparison, BoolArray] | str:
    """Compare a measured ball with the computed one, or say why that cannot be.

    Returns
    -------
    comparison : Comparison
        At up to `CONDITIONS_A_SIDE` x `CONDITIONS_A_SIDE` conditions.
    nodes : ndarray of bool, shape (nr, ns)
        Nodes of the ball's table that can be compared: measured, inside what was computed, tripped all round.
    """
    model = models.get(ball.pattern)
    if model is None:
        return f"{ball.name}: its pattern, {ball.pattern or 'not known'}, has no usable runs in this study."
    if math.isnan(ball.depth_m):
        return f"{ball.name}: its depth is not known."
    if not model.depth_m[0] - BEYOND_M <= ball.depth_m <= model.depth_m[-1] + BEYOND_M:
        return (
            f"{ball.name}: its depth, {1e3 * ball.depth_m:.3f} mm, is outside those computed, "
            f"{1e3 * model.depth_m[0]:.3f} to {1e3 * model.depth_m[-1]:.3f} mm."
        )
    table = ball.table
    re, s = np.meshgrid(table.reynolds, table.spin_ratio, indexing="ij")
    computed = model.tables([ball.depth_m])[0].at(re, s)
    low, high = model.studied_reynolds[[0, -1]]
    nodes = ball.inside & (re >= 0.98 * low) & (re <= 1.02 * high)
    nodes &= (s >= LEAST_SPIN_RATIO) & (s <= 1.05 * model.studied_spin_ratio[-1])
    nodes &= (computed.cl >= LEAST_LIFT) & (table.cl >= LEAST_LIFT)
    nodes &= model.untripped(ball.depth_m, re, s) <= INSIDE
    if not nodes.any():
        return (
            f"{ball.name}: nothing that was measured lies where the computed boundary layer is tripped all "
            "round, at spin ratios with lift."
        )
    i, j = _few(re, s, nodes)
    difference = np.stack([table.cd[i, j] - computed.cd[i, j], np.log(table.cl[i, j] / computed.cl[i, j])])
    modes = np.stack([ball.modes[:, i, j, 0], ball.modes[:, i, j, 1] / table.cl[i, j]], axis=1)
    found = Comparison(
        ball.name, ball.pattern, ball.place, ball.depth_m, re[i, j], s[i, j], difference, modes
    )
    return found, nodes


def _few(re: FloatArray, s: FloatArray, nodes: BoolArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Few of the nodes, spread over them."""
    places = np.argwhere(nodes)
    points = np.stack([np.log(re[nodes]), s[nodes] / 0.3], axis=1)
    low, high = points.min(axis=0), points.max(axis=0)
    axes = [np.linspace(a, b, CONDITIONS_A_SIDE) for a, b in zip(low, high, strict=True)]
    wanted = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    nearest = ((points[:, None] - wanted) ** 2).sum(axis=2).argmin(axis=0)
    chosen = places[np.unique(nearest)]
    return chosen[:, 0], chosen[:, 1]


def _tables(
    ball: Measured,
    model: CoefficientModel,
    nodes: BoolArray,
    corrections: Sequence[Discrepancy | None],
) -> list[CoefficientTable]:
    """Measured table, and computed ones with each correction, all of the conditions that can be compared.

    Nodes elsewhere have the values of the nearest such node in all of them.
    """
    table = ball.table
    re, s = np.meshgrid(table.reynolds, table.spin_ratio, indexing="ij")
    points = np.stack([np.log(re.ravel()), s.ravel() / 0.3], axis=1)
    own = np.flatnonzero(nodes.ravel())
    nearest = own[((points[:, None] - points[own]) ** 2).sum(axis=2).argmin(axis=1)]
    near_re, near_s = re.ravel()[nearest].reshape(re.shape), s.ravel()[nearest].reshape(s.shape)
    computed = model.tables([ball.depth_m])[0].at(near_re, near_s)
    at = columns(ball.depth_m, near_re, near_s)
    found = [
        CoefficientTable(
            table.reynolds,
            table.spin_ratio,
            table.cd.ravel()[nearest].reshape(re.shape),
            table.cl.ravel()[nearest].reshape(re.shape),
        )
    ]
    for of in corrections:
        drag, lift = np.zeros((2, *re.shape)) if of is None else of.mean_at(ball.pattern, at)
        found.append(
            CoefficientTable(
                table.reynolds, table.spin_ratio, np.clip(computed.cd + drag, *BOUNDS["cd"]),
                np.clip(computed.cl * np.exp(lift), *BOUNDS["cl"]),
            )
        )  # fmt: skip
    return found


def measured_criteria(
    criteria: Mapping[str, Criterion], balls: Sequence[Measured], stated: Sequence[str]
) -> dict[str, Criterion]:
    """Put measured critical Reynolds numbers of balls in place of the criterion's.

    Parameters
    ----------
    criteria : mapping
        By pattern, as of `pipeline.aero.crisis_place.criteria`.
    balls : sequence of Measured
        Of which some have a critical Reynolds number.
    stated : sequence of str
        Patterns whose own the study states; they stay.

    Returns
    -------
    dict
        A pattern with measured balls has their mean factor (of the logarithm, weighed by their spreads) and
        its spread. The others move by the part of the criterion's error that all patterns share
        (`SHARED_SHIFT` of its variance): the conjugate posterior of a normal mean.
    """
    found = dict(criteria)
    logs: dict[str, list[tuple[float, float]]] = {}
    for ball in balls:
        of = criteria.get(ball.pattern)
        if of is None or math.isnan(ball.critical_reynolds) or math.isnan(ball.depth_m):
            continue
        if ball.pattern in stated:
            continue
        factor = ball.critical_reynolds / critical_reynolds(ball.depth_m, of.ball_diameter_m)
        spread = 0.05 if math.isnan(ball.critical_spread) else max(ball.critical_spread, 0.01)
        logs.setdefault(ball.pattern, []).append((math.log(factor), spread))
    precision, weighed = 0.0, 0.0
    for pattern, values in logs.items():
        weights = [1.0 / spread**2 for _, spread in values]
        mean = sum(w * log for w, (log, _) in zip(weights, values, strict=True)) / sum(weights)
        spread = math.sqrt(1.0 / sum(weights))
        own = (1.0 - SHARED_SHIFT) * math.log1p(criteria[pattern].spread ** 2)
        precision += 1.0 / (own + spread**2)
        weighed += mean / (own + spread**2)
        found[pattern] = replace(criteria[pattern], factor=math.exp(mean), spread=spread)
    if not logs:
        return found
    for pattern, of in criteria.items():
        if pattern in logs or pattern in stated:
            continue
        variance = math.log1p(of.spread**2)
        shared = 1.0 / (1.0 / (SHARED_SHIFT * variance) + precision)
        left = (1.0 - SHARED_SHIFT) * variance + shared
        found[pattern] = replace(of, factor=math.exp(shared * weighed), spread=math.sqrt(math.expm1(left)))
    return found
