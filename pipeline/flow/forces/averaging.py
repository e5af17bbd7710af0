"""Means of force histories: transient cut (MSER-5), autocorrelation time, standard error, trend.

MSER-5 (White 1997, Simulation 69:323-334) cuts the initial transient. What is kept is noise, or still
approaches its limit, as a steady run does; both are fitted, and weighed by their probabilities
(`pipeline.flow.forces.approach`). Where a cycle has most of the variance, the mean is the plain one, and its
error follows from the integrated autocorrelation time with the self-consistent window of Sokal (Madras &
Sokal 1988, J. Stat. Phys. 50:109-186).
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.flow.forces.approach import Limit, limit_of

BATCH = 5
"""Samples a batch of MSER-5."""

WINDOW = 5.0
"""Sokal's c: the autocorrelation is summed to the first lag above c tau."""

ENDS = (1.0, 0.67, 0.5)
"""Shares of the kept part whose ends an approach is fitted to. A steady run has several modes, of which the
slow ones are left at the end: what the fits differ by is the error of fitting one."""

SHORTEST_END = 10
"""Fewest samples of an end."""

CHANGE_SAMPLES, CHANGE_BLOCK = 50, 10
"""The change that is stated of a history: the mean of its last 10 samples less that of the 10, among the 50
before, that differ most from it."""

DRIFT_SIGMAS = 3.0
"""A difference between the first and the last third beyond this many standard errors is a drift."""

ROUNDING = 1e-13
"""Relative differences below this are the computer's, not the flow's."""

LONGEST = 16_384
"""A longer history is averaged in batches, so that there are no more than this many."""

PERIODIC_SHARE = 0.5
"""A cycle is one when it has more than this share of the variance."""

FEWEST_PERIODS = 3
"""Fewest periods that a cycle must have been seen for."""

LARGEST_RATIO = 0.95
"""Of the steps between the thirds of a drifting history when its limit is estimated."""


@dataclass(frozen=True)
class Mean:
    """Mean of the stationary part of a history.

    Attributes
    ----------
    value : float
        Mean after the cut, or the limit that the kept part tends to, as likely as each is.
    standard_error : float
        Of that value.
    cut : int
        Samples removed from the start.
    samples : int
        Samples averaged.
    tau : float
        Integrated autocorrelation time in samples, at least 1/2.
    drifting : bool
        Whether the kept part still moves one way.
    period : float or None
        Samples of the cycle that has most of the variance, None without one.
    remaining : float
        What the history has left of an approach: its limit less its end, as far as noise does not explain it.
    change : float or None
        Over the last `CHANGE_SAMPLES` samples; None for shorter histories.
    """

    value: float
    standard_error: float
    cut: int
    samples: int
    tau: float
    drifting: bool
    period: float | None = None
    remaining: float = 0.0
    change: float | None = None

    @property
    def effective_samples(self) -> float:
        """Number of independent samples that would have the same standard error."""
        return self.samples / (2.0 * self.tau)


def mser5_cut(history: FloatArray) -> tuple[int, bool]:
    """Length of the initial transient by MSER-5.

    On the means Y_i of batches of five, the cut is d* = argmin_d sum_{i>d} (Y_i - mean_d)^2 / (n - d)^2,
    searched over the first half (White 1997).

    Parameters
    ----------
    history : ndarray, shape (n,)
        At least 20 samples.

    Returns
    -------
    cut : int
        Samples to remove, a multiple of five.
    stationary : bool
        False when the minimum lies at the end of the first half.

    Raises
    ------
    ValueError
        If there are fewer than 20 samples.
    """
    batches = len(history) // BATCH
    if batches < 4:
        raise ValueError(f"MSER-5 needs at least {4 * BATCH} samples, not {len(history)}")
    # Batches are aligned with the end, so that the newest samples count.
    means = history[len(history) - batches * BATCH :].reshape(batches, BATCH).mean(axis=1)
    offset = len(history) - batches * BATCH
    # Centring first keeps the running sums of squares free of cancellation.
    centred = means - means[-1]
    count = np.arange(batches, 0, -1)
    sums = np.cumsum(centred[::-1])[::-1]
    squares = np.cumsum(centred[::-1] ** 2)[::-1]
    spread = (squares - sums**2 / count) / count**2
    half = batches // 2
    best = int(np.argmin(spread[: half + 1]))
    return (offset + best * BATCH if best else 0), best < half


