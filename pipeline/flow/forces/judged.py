"""Means, standard errors and verdicts of all columns of a force history, of any case or of a study's run."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.flow.forces.any_case import NamedHistory
from pipeline.flow.forces.averaging import Mean, mean_of
from pipeline.flow.forces.plausible import Bounds
from pipeline.flow.forces.verdict import COEFFICIENTS, MIN_SAMPLES, judge, verdict_of

SHARE = 0.005
"""Target standard error of any case, as a share of the largest mean of its kind."""

NO_TARGET = "no target"
"""Verdict of a column for which a run has no target standard error."""

WORST_FIRST = ("diverged", "short", "drifting", "oscillating", "noisy", "settled")

COUNTING = (("cd", "cl"), ("fx", "fy", "fz"))
"""Columns whose worst verdict is that of the history; all of them where it has none of these."""


@dataclass(frozen=True)
class JudgedColumn:
    """Mean of one column of a history.

    Attributes
    ----------
    name : str
        cd, cl, cs, cm, or as in the file.
    verdict : str
        "settled", "noisy", "oscillating", "drifting", "short" or "diverged" (see
        `pipeline.flow.forces.verdict.Judgement`); `NO_TARGET` for some columns of a run.
    mean, standard_error : float or None
        None where the column is short or diverged; the error also where it is not known.
    samples : int or None
        Samples after the transient.
    effective_samples : float or None
        Independent samples that are worth as much.
    averaged_from, period : float or None
        Start of the mean, and period of a cycle, in the history's time.
    """

    name: str
    verdict: str
    mean: float | None = None
    standard_error: float | None = None
    samples: int | None = None
    effective_samples: float | None = None
    averaged_from: float | None = None
    period: float | None = None


@dataclass(frozen=True)
class JudgedHistory:
    """Means of all columns of a history.

    Attributes
    ----------
    name : str
        Of the history.
    rows : int
        Its samples.
    rows_judged : int
        Samples that the means are made of, from the first; fewer than `rows` in a run that stopped at its
        targets.
    first, last : float or None
        Its times; None without rows.
    verdict : str
        The worst of the columns that count; of a run its own, which may be "implausible".
    columns : list of JudgedColumn
        In the order of the file.
    reference : dict of tuple
        Reference values of the header.
    warnings : list of str
        What the reader should know, one line each.
    """

    name: str
    rows: int
    rows_judged: int
    first: float | None
    last: float | None
    verdict: str
    columns: list[JudgedColumn]
    reference: dict[str, tuple[float, ...]]
    warnings: list[str]


def judge_history(history: NamedHistory, target: float = SHARE) -> JudgedHistory:
    """Judge a history of any case.

    Parameters
    ----------
    history : NamedHistory
        From `find_histories`.
    target : float
        Standard error wanted, as a share of the largest mean of the same kind (coefficient, force, moment),
        0 to 1.
    """
    finite = {
        name: values
        for name, values in history.columns.items()
        if len(values) >= MIN_SAMPLES and np.isfinite(values).all()
    }
    means = {name: mean_of(values) for name, values in finite.items()}
    columns = []
    for name, values in history.columns.items():
        mean = means.get(name)
        if mean is None:
            columns.append(JudgedColumn(name, "short" if np.isfinite(values).all() else "diverged"))
        else:
            scale = max(abs(other.value) for key, other in means.items() if _kind(key) == _kind(name))
            columns.append(_column(history, name, mean, verdict_of(mean, target * scale)))
    counting = next((names for names in COUNTING if all(n in history.columns for n in names)), None)
    verdicts = {of.verdict for of in columns if counting is None or of.name in counting}
    worst = next(verdict for verdict in WORST_FIRST if verdict in verdicts)
    return _judged(history, len(history.time), worst, columns, history.warnings)


def judge_run_history(
    history: NamedHistory, targets: Mapping[str, float], bounds: Bounds, rows: int
) -> JudgedHistory:
    """Judge the history of a study's run as the study does.

    Parameters
    ----------
    history : NamedHistory
        With the columns cd, cl, cs and cm.
    targets : mapping of float
        Target standard errors of cd and cl.
    bounds : dict of tuple
        Plausible means.
    rows : int
        How many of the first samples count.
    """
    values = {name: history.columns[name][:rows] for name in COEFFICIENTS}
    judgement = judge(values, dict(targets), bounds)
    columns = []
    for name in COEFFICIENTS:
        mean = judgement.means.get(name)
        if mean is None:
            columns.append(JudgedColumn(name, judgement.verdict))
        else:
            own = verdict_of(mean, targets[name]) if name in targets else NO_TARGET
            columns.append(_column(history, name, mean, own))
    reason = [f"{history.name}: {judgement.reason}"] if judgement.reason else []
    return _judged(history, rows, judgement.verdict, columns, [*history.warnings, *reason])


def _column(history: NamedHistory, name: str, mean: Mean, verdict: str) -> JudgedColumn:
    step = float(history.time[-1] - history.time[0]) / (len(history.time) - 1)
    return JudgedColumn(
        name=name,
        verdict=verdict,
        mean=mean.value,
        standard_error=mean.standard_error if math.isfinite(mean.standard_error) else None,
        samples=mean.samples,
        effective_samples=mean.effective_samples,
        averaged_from=float(history.time[mean.cut]),
        period=None if mean.period is None else mean.period * step,
    )


def _judged(
    history: NamedHistory, rows: int, verdict: str, columns: list[JudgedColumn], warnings: Sequence[str]
) -> JudgedHistory:
    count = len(history.time)
    return JudgedHistory(
        name=history.name,
        rows=count,
        rows_judged=rows,
        first=float(history.time[0]) if count else None,
        last=float(history.time[-1]) if count else None,
        verdict=verdict,
        columns=columns,
        reference=history.reference,
        warnings=list(warnings),
    )


def _kind(name: str) -> str:
    return name[0] if name in ("fx", "fy", "fz", "mx", "my", "mz") else "coefficient"
