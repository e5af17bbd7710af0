"""Limit of a drifting history: an exponential approach in autoregressive noise, averaged over both times.

A history is x_t = L + A exp(-t / T) + e_t with e_t = phi e_{t-1} + white noise. For given T and phi that is a
linear regression with its exact likelihood (generalised least squares: Rao & Toutenburg 1995, Linear Models,
sec. 3.7 [memory]). T and phi are summed over, each on a grid that is even in its logarithm, with and without
an approach (Bayesian model averaging: Hoeting et al. 1999, Stat. Sci. 14:382-417 [memory]). phi near 1 is a
random walk, for smooth histories whose approach has another form.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray

LONGEST = 400
"""A longer history is averaged in batches: there are no more than this many."""

NOISE_TIMES = 24
APPROACH_TIMES = 48
"""Nodes of the grids of 1 - phi and of T."""

SLOWEST_NOISE = 0.5
"""Least 1 - phi, times the number of samples."""

FASTEST_APPROACH, SLOWEST_APPROACH, SLOWEST_MODE = 3.0, 4.0, 500.0
"""T from so many samples (batches) to so many times the length of the history, but to no more than
`SLOWEST_MODE` samples: the slowest modes of steady runs that were carried on had times of 60 to 300
iterations (benchmarks/stops.csv). Slower ones cannot be distinguished from the mean of a long noise, whose
error they would make several times as large."""

STEADY = 0.5
"""Prior probability that there is no approach any more."""

EXACT = 1e-26
"""Least mean square of the noise over that of the history: rounding of double precision."""


@dataclass(frozen=True)
class Limit:
    """What a history tends to.

    Attributes
    ----------
    steady : float
        Probability that it has no approach left.
    mean, variance : tuple of float
        Of the limit, without an approach and with one.
    remaining : float
        The distance that an approach has left at the end of the history: limit less end.
    """

    steady: float
    mean: tuple[float, float]
    variance: tuple[float, float]
    remaining: float


def limit_of(history: FloatArray) -> Limit:
    """Limit of a history.

    Parameters
    ----------
    history : ndarray, shape (n,)
        n >= 5, without its initial transient.

    Returns
    -------
    Limit
        The unit-information prior of A (Kass & Wasserman 1995, J. Am. Stat. Assoc. 90:928-934) makes an
        approach pay for itself.

    Raises
    ------
    ValueError
        If there are fewer than 5 samples.
    """
    if len(history) < 5:
        raise ValueError(f"a limit needs at least 5 samples, not {len(history)}")
    size = -(-len(history) // LONGEST)
    series = _batches(history, size)
    n, end = len(series), series[-1]
    scale = float(np.abs(series - end).max())
    if scale == 0.0:
        return Limit(1.0, (float(end), float(end)), (0.0, 0.0), 0.0)
    y = (series - end) / scale
    slowest = max(2.0 * FASTEST_APPROACH, min(SLOWEST_APPROACH * n, SLOWEST_MODE / size))
    times = np.geomspace(FASTEST_APPROACH, slowest, APPROACH_TIMES)
    decay = np.exp(-np.arange(n) / times[:, None])
    phi = 1.0 - np.geomspace(SLOWEST_NOISE / n, 1.0, NOISE_TIMES)
    one = np.ones(n)

    # Products of whitened series, over phi along the last axis.
    ll, ly, yy = (_whitened(a, b, phi) for a, b in ((one, one), (one, y), (y, y)))
    la, aa, ay = (_whitened(a, decay, phi) for a in (one, decay, y))
    level = ly / ll
    rss = np.maximum(yy - level * ly, EXACT * n)
    determinant = np.maximum(ll * aa - la**2, 1e-14 * ll * aa)
    limit = (aa * ly - la * ay) / determinant
    amplitude = (ll * ay - la * ly) / determinant
    rss_approach = np.maximum(yy - limit * ly - amplitude * ay, EXACT * n)

    # Flat priors of L and of the logarithm of the noise; one sample's worth of information on A.
    common = 0.5 * np.log1p(-(phi**2)) - 0.5 * np.log(ll)
    log_steady = np.log(STEADY) + common - 0.5 * (n - 1) * np.log(rss)
    log_approach = np.log((1.0 - STEADY) / len(times)) + common - 0.5 * (n - 1) * np.log(rss_approach)
    log_approach -= 0.5 * np.log(n)
    top = max(log_steady.max(), log_approach.max())
    weight, weights = np.exp(log_steady - top), np.exp(log_approach - top)
    steady = float(weight.sum() / (weight.sum() + weights.sum()))
    freedom = n - 3.0
    without = _mixture(weight, level, rss / (freedom * ll))
    # T lies anywhere between two nodes: even there, a limit has the variance of a twelfth of its step.
    between = np.gradient(limit, axis=0) ** 2 / 12.0
    with_one = _mixture(weights, limit, rss_approach * aa / (freedom * determinant) + between)
    left = -amplitude * decay[:, -1:]
    remaining = float(np.sum(weights * left) / max(float(weights.sum()), 1e-300))
    return Limit(
        steady,
        (float(end + scale * without[0]), float(end + scale * with_one[0])),
        (scale**2 * without[1], scale**2 * with_one[1]),
        (1.0 - steady) * scale * remaining,
    )


def _batches(history: FloatArray, size: int) -> FloatArray:
    """Means of batches, aligned with the end."""
    kept = len(history) // size * size
    return np.asarray(history[len(history) - kept :].reshape(-1, size).mean(axis=1))


def _whitened(a: FloatArray, b: FloatArray, phi: FloatArray) -> FloatArray:
    """Inner products of series made white for autoregressive noise, shape (..., phi).

    The first sample counts sqrt(1 - phi^2) times, every other less phi times the one before it.
    """
    head, tail = a[..., :-1], a[..., 1:]
    head_b, tail_b = b[..., :-1], b[..., 1:]
    now = np.sum(tail * tail_b, axis=-1)[..., None]
    before = np.sum(head * head_b, axis=-1)[..., None]
    across = np.sum(tail * head_b + head * tail_b, axis=-1)[..., None]
    first = (a[..., 0] * b[..., 0])[..., None]
    return np.asarray(now - phi * across + phi**2 * before + (1.0 - phi**2) * first)


def _mixture(weights: FloatArray, means: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """Mean and variance of a mixture."""
    total = max(float(weights.sum()), 1e-300)
    mean = float(np.sum(weights * means) / total)
    return mean, float(np.sum(weights * (variances + (means - mean) ** 2)) / total)
