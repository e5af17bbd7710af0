"""Reduction of firings: drag and lift of every pattern from all its shots at once, with all that scatters.

Gauss-Newton through the equations of motion. A measurement that lies far off what the rest of its shot
predicts counts no more (truncated least squares), nor does a gate that is late for all shots, nor a shot whose
drag and lift are far from those of its like. Terms that the data do not tell keep their priors, so that
intervals know of them, and are not reported.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY
from pipeline.errors import InputError
from pipeline.range.firings import Firings
from pipeline.range.gate_kernel import N_RANGE
from pipeline.range.scatter import (
    Common,
    Form,
    Group,
    mixed,
    most_probable_common,
    most_probable_scatter,
    offsets,
)
from pipeline.range.shot_fit import Linear, Point, ShotData, leverages, linearise, moved, prepare
from pipeline.range.terms import CANDIDATES, DEPTH_UNIT_M, ONE, Term, design

FloatArray = NDArray[np.float64]

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

TOLD_SHARE = 0.5
"""A coefficient is reported when its standard error is below this share of its prior's."""

FAR, NEAR = 5.0, 4.0
"""Standard deviations beyond which a measurement is left out, and below which it is taken again."""

FAR_SHOT = 6.0
FAR_GATE, FAR_GATE_SHARE = 6.0, 0.7
"""A gate is left out when its mean is so many standard errors, and this share of one time's, off."""


