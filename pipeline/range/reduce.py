"""Reduction of firings: drag and lift of every pattern from all its shots at once, with all that scatters.

Gauss-Newton through the equations of motion. A measurement that lies far off what the rest of its shot
predicts counts no more (truncated least squares), nor does a gate that is late for all shots, nor a shot
whose drag and lift are far from those of its like. Terms that the data do not determine keep their priors, so
that intervals know of them, and are not reported.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY
from pipeline.arrays import BoolArray, FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.range.firings import Firings
from pipeline.range.fit import State, Terms, fitted, form_of
from pipeline.range.gate_kernel import N_RANGE
from pipeline.range.scatter import Common, Group, mixed, offsets
from pipeline.range.shot_data import ShotData, prepare
from pipeline.range.shot_fit import Linear, Point, linearise, trace
from pipeline.range.terms import CANDIDATES, DEPTH_UNIT_M, ONE, Term, design

TERM_SD = {
    "cd": {
        ONE: 1.0, Term(spin=1): 0.5, Term(log=1): 0.15, Term(spin=2): 3.0, Term(log=2): 0.15,
        Term(spin=1, log=1): 0.5, Term(depth=1): 0.03, Term(depth=2): 0.02, Term(spin=1, depth=1): 0.1,
    },
    "cl": {
        ONE: 1.0, Term(spin=1): 1.0, Term(log=1): 0.15, Term(spin=2): 3.0, Term(spin=1, log=1): 1.0,
        Term(log=2): 0.15, Term(depth=1): 0.05, Term(depth=2): 0.03, Term(spin=1, depth=1): 0.2,
    },
}  # fmt: skip
"""Standard deviations, about zero, of the terms' coefficients among balls; sizes of published fits."""

WIDE_SD, UNDETERMINED_SD = 1e3, 10.0
"""Prior of the coefficients of terms that were asked for, which says nothing, and the standard error at which
such a term is refused."""

DETERMINED_SHARE = 0.5
"""A coefficient is reported when its standard error is below this share of its prior's."""


