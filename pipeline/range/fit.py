"""Gauss-Newton over all shots at once: rounds of steps, each followed by judging what counts."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY
from pipeline.arrays import BoolArray, FloatArray, IntArray
from pipeline.range.gate_kernel import N_RANGE
from pipeline.range.judging import judged_measurements, judged_shots, late_gates, noise_scales
from pipeline.range.scatter import Form, Group, most_probable_common, most_probable_scatter, offsets
from pipeline.range.shot_data import ShotData
from pipeline.range.shot_fit import Linear, Point, Trace, leverages, linearise, moved, trace, unsettled
from pipeline.range.terms import Term

Terms = tuple[tuple[Term, ...], tuple[Term, ...]]
"""Terms of drag and of lift."""


@dataclass(frozen=True, eq=False)
class State:
    """What changes from round to round.

    `kept` marks measurements, shape (m, 4), `shot_kept` shots, `late` gates that are left out (and how late
    they are), `whole` shots that are off as a whole; `scale` is errors over those stated; `deviation` is
    measured less what the rest of a shot predicts, in standard deviations; `traced` is what gates
    would see at `point`, where that is known.
    """

    point: Point
    kept: FloatArray
    shot_kept: BoolArray
    gate_of_row: IntArray
    gate_names: list[str]
    late: Mapping[str, float]
    scale: FloatArray
    deviation: FloatArray
    shot_sd: FloatArray
    ball_sd: FloatArray
    rounds: int
    settled: bool
    shot_of_row: IntArray
    whole: BoolArray
    traced: Trace | None = None

    @property
    def counted(self) -> FloatArray:
        """Measurements that count in their shot: neither they nor their gate are left out."""
        counted = self.kept.copy()
        if self.late:
            late = np.array([name in self.late for name in self.gate_names])
            counted[:, 0] = counted[:, 0] * ~late[self.gate_of_row]
        return counted

    @staticmethod
    def start(data: ShotData, terms: Terms, group: Group) -> "State":
        """Nothing left out; every shot by what is stated of it."""
        n, m, patterns = len(data.pattern), len(data.position), len(data.patterns)
        drag, lift = np.zeros((patterns, len(terms[0]))), np.zeros((patterns, len(terms[1])))
        effects = np.tile([0.25, 0.15], (n, 1))
        point = Point(data.stated.copy(), effects, np.array([SMITS_SMITH_SPIN_DECAY, 0.0, 0.0]), drag, lift)
        lean = np.degrees(np.arctan(data.tan_slant))
        names, number = np.unique(
            [
                f"{at:.6g} m" + (f" slanted {a:.3g} deg" if a else "")
                for at, a in zip(data.position, lean, strict=True)
            ],
            return_inverse=True,
        )
        return State(
            point, np.ones((m, 4)), np.ones(n, bool), number.ravel(), names.tolist(), {}, np.ones(4),
            np.zeros((m, 4)), np.full(2, 0.03), np.full(2, 0.01 if group.ball_freedom else 0.0), 0, False,
            data.shot_of_row, np.zeros(n, bool),
        )  # fmt: skip


JUDGING_SD = 0.02
"""Scatter of Cd and Cl that measurements of a shot are judged with, at least."""


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
    _Stage(20, True, None, likely=4),
)


def _round(
    data: ShotData,
    terms: Terms,
    group: Group,
    state: State,
    stage: _Stage,
    number: int,
) -> State:
    """One Gauss-Newton step, then what is left out is judged anew."""
    traced = trace(data, terms, state.point) if state.traced is None else state.traced
    linear = linearise(data, state.point, traced, state.counted, state.scale)
    form, good = form_of(linear), form_of(linear, state.shot_kept)
    shot_sd = state.shot_sd if stage.shot_sd is None else np.full(2, stage.shot_sd)
    ball_sd = state.ball_sd
    if number < stage.likely:
        shot_sd, ball_sd = most_probable_scatter(good, group, np.concatenate([shot_sd, ball_sd]))
    if stage.shot_sd is None:
        common = most_probable_common(good, group, shot_sd, ball_sd)
    else:
        common = group.prior_mean
    own_sd = (
        _judging_sd(state, shot_sd, ball_sd)
        if stage.shot_sd is None
        else np.tile(shot_sd, (len(form.score), 1))
    )
    of_shots, _, _ = offsets(form, good, group, common, shot_sd, ball_sd, own_sd)
    point = _with_common(data, terms, group, linear, state.point, of_shots, common)
    state = replace(state, point=point, ball_sd=ball_sd, rounds=state.rounds + 1, traced=None)
    if not stage.judge:
        return state
    traced = trace(data, terms, point)
    linear = linearise(data, point, traced, state.counted, state.scale)
    h = leverages(data, linear, np.maximum(own_sd**2, 1e-14))
    counted = state.counted > 0
    with np.errstate(invalid="ignore"):
        room = np.where(counted, np.maximum(1.0 - h, 1e-3), 1.0 + h)
        deviation = linear.residual / (linear.sigma * np.sqrt(room))
    moving = unsettled(linear)[state.shot_of_row][:, None]
    kept = judged_measurements(data, state.kept, deviation, np.where(counted, 1.0 - h, 1.0), number < 8)
    kept = np.where(moving, state.kept, kept)
    kept, whole = _whole_again(data, state, kept) if stage.shot_sd is None else (kept, state.whole)
    late, shot_kept, spread, scale = state.late, state.shot_kept, shot_sd, state.scale
    if stage.shot_sd is None:
        late = late_gates(
            state.gate_names, state.gate_of_row, counted[:, 0], state.late, linear, deviation, h
        )
    if stage.shot_sd is None or number == stage.rounds - 1:
        shot_kept, spread = judged_shots(data, linear, state.point)
    if stage.likely:
        spread = shot_sd
        if number < stage.likely:
            use = kept * counted * ~moving * shot_kept[state.shot_of_row][:, None]
            scale = noise_scales(linear, use, h, scale)
    settled = bool(
        (kept == state.kept).all() and (shot_kept == state.shot_kept).all() and late == state.late
        and np.allclose(scale, state.scale, rtol=2e-3) and not moving.any()
    )  # fmt: skip
    return replace(
        state, kept=kept, late=late, shot_kept=shot_kept, scale=scale, deviation=deviation, shot_sd=spread,
        settled=settled, whole=whole, traced=traced,
    )  # fmt: skip


def _judging_sd(state: State, shot_sd: FloatArray, ball_sd: FloatArray) -> FloatArray:
    """Scatter that the measurements of each shot are judged with, shape (n, 2).

    Wide, so that a shot that is unlike its like is not taken apart gate by gate; but the scatter itself for
    shots that are far off, which a few bad measurements may explain that the shot by itself does not show.
    """
    usual = np.hypot(shot_sd, ball_sd)
    by_gates = (~state.shot_kept & ~state.whole)[:, None]
    return np.where(by_gates, np.maximum(usual, 1e-3), np.maximum(3.0 * usual, JUDGING_SD))


def _whole_again(data: ShotData, state: State, kept: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Give shots that are far off their measurements back where more than a few would have to go."""
    seen = np.isfinite(data.seen)
    first = data.first_row[:-1]
    out = np.add.reduceat((seen & (kept == 0)).sum(axis=1), first)
    most = np.maximum(1, 0.15 * np.add.reduceat(seen.sum(axis=1), first))
    broken = ~state.shot_kept & ~state.whole & (out > most)
    return np.where(broken[state.shot_of_row][:, None], 1.0, kept), state.whole | broken