@dataclass(frozen=True, eq=False)
class Reduction:
    """What the firings tell.

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
        Of the common parameters; infinite where the terms were asked for.
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
    tilt_told : bool
        Whether roll and axis of the range were free.
    notes : list of str
        What was left out before anything was computed.
    """

    data: ShotData
    terms: tuple[tuple[Term, ...], tuple[Term, ...]]
    point: Point
    linear: Linear
    group: Group
    common: Common
    prior_sd: FloatArray
    kept: FloatArray
    scale: FloatArray
    deviation: FloatArray
    shot_kept: NDArray[np.bool_]
    late_gates: dict[str, float]
    ball_offset: FloatArray
    ball_offset_se: FloatArray
    shot_reynolds: FloatArray
    shot_spin_ratio: FloatArray
    tilt_told: bool
    notes: list[str] = field(default_factory=list)

    def places(self, pattern: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
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
        No shot can be used, or the terms asked for cannot be told from the data.
    """
    data, notes = prepare(firings)
    if not len(data.pattern):
        raise InputError("no shot can be used:\n" + "\n".join(notes[:20]))
    terms = (drag or CANDIDATES["cd"], lift or CANDIDATES["cl"])
    tilt_told = _tilt_told(data)
    group, prior_sd = _group(data, terms, (drag is None, lift is None), tilt_told)
    state = _State.start(data, terms, group)
    for stage in _STAGES:
        for k in range(stage.rounds):
            before = state
            state = _round(data, terms, group, state, stage, k)
            progress(min(0.95, 0.05 + state.rounds / 25.0))
            if k > 1 and state.settled and _same(before.point, state.point):
                break
    linear = linearise(data, terms, state.point, state.counted, state.scale)
    common = mixed(_form(linear, state.shot_kept), group, state.shot_sd)
    _refuse_untold(common, group, data, terms, prior_sd)
    _, of_balls, of_balls_se = offsets(
        _form(linear), _form(linear, state.shot_kept), group, common.mean, state.shot_sd, state.ball_sd
    )
    re, s = _conditions(data, state.point, linear)
    late = {name: state.late[name] for name in sorted(state.late)}
    return Reduction(
        data, terms, state.point, linear, group, common, prior_sd,
        state.counted * state.shot_kept[data.shot_of_row][:, None], state.scale,
        state.deviation, state.shot_kept, late, of_balls, of_balls_se, re, s, tilt_told, notes,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _State:
    """What changes from round to round."""

    point: Point
    kept: FloatArray
    shot_kept: NDArray[np.bool_]
    gate_of_row: NDArray[np.int64]
    gate_names: list[str]
    late: Mapping[str, float]
    scale: FloatArray
    deviation: FloatArray
    shot_sd: FloatArray
    ball_sd: FloatArray
    rounds: int
    settled: bool
    shot_of_row: NDArray[np.int64]
    linear: Linear | None = None

    @property
    def counted(self) -> FloatArray:
        """Measurements that count in their shot: neither they nor their gate are left out."""
        counted = self.kept.copy()
        if self.late:
            late = np.array([name in self.late for name in self.gate_names])
            counted[:, 0] = counted[:, 0] * ~late[self.gate_of_row]
        return counted

    @staticmethod
    def start(data: ShotData, terms: tuple[tuple[Term, ...], tuple[Term, ...]], group: Group) -> "_State":
        n, m, patterns = len(data.pattern), len(data.position), len(data.patterns)
        drag, lift = np.zeros((patterns, len(terms[0]))), np.zeros((patterns, len(terms[1])))
        effects = np.tile([0.25, 0.15], (n, 1))
        point = Point(data.stated.copy(), effects, np.array([SMITS_SMITH_SPIN_DECAY, 0.0, 0.0]), drag, lift)
        lean = np.degrees(np.arctan(data.tan_slant))
        names, number = np.unique(
            [f"{at:.6g} m" + (f" slanted {a:.3g} deg" if a else "") for at, a in zip(data.position, lean, strict=True)],
            return_inverse=True,
        )
        return _State(
            point, np.ones((m, 4)), np.ones(n, bool), number.ravel(), names.tolist(), {}, np.ones(4),
            np.zeros((m, 4)), np.full(2, 0.03), np.full(2, 0.01 if group.ball_freedom else 0.0), 0, False,
            data.shot_of_row,
        )  # fmt: skip


class _Stage(NamedTuple):
    """Rounds of one kind.

    `judge`: whether measurements and shots are left out; `shot_sd`: sizes of Cd and Cl where each shot is
    fitted by itself, so that bad ones spoil no other; None where all are fitted together; `likely`: the first
    rounds in which the scatter becomes the most probable one instead of a robust one.
    """

    rounds: int
    judge: bool
    shot_sd: float | None
    likely: int = 0


_STAGES = (
    _Stage(3, False, 0.3),  # from a poor start
    _Stage(8, True, 0.3),
    _Stage(10, True, None),
    _Stage(20, True, None, likely=6),
)


def _round(
    data: ShotData,
    terms: tuple[tuple[Term, ...], tuple[Term, ...]],
    group: Group,
    state: _State,
    stage: _Stage,
    number: int,
) -> _State:
    """One Gauss-Newton step, then what is left out is judged anew."""
    linear = state.linear
    if linear is None:
        linear = linearise(data, terms, state.point, state.counted, state.scale)
    form, good = _form(linear), _form(linear, state.shot_kept)
    shot_sd = state.shot_sd if stage.shot_sd is None else np.full(2, stage.shot_sd)
    ball_sd = state.ball_sd
    if number < stage.likely:
        shot_sd, ball_sd = most_probable_scatter(good, group, np.concatenate([shot_sd, ball_sd]))
    if stage.shot_sd is None:
        common = most_probable_common(good, group, shot_sd, ball_sd)
    else:
        common = group.prior_mean
    of_shots, _, _ = offsets(form, good, group, common, shot_sd, ball_sd)
    point = _with_common(data, terms, group, linear, state.point, of_shots, common)
    state = replace(state, point=point, ball_sd=ball_sd, rounds=state.rounds + 1, linear=None)
    if not stage.judge:
        return state
    linear = linearise(data, terms, point, state.counted, state.scale)
    h = leverages(data, linear, np.maximum(shot_sd**2 + ball_sd**2, 1e-14))
    counted = state.counted > 0
    with np.errstate(invalid="ignore"):
        room = np.where(counted, np.maximum(1.0 - h, 1e-3), 1.0 + h)
        deviation = linear.residual / (linear.sigma * np.sqrt(room))
    kept = _judged(data, state.kept, deviation, np.where(counted, 1.0 - h, 1.0))
    late, shot_kept, spread, scale = state.late, state.shot_kept, shot_sd, state.scale
    if stage.shot_sd is None:
        late = _late_gates(state, linear, deviation, h)
    if stage.shot_sd is None or number == stage.rounds - 1:
        shot_kept, spread = _judged_shots(data, group, linear, state)
    if stage.likely:
        spread = shot_sd
        if number < stage.likely:
            scale = _scales(linear, kept * counted * shot_kept[state.shot_of_row][:, None], h, scale)
    same = bool((kept == state.kept).all() and late == state.late and (scale == state.scale).all())
    settled = bool(
        (kept == state.kept).all() and (shot_kept == state.shot_kept).all() and late == state.late
        and np.allclose(scale, state.scale, rtol=2e-3) and stage.shot_sd is None
    )  # fmt: skip
    return replace(
        state, kept=kept, late=late, shot_kept=shot_kept, scale=scale, deviation=deviation, shot_sd=spread,
        settled=settled, linear=linear if same else None,
    )  # fmt: skip


def _form(linear: Linear, shot_kept: NDArray[np.bool_] | None = None) -> Form:
    """The shots' forms; those of shots that do not count are empty."""
    share = np.ones(len(linear.score)) if shot_kept is None else shot_kept.astype(float)
    return Form(
        linear.information * share[:, None, None], linear.score * share[:, None], np.zeros(len(linear.score))
    )


def _with_common(data, terms, group, linear, point, of_shots, common):  # type: ignore[no-untyped-def]
    drag, lift = np.zeros_like(point.drag), np.zeros_like(point.lift)
    for pattern, places in enumerate(group.places):
        for of, own in ((drag, places[N_RANGE : N_RANGE + len(terms[0])]), (lift, places[N_RANGE + len(terms[0]) :])):
            of[pattern, own >= 0] = common[own[own >= 0]]
    return moved(data, linear, point, of_shots, common[:N_RANGE], drag, lift)


def _judged(data: ShotData, kept: FloatArray, deviation: FloatArray, room: FloatArray) -> FloatArray:
    """Leave out the worst measurement of each shot that is far off, and take those again that are near.

    One a shot and round: a bad time draws its neighbours with it. A measurement that its shot cannot be
    checked against (it has all the leverage) stays.
    """
    size = np.abs(np.where(np.isfinite(deviation), deviation, 0.0))
    again = (kept == 0) & (size < NEAR) & np.isfinite(deviation)
    new = np.where(again, 1.0, kept)
    checked = np.where((new > 0) & (room > 1e-3), size, 0.0)
    worst_of_row = checked.max(axis=1)
    worst = np.maximum.reduceat(worst_of_row, data.first_row[:-1])[data.shot_of_row]
    drop = (checked == worst[:, None]) & (checked > FAR) & ~again
    return np.where(drop, 0.0, new)


def _late_gates(state: _State, linear: Linear, deviation: FloatArray, h: FloatArray) -> Mapping[str, float]:
    """Gates whose times are off in the mean of all shots; the worst one is added."""
    if len(state.late) >= 2:
        return state.late
    counted = state.counted[:, 0] > 0
    z = np.where(counted & np.isfinite(deviation[:, 0]), deviation[:, 0], 0.0)
    gates = len(state.gate_names)
    count = np.bincount(state.gate_of_row, counted, gates)
    # A shot's residuals hang together: the mean of its gates is judged by its scatter from shot to shot.
    mean = np.bincount(state.gate_of_row, z, gates) / np.maximum(count, 1)
    square = np.bincount(state.gate_of_row, z**2, gates) / np.maximum(count, 1)
    error = np.sqrt(np.maximum(square - mean**2, 1e-12) / np.maximum(count, 1))
    off = np.where((count >= 12) & (np.abs(mean) > FAR_GATE_SHARE), np.abs(mean) / error, 0.0)
    worst = int(off.argmax())
    if off[worst] < FAR_GATE:
        return state.late
    own = counted & (state.gate_of_row == worst)
    late = np.median(linear.residual[own, 0] / np.maximum(1.0 - h[own, 0], 1e-3))
    return {**state.late, state.gate_names[worst]: float(late)}


def own_offsets(linear: Linear, others: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each shot's own estimate of its offsets under given common parameters, and its covariance.

    A part of 0.3 in Cd and Cl is taken as known beforehand, so that a shot that tells only one has both.
    """
    pull = linear.score[:, :2] - np.einsum("nij,nj->ni", linear.information[:, :2, 2:], others)
    covariance = np.linalg.inv(linear.information[:, :2, :2] + np.eye(2) / 0.3**2)
    return np.einsum("nij,nj->ni", covariance, pull), covariance


def others_of(data: ShotData, point: Point) -> FloatArray:
    """Range, drag and lift parameters of each shot, shape (n, k - 2)."""
    n = len(data.pattern)
    return np.concatenate(
        [np.broadcast_to(point.range_of, (n, N_RANGE)), point.drag[data.pattern], point.lift[data.pattern]],
        axis=1,
    )


def _judged_shots(
    data: ShotData, group: Group, linear: Linear, state: _State
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Leave out shots whose Cd and Cl are far from those of their like; the robust scatter of shots, too."""
    own, covariance = own_offsets(linear, others_of(data, state.point))
    offset = np.zeros((len(group.pattern_of_ball), 2))
    for ball in range(len(offset)):
        mine = group.ball_of_shot == ball
        if mine.sum() >= 3:
            offset[ball] = np.median(own[mine], axis=0)
    rest = own - offset[group.ball_of_shot]
    noise = np.stack([covariance[:, 0, 0], covariance[:, 1, 1]], axis=1)
    spread = 1.4826 * np.median(np.abs(rest), axis=0)
    extra = np.maximum(spread**2 - np.median(noise, axis=0), 0.0)
    size = np.sqrt((rest**2 / (noise + np.maximum(extra, 1e-12))).sum(axis=1))
    good = np.asarray(size < FAR_SHOT) if len(size) >= 8 else state.shot_kept
    return good, np.maximum(np.sqrt(extra), 1e-3)


def _scales(linear: Linear, kept: FloatArray, h: FloatArray, scale: FloatArray) -> FloatArray:
    """Errors of time, side, height and spin over those stated, from the residuals where they can tell."""
    new = scale.copy()
    for c in range(4):
        use = (kept[:, c] > 0) & np.isfinite(linear.residual[:, c])
        freedom = np.maximum(1.0 - h[use, c], 0.0).sum()
        if freedom > 20:
            ratio = ((linear.residual[use, c] / linear.sigma[use, c]) ** 2).sum() / freedom
            new[c] = np.clip(scale[c] * np.sqrt(ratio), 0.02, 20.0)
    return new


def _same(before: Point, after: Point) -> bool:
    """Whether the common parameters have stopped moving, to a thousandth of what matters."""
    pairs = ((before.drag, after.drag), (before.lift, after.lift))
    return all(np.allclose(one, other, rtol=1e-7, atol=1e-6) for one, other in pairs)


def _tilt_told(data: ShotData) -> bool:
    """Whether shots with an upright axis (no lift upwards) tell a tilt: some, with sides or heights seen."""
    upright = np.abs(np.sin(data.stated[:, 7])) > 0.9
    return bool(upright.sum() >= 4)


def _group(
    data: ShotData, terms: tuple[tuple[Term, ...], tuple[Term, ...]], prior: tuple[bool, bool], tilt: bool
) -> tuple[Group, FloatArray]:
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
                sd.append(TERM_SD[of][term] if with_prior else np.inf)
        places.append(np.array(own))
    balls = len(data.balls)
    of_ball = np.zeros(balls, np.int64)
    of_ball[data.ball] = data.pattern
    prior_sd = np.array(sd)
    return Group(data.ball, of_ball, places, np.array(mean), 1.0 / prior_sd**2), prior_sd


def _refuse_untold(
    common: Common, group: Group, data: ShotData, terms: tuple[tuple[Term, ...], tuple[Term, ...]], prior_sd: FloatArray
) -> None:
    """Refuse terms that were asked for and that the data do not tell."""
    problems = []
    for pattern, places in enumerate(group.places):
        for of, of_terms, own in (
            ("Cd", terms[0], places[N_RANGE : N_RANGE + len(terms[0])]),
            ("Cl", terms[1], places[N_RANGE + len(terms[0]) :]),
        ):
            for term, place in zip(of_terms, own, strict=True):
                if place < 0 or np.isfinite(prior_sd[place]):
                    continue
                error = float(np.sqrt(common.covariance[place, place]))
                limit = 100.0
                if not error < limit:
                    problems.append(
                        f"pattern {data.patterns[pattern]}: term {term} of {of} cannot be told from these shots; "
                        "leave it out, or fire at more speeds and spins"
                    )
    if problems:
        raise InputError("\n".join(problems))


def _conditions(data: ShotData, point: Point, linear: Linear) -> tuple[FloatArray, FloatArray]:
    """Reynolds number and spin ratio of every shot at its first and last gate, shapes (n, 2)."""
    last = data.first_row[1:] - 1
    speed = np.stack([point.own[:, 3], np.where(np.isfinite(linear.speed[last]), linear.speed[last], point.own[:, 3])], axis=1)
    re = speed * data.constants[:, 2:3] * 1e5
    return re, point.own[:, 6:7] * data.constants[:, 1:2] / speed
