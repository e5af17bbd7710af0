"""Verdict of a force history: settled, noisy, oscillating, drifting, implausible or diverged."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.flow.forces.averaging import Mean, mean_of
from pipeline.flow.forces.plausible import Bounds, implausible

MIN_ITERATIONS = 110
"""No run is judged settled earlier: a neighbour's fields need this long to feel the new geometry. With 100, a
run from rest was once taken as settled when its lift was 0.011 off (benchmarks/RESULTS.md)."""

MIN_SAMPLES = 40
"""Fewest samples after the cut for a mean to be believed."""

MOST_REMAINING = 1.0
"""What a history that moves one way may have left to its limit, in target standard errors, to be settled: an
extrapolation is believed over a distance of the size of the error asked for, no farther."""

LEAST_ERROR = 1.0 / 3.0
"""Least standard error that is claimed, over its target. A run stops when the last of its targets is met, and
is not computed for longer to know the others better: errors far below were found to be luck
(benchmarks/stops.csv: Cd off by 0.0006 at a claim of 0.0003)."""

BOUND = 100.0
"""A coefficient beyond this after `MIN_ITERATIONS` is no flow around a ball."""

LARGEST = 1e6
"""Coefficients of the first iterations are averaged as no larger than this, or squares would overflow."""

COEFFICIENTS = ("cd", "cl", "cs", "cm")

REASONS = {
    "settled": "standard errors are at their targets",
    "noisy": "ceiling of iterations reached, standard errors above their targets",
    "oscillating": "ceiling of iterations reached, the forces still go up and down in a regular cycle",
    "drifting": "ceiling of iterations reached while still drifting; the standard errors include the drift",
    "diverged": "the solution grew without bounds; it will not be tried again",
    "implausible": "the means are no flow around a ball",
    "crashed": "the solver ended with an error; the next run tries again",
    "killed": "the solver was killed; the next run goes on from its last state",
}
"""What a verdict means, where run.json gives no reason of its own."""


@dataclass(frozen=True)
class Judgement:
    """Means of a history and what they are worth.

    Attributes
    ----------
    verdict : str
        "settled": Cd and Cl have their target standard errors; "drifting": they move one way still, and have
        them not, or by an extrapolation too long to be believed; "oscillating": they have not, for a cycle
        that repeats; "noisy": they have not, for scatter; "implausible": whatever their standard errors, the
        means are no flow around a ball; "diverged": not finite or out of bounds; "short": too few iterations
        to judge.
    means : dict of Mean
        By coefficient (cd, cl, cs, cm); empty for "diverged" and "short".
    at_targets : bool
        Whether Cd and Cl have their target standard errors.
    reason : str
        What makes the means implausible; empty otherwise.
    """

    verdict: str
    means: dict[str, Mean]
    at_targets: bool = False
    reason: str = ""


def judge(
    history: dict[str, FloatArray], targets: dict[str, float], bounds: Bounds | None = None
) -> Judgement:
    """Judge a force history against the target standard errors.

    Parameters
    ----------
    history : dict of ndarray
        Coefficients cd, cl, cs, cm against iteration, all of shape (n,).
    targets : dict of float
        Target standard error of "cd" and of "cl".
    bounds : dict of tuple, optional
        Lowest and highest plausible mean of coefficients (`plausible_bounds`); any mean is without them.

    Returns
    -------
    Judgement
        A small remaining drift is no bar to "settled": the standard errors include it (`MOST_REMAINING`).
    """
    count = len(history["cd"])
    values = np.stack([history[name] for name in COEFFICIENTS])
    if not np.isfinite(values).all() or (
        count > MIN_ITERATIONS and np.abs(values[:, MIN_ITERATIONS:]).max() > BOUND
    ):
        return Judgement("diverged", {})
    if count < MIN_ITERATIONS:
        return Judgement("short", {})
    means = {name: mean_of(np.clip(history[name], -LARGEST, LARGEST)) for name in COEFFICIENTS}
    verdicts = {verdict_of(means[name], target) for name, target in targets.items()}
    for name, target in targets.items():
        least = max(means[name].standard_error, LEAST_ERROR * target)
        means[name] = replace(means[name], standard_error=least)
    worst = next(name for name in ("drifting", "oscillating", "noisy", "settled") if name in verdicts)
    reason = implausible(means, bounds or {})
    return Judgement("implausible" if reason else worst, means, worst == "settled", reason)


def verdict_of(mean: Mean, target: float) -> str:
    """Judge one mean against its target standard error, as `Judgement` explains."""
    if mean.standard_error <= target and mean.samples >= MIN_SAMPLES:
        far = mean.drifting and abs(mean.remaining) > MOST_REMAINING * target
        return "drifting" if far else "settled"
    if mean.drifting:
        return "drifting"
    return "noisy" if mean.period is None else "oscillating"