def form_of(linear: Linear, shot_kept: BoolArray | None = None) -> Form:
    """The shots' forms; those of shots that do not count are empty."""
    share = np.ones(len(linear.score)) if shot_kept is None else shot_kept.astype(float)
    return Form(
        linear.information * share[:, None, None], linear.score * share[:, None], np.zeros(len(linear.score))
    )


def _with_common(
    data: ShotData, terms: Terms, group: Group, linear: Linear, point: Point,
    of_shots: FloatArray, common: FloatArray,
) -> Point:  # fmt: skip
    drag, lift = np.zeros_like(point.drag), np.zeros_like(point.lift)
    for pattern, places in enumerate(group.places):
        for of, own in (
            (drag, places[N_RANGE : N_RANGE + len(terms[0])]),
            (lift, places[N_RANGE + len(terms[0]) :]),
        ):
            of[pattern, own >= 0] = common[own[own >= 0]]
    return moved(data, linear, point, of_shots, common[:N_RANGE], drag, lift)


def _same(before: Point, after: Point, tolerance: float) -> bool:
    """Whether the common parameters have stopped moving."""
    pairs = ((before.drag, after.drag), (before.lift, after.lift))
    return all(np.allclose(one, other, rtol=tolerance, atol=tolerance) for one, other in pairs)


def fitted(data: ShotData, terms: Terms, group: Group, progress: Callable[[float], None]) -> State:
    """Fit all shots.

    Parameters
    ----------
    data : ShotData
        Shots.
    terms : Terms
        Of drag and of lift.
    group : Group
        Balls, patterns, common parameters and their priors.
    progress : callable
        Called with the share done.

    Returns
    -------
    State
        Where nothing changes any more.
    """
    state = State.start(data, terms, group)
    for stage in _STAGES:
        for k in range(stage.rounds):
            before = state
            state = _round(data, terms, group, state, stage, k)
            progress(min(0.95, 0.05 + state.rounds / 25.0))
            if k > 1 and state.settled and _same(before.point, state.point, 1e-6 if stage.likely else 1e-2):
                break
    return state