def autocorrelation_time(samples: FloatArray) -> float:
    """Integrated autocorrelation time tau = 1/2 + sum of rho_k, summed to Sokal's self-consistent window.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A stationary series, n >= 2.

    Returns
    -------
    float
        In samples, at least 1/2 (uncorrelated); 1/2 too for a constant series.
    """
    n = len(samples)
    centred = samples - samples.mean()
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n] / n
    # Rounding gives a constant series a variance of its own, perfectly correlated.
    if covariance[0] <= (ROUNDING * np.abs(samples).max()) ** 2:
        return 0.5
    tau = 0.5 + np.cumsum(covariance[1:] / covariance[0])
    inside = np.arange(1, n) >= WINDOW * tau
    window = int(np.argmax(inside)) if inside.any() else n - 2
    return float(max(0.5, tau[window])) if n > 2 else 0.5


def standard_error(samples: FloatArray) -> tuple[float, float]:
    """Standard error of the mean of a correlated series, and its autocorrelation time.

    SE^2 = 2 tau sigma^2 / (n - 2 tau); the unbiased estimate of the variance of a correlated series loses
    2 tau of its n degrees of freedom (Anderson 1971, The Statistical Analysis of Time Series, sec. 8.2).

    Parameters
    ----------
    samples : ndarray, shape (n,)
        n >= 2.

    Returns
    -------
    standard_error, tau : float
        An infinite error when the series is shorter than five correlation times.
    """
    n = len(samples)
    tau = autocorrelation_time(samples)
    if n <= 5.0 * tau:
        return float("inf"), tau
    variance = float(np.mean((samples - samples.mean()) ** 2))
    return float(np.sqrt(2.0 * tau * variance / (n - 2.0 * tau))), tau