@dataclass(frozen=True, eq=False)
class Reduction:
    """Result of a reduction.

    Attributes
    ----------
    data : ShotData
        The shots that were used.
    terms : pair of tuple of Term
        Of drag and of lift.
    point : Point
        All parameters.
    linear : Linear
        Residuals and sensitivities there.
    group : Group
        Balls, patterns and the places of the common parameters.
    common : Common
        What is known of the common parameters.
    prior_sd : ndarray, shape (k,)
        Of the common parameters; `WIDE_SD` where the terms were asked for.
    kept : ndarray, shape (m, 4)
        1 where a measurement counts.
    scale : ndarray, shape (4,)
        Errors of time, side, height, spin over those stated.
    deviation : ndarray, shape (m, 4)
        Measured less what the rest of the shot predicts, in standard deviations.
    shot_kept : ndarray of bool, shape (n,)
        Shots that count.
    late_gates : dict
        Gates that were left out, and how late they are [s].
    ball_offset, ball_offset_se : ndarray, shape (balls, 2)
        Cd and Cl of balls less those of their pattern at the balls' depths.
    shot_reynolds, shot_spin_ratio : ndarray, shape (n, 2)
        At the first and the last gate.
    tilt_free : bool
        Whether roll and axis of the range were free.
    notes : list of str
        What was left out before anything was computed.
    """

    data: ShotData
    terms: Terms
    point: Point
    linear: Linear
    group: Group
    common: Common
    prior_sd: FloatArray
    kept: FloatArray
    scale: FloatArray
    deviation: FloatArray
    shot_kept: BoolArray
    late_gates: dict[str, float]
    ball_offset: FloatArray
    ball_offset_se: FloatArray
    shot_reynolds: FloatArray
    shot_spin_ratio: FloatArray
    tilt_free: bool
    notes: list[str] = field(default_factory=list)

    def places(self, pattern: int) -> tuple[IntArray, IntArray]:
        """Places of a pattern's drag and lift terms among the common parameters; -1 where it has none."""
        local = self.group.places[pattern][N_RANGE:]
        return local[: len(self.terms[0])], local[len(self.terms[0]) :]

    def coefficients(
        self, pattern: int, reynolds: FloatArray, spin_ratio: FloatArray, depth_m: float | None = None,
        parameters: FloatArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:  # fmt: skip
        """Cd and Cl of a pattern under common parameters, shape (..., k), or the mean: shapes (..., points).

        `depth_m` is that of the balls' mean when absent.
        """
        own = self.common.mean if parameters is None else parameters
        found = []
        for terms, places in zip(self.terms, self.places(pattern), strict=True):
            columns = self.columns(pattern, terms, reynolds, spin_ratio, depth_m)
            has = places >= 0
            found.append(own[..., places[has]] @ columns[:, has].T)
        return found[0], found[1]

    def columns(
        self, pattern: int, terms: tuple[Term, ...], reynolds: FloatArray, spin_ratio: FloatArray,
        depth_m: float | None,
    ) -> FloatArray:  # fmt: skip
        """Values of terms of a pattern, shape (points, terms)."""
        reference = self.data.reference_depth_m[pattern]
        off = 0.0 if depth_m is None or np.isnan(reference) else (depth_m - reference) / DEPTH_UNIT_M
        return design(terms, reynolds, spin_ratio, off)

    def covariance_at(
        self, pattern: int, reynolds: FloatArray, spin_ratio: FloatArray, depth_m: float | None = None
    ) -> FloatArray:
        """Covariance of Cd and Cl at each condition, shape (points, 2, 2)."""
        rows = np.zeros((len(reynolds), 2, self.common.mean.size))
        for c, (terms, places) in enumerate(zip(self.terms, self.places(pattern), strict=True)):
            columns = self.columns(pattern, terms, reynolds, spin_ratio, depth_m)
            has = places >= 0
            rows[:, c, places[has]] = columns[:, has]
        return np.asarray(rows @ self.common.covariance @ rows.transpose(0, 2, 1))


def reduce(
    firings: Firings,
    drag: tuple[Term, ...] | None = None,
    lift: tuple[Term, ...] | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Reduction:
    """Reduce firings.

    Parameters
    ----------
    firings : Firings
        Shots and gates.
    drag, lift : tuple of Term, optional
        Terms of Cd and Cl, without priors; all of `CANDIDATES` with their priors when absent.
    progress : callable
        Called with the share done.

    Returns
    -------
    Reduction
        Coefficients, scatter and residuals.

    Raises
    ------
    InputError
        No shot can be used, or the terms asked for cannot be determined from the data.
    """
    data, notes = prepare(firings)
    if not len(data.pattern):
        raise InputError("no shot can be used:\n" + "\n".join(notes[:20]))
    terms = (drag or CANDIDATES["cd"], lift or CANDIDATES["cl"])
    tilt_free = _tilt_free(data)
    group, prior_sd = _group(data, terms, (drag is None, lift is None), tilt_free)
    state = fitted(data, terms, group, progress)
    linear = linearise(data, state.point, trace(data, terms, state.point), state.counted, state.scale)
    common = mixed(form_of(linear, state.shot_kept), group, state.shot_sd)
    _refuse_undetermined(common, group, data, terms, prior_sd)
    _, of_balls, of_balls_se = offsets(
        form_of(linear), form_of(linear, state.shot_kept), group, common.mean, state.shot_sd, state.ball_sd
    )
    re, s = _conditions(data, state.point, linear)
    late = {name: _lateness(state, linear, name) for name in sorted(state.late)}
    return Reduction(
        data, terms, state.point, linear, group, common, prior_sd,
        state.counted * state.shot_kept[data.shot_of_row][:, None], state.scale,
        state.deviation, state.shot_kept, late, of_balls, of_balls_se, re, s, tilt_free, notes,
    )  # fmt: skip


def _lateness(state: State, linear: Linear, name: str) -> float:
    """How late a gate that was left out is, by all other gates [s]."""
    own = (state.gate_of_row == state.gate_names.index(name)) & state.shot_kept[state.shot_of_row]
    return float(np.nanmedian(linear.residual[own, 0]))


def _tilt_free(data: ShotData) -> bool:
    """Whether enough shots have an upright axis (no lift upwards) to determine a tilt of the range."""
    upright = np.abs(np.sin(data.stated[:, 7])) > 0.9
    return bool(upright.sum() >= 4)


def _group(data: ShotData, terms: Terms, prior: tuple[bool, bool], tilt: bool) -> tuple[Group, FloatArray]:
    """Places and priors of the common parameters: spin decay, roll, axis, then the patterns' terms."""
    spin_twice = bool(np.isfinite(data.seen[:, 3]).any())
    mean = [SMITS_SMITH_SPIN_DECAY, 0.0, 0.0]
    sd = [2e-5 if spin_twice else 1e-9, *([np.radians(5.0)] * 2 if tilt else [1e-9, 1e-9])]
    places = []
    for pattern in range(len(data.patterns)):
        own = list(range(N_RANGE))
        depths = data.constants[data.pattern == pattern, 3]
        deep = not np.isnan(data.reference_depth_m[pattern]) and np.ptp(depths) > 0.01
        for of, of_terms, with_prior in zip(("cd", "cl"), terms, prior, strict=True):
            for term in of_terms:
                if term.depth and not deep:
                    own.append(-1)
                    continue
                own.append(len(mean))
                mean.append(0.0)
                sd.append(TERM_SD[of][term] if with_prior else WIDE_SD)
        places.append(np.array(own))
    balls = len(data.balls)
    of_ball = np.zeros(balls, np.int64)
    of_ball[data.ball] = data.pattern
    prior_sd = np.array(sd)
    return Group(data.ball, of_ball, places, np.array(mean), 1.0 / prior_sd**2), prior_sd


def _refuse_undetermined(
    common: Common,
    group: Group,
    data: ShotData,
    terms: Terms,
    prior_sd: FloatArray,
) -> None:
    """Refuse terms that were asked for and that the data do not determine."""
    problems = []
    for pattern, places in enumerate(group.places):
        for of, of_terms, own in (
            ("Cd", terms[0], places[N_RANGE : N_RANGE + len(terms[0])]),
            ("Cl", terms[1], places[N_RANGE + len(terms[0]) :]),
        ):
            for term, place in zip(of_terms, own, strict=True):
                if place < 0 or prior_sd[place] < WIDE_SD:
                    continue
                error = float(np.sqrt(common.covariance[place, place]))
                if not error < UNDETERMINED_SD:
                    problems.append(
                        f"pattern {data.patterns[pattern]}: {of}: term {term} cannot be determined "
                        f"from these shots; "
                        "leave it out, or fire at more speeds and spins"
                    )
    if problems:
        raise InputError("\n".join(problems))


def _conditions(data: ShotData, point: Point, linear: Linear) -> tuple[FloatArray, FloatArray]:
    """Reynolds number and spin ratio of every shot at its first and last gate, shapes (n, 2)."""
    last = data.first_row[1:] - 1
    speed = np.stack(
        [point.own[:, 3], np.where(np.isfinite(linear.speed[last]), linear.speed[last], point.own[:, 3])],
        axis=1,
    )
    re = speed * data.constants[:, 2:3] * 1e5
    return re, point.own[:, 6:7] * data.constants[:, 1:2] / speed