def mean_of(history: FloatArray) -> Mean:
    """Mean of the stationary part of a history, or the limit that it tends to, with its standard error.

    Shorter ends are never chosen for their smaller standard error: an error that is the smallest of several
    is too small. The ends of `ENDS` all count, and what they differ by is part of the error, so that a run
    that is judged once a second does not stop at a lucky moment.

    A history longer than `LONGEST` is taken as the means of its batches, which have the same mean and, since
    the correlations within a batch are in the batch's mean, the same standard error.

    Parameters
    ----------
    history : ndarray, shape (n,)
        Finite samples in the order of iteration or time, n >= 20.

    Returns
    -------
    Mean
        With `drifting` set when MSER-5 finds no stationary part, or when the means of the kept part's first
        and last third differ by more than `DRIFT_SIGMAS` standard errors of their difference.

    Raises
    ------
    ValueError
        If there are fewer than 20 samples.
    """
    if len(history) > LONGEST:
        return _mean_of_batches(history, -(-len(history) // LONGEST))
    cut, stationary = mser5_cut(history)
    kept = history[cut:]
    error, tau = standard_error(kept)
    level = kept - _line(kept)
    period = _period(level)
    thirds = _thirds(kept)
    # A trend counts as scatter in `error`, so that it would hide itself; the scatter around it is what its
    # significance is measured by. Each third's mean has three times the variance of the whole's, the
    # difference of two has six times it.
    scatter, _ = standard_error(level)
    significant = DRIFT_SIGMAS * np.sqrt(6.0) * min(scatter, error) + ROUNDING * np.abs(kept).max()
    drifting = bool(abs(thirds[2] - thirds[0]) > significant)
    change = _change(history)
    if period is None:
        value, error, remaining = _limit_of_ends(kept)
        # A fit sees the modes that move now. Slower ones were seen to take a steady run as far again as it
        # has gone over the last iterations (benchmarks/stops.csv).
        error = float(np.hypot(error, change)) if drifting and change is not None else error
    else:
        value, remaining = float(kept.mean()), 0.0
        if drifting:
            remaining = _aitken(thirds) - value
            error = float(np.hypot(error, remaining))
    return Mean(
        value=value,
        standard_error=error,
        cut=cut,
        samples=len(kept),
        tau=tau,
        drifting=drifting or not stationary,
        period=period,
        remaining=remaining,
        change=change,
    )


def _limit_of_ends(kept: FloatArray) -> tuple[float, float, float]:
    """Value, standard error and what is left of an approach, from fits to the whole and to its ends."""
    lengths = [n for n in (int(share * len(kept)) for share in ENDS) if n >= SHORTEST_END] or [len(kept)]
    fits = [limit_of(kept[len(kept) - n :]) for n in lengths]
    whole = fits[0]
    # Whether there is an approach at all is for the whole to say; a shorter end knows less of it.
    means, variances = np.array([(whole.mean[1], whole.variance[1]), *map(_either, fits[1:])]).T
    weights = np.array(lengths) / sum(lengths)
    mean = float(weights @ means)
    count = len(fits)
    between = float(weights @ (means - mean) ** 2) * (count / (count - 1) if count > 1 else 1.0)
    value, variance = _mixed(
        whole.steady, (whole.mean[0], mean), (whole.variance[0], float(weights @ variances) + between)
    )
    return value, float(np.sqrt(variance)), whole.remaining


def _either(limit: Limit) -> tuple[float, float]:
    """Mean and variance of a limit, whether or not there is an approach."""
    return _mixed(limit.steady, limit.mean, limit.variance)


def _mixed(first: float, means: tuple[float, float], variances: tuple[float, float]) -> tuple[float, float]:
    """Mean and variance of a mixture of two, the first of that probability."""
    second = 1.0 - first
    mean = first * means[0] + second * means[1]
    apart = first * second * (means[0] - means[1]) ** 2
    return mean, first * variances[0] + second * variances[1] + apart


def _change(history: FloatArray) -> float | None:
    """Change of a history over its last `CHANGE_SAMPLES` samples: from where it was farthest from its end.

    A history that turned round is not where it was for standing still.
    """
    blocks = CHANGE_SAMPLES // CHANGE_BLOCK + 1
    if len(history) < blocks * CHANGE_BLOCK:
        return None
    means = history[len(history) - blocks * CHANGE_BLOCK :].reshape(blocks, CHANGE_BLOCK).mean(axis=1)
    away = means[-1] - means
    return float(away[np.argmax(np.abs(away))])


def _mean_of_batches(history: FloatArray, size: int) -> Mean:
    """Mean of the means of batches of `size` samples, in terms of samples again."""
    left_out = len(history) % size
    batches = np.add.reduceat(history, np.arange(left_out, len(history), size)) / size
    best = mean_of(batches)
    cut = left_out + best.cut * size
    # Both give the same standard error: 2 tau variance of the samples, 2 tau variance of the batches.
    variance = float(history[cut:].var())
    batch_variance = float(batches[best.cut :].var())
    tau = best.tau * size * batch_variance / variance if variance > 0 else 0.5
    return replace(
        best,
        cut=cut,
        samples=best.samples * size,
        tau=max(0.5, tau),
        period=None if best.period is None else best.period * size,
        change=_change(history),
    )


def _period(series: FloatArray) -> float | None:
    """Period in samples of the cycle that dominates a series without trend.

    The highest line of its spectrum and its two neighbours hold more than `PERIODIC_SHARE` of the variance,
    and the series resembles itself one period later (a slow wandering does not).
    """
    power = np.abs(np.fft.rfft(series - series.mean())) ** 2
    power[0] = 0.0
    peak = int(np.argmax(power))
    if peak < FEWEST_PERIODS or power[peak - 1 : peak + 2].sum() <= PERIODIC_SHARE * power.sum():
        return None
    lines = np.arange(peak - 1, min(peak + 2, len(power)))
    period = len(series) / float((power[lines] @ lines) / power[lines].sum())
    lag = round(period)
    earlier, later = series[:-lag] - series[:-lag].mean(), series[lag:] - series[lag:].mean()
    alike = float(earlier @ later) > PERIODIC_SHARE * float(np.sqrt((earlier @ earlier) * (later @ later)))
    return period if alike else None


def _thirds(series: FloatArray) -> FloatArray:
    """Means of the thirds of a series, shape (3,)."""
    third = len(series) // 3
    return np.asarray(series[len(series) - 3 * third :].reshape(3, third).mean(axis=1))


def _line(series: FloatArray) -> FloatArray:
    """Least-squares straight line through a series, about its mean."""
    count = len(series)
    place = np.arange(count) - (count - 1) / 2.0
    return place * (np.sum(place * series) * 12.0 / (count * (count**2 - 1.0)))


def _aitken(thirds: FloatArray) -> float:
    """Limit of a series whose thirds have these means, by Aitken's extrapolation.

    The ratio of the two steps is that of an exponential approach; a steady climb has 1 and no limit, so the
    ratio is kept below `LARGEST_RATIO`, which puts the limit far away. Steps of opposite sign are an
    oscillation.
    """
    first, last = thirds[1] - thirds[0], thirds[2] - thirds[1]
    ratio = np.clip(last / first, 0.0, LARGEST_RATIO) if first != 0.0 else LARGEST_RATIO
    return float(thirds[2] + last * ratio / (1.0 - ratio))
