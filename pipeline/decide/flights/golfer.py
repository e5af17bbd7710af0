"""Shots of a golfer: the mean launch and its scatter, or measured launches."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.files.delimited import number, read_delimited
from pipeline.flight.trajectory import Launches
from pipeline.study.model import Golfer
from pipeline.study.trade_units import launch

SLOWEST_SHOT_M_S = 1.0
"""Draws below this ball speed are raised to it [m/s]."""

MOST_LAUNCHES = 100_000
"""Measured launches that a file may hold; more make no fit better."""

MOST_PROBLEMS = 50
"""Faults of a file of launches that are listed one by one."""

FEWEST_TO_FIT = 5
"""Measured launches that a distribution can be fitted to, at least."""

MPH_M_S = 0.44704
"""Miles an hour, exactly [m/s]."""


_RPM = np.pi / 30.0
_UNITS = {
    "ball_speed_m_s": (0, 1.0),
    "ball_speed_mph": (0, MPH_M_S),
    "launch_angle_deg": (1, np.pi / 180.0),
    "backspin_rpm": (2, _RPM),
    "axis_tilt_deg": (3, np.pi / 180.0),
}
_RANGES = ((5.0, 120.0), (np.radians(-10), np.radians(60)), (0.0, 15000 * _RPM), (-0.5 * np.pi, 0.5 * np.pi))


@dataclass(frozen=True, eq=False)
class FlownGolfer:
    """What is flown of a golfer: the launch that the study states, or the launches of a file.

    Parameters
    ----------
    source : str
        "launch", "fitted" (normal distribution fitted to measured launches) or "drawn" (the measured launches
        themselves).
    file : Path or None
        File of the measured launches.
    count : int or None
        Measured launches.
    mean, spread : ndarray, shape (4,)
        Mean and standard deviation of ball speed [m/s], launch angle [rad], backspin [rad/s] and axis tilt
        [rad].
    covariance : ndarray, shape (4, 4)
        Of the same, in the units of `mean`.
    launches : ndarray, shape (count, 4), or None
        The measured launches.
    """

    source: str
    file: Path | None
    count: int | None
    mean: FloatArray
    covariance: FloatArray
    launches: FloatArray | None = None

    @property
    def spread(self) -> FloatArray:
        """Standard deviations, shape (4,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def mean_shot(self) -> Launches:
        """The mean launch."""
        return Launches(*self.mean)


def as_flown(golfer: Golfer) -> FlownGolfer:
    """Return what is flown of a golfer.

    Parameters
    ----------
    golfer : Golfer
        Launch and spread, or measured launches, which come before them.

    Returns
    -------
    FlownGolfer
        Mean and covariance as stated, or those of the measured launches.

    Raises
    ------
    InputError
        The file of measured launches is wrong, or has too few launches for a fit.
    """
    if golfer.measured is not None:
        path = golfer.measured.file
        launches = read_launches(path)
        if golfer.measured.use == "fitted" and len(launches) < FEWEST_TO_FIT:
            raise InputError(
                f"{path}: has {len(launches)} launches; {FEWEST_TO_FIT} are needed for a fit, or fly them as "
                "they are (use: drawn)"
            )
        covariance = np.cov(launches.T) if len(launches) > 1 else np.zeros((4, 4))
        return FlownGolfer(
            golfer.measured.use, path, len(launches), launches.mean(axis=0), covariance, launches
        )
    assert golfer.launch is not None  # the study asks for one of the two
    names = ("ball_speed_m_s", "launch_angle_rad", "backspin_rad_s", "axis_tilt_rad")
    mean = np.array([getattr(golfer.launch, name) for name in names])
    spread = np.array([getattr(golfer.spread, name) for name in names])
    covariance = golfer.spread.correlation_matrix() * np.outer(spread, spread)
    return FlownGolfer("launch", None, None, mean, covariance)


def in_words(of: FlownGolfer) -> str:
    """Write what is flown of a golfer in trade units: mean launch, spreads, file and count of launches."""
    shot = launch(of.mean.tolist(), of.spread.tolist())
    if of.file is None:
        return shot
    how = "normal distribution fitted to" if of.source == "fitted" else "flown as measured:"
    return f"{how} {of.count} launches of {of.file.name}: {shot}"


def draw_shots(golfer: Golfer, n: int, seed: int) -> Launches:
    """Draw launches of a golfer, the same for every ball, so that balls are compared on the same shots.

    Parameters
    ----------
    golfer : Golfer
        Mean launch, standard deviations and correlations (Gaussian), or measured launches.
    n : int
        Number of shots, at least 1; a golfer without spread hits one.
    seed : int
        Seed of the draw.

    Returns
    -------
    Launches
        Arrays of shape (n,), or (1,) without spread. The draws fill the four-dimensional normal distribution
        evenly (scrambled Halton points), so that their mean settles faster than that of independent draws.
        Ball speed and backspin that a wide spread would make negative are cut off at 1 m/s and at 0. Measured
        launches that are flown as they are give n of them, each as often as any other but for one, in a
        seeded order.

    Raises
    ------
    InputError
        The file of measured launches is wrong.
    """
    of = as_flown(golfer)
    if of.source == "drawn" and of.launches is not None:
        order = np.random.default_rng(seed).permutation(len(of.launches))
        return Launches(*of.launches[np.resize(order, n)].T)
    mean, covariance = of.mean, of.covariance
    if not covariance.any():
        return Launches(*mean[:, None])
    from scipy.special import ndtri
    from scipy.stats.qmc import Halton

    # A point can lie on the edge of the unit cube only by rounding; its normal quantile must stay finite.
    cube = np.clip(Halton(d=4, rng=np.random.default_rng(seed)).random(n), 1e-9, 1 - 1e-9)
    speed, angle, spin, tilt = (mean + ndtri(cube) @ _root(covariance).T).T
    return Launches(np.maximum(speed, SLOWEST_SHOT_M_S), angle, np.maximum(spin, 0.0), tilt)


def read_launches(path: Path) -> FloatArray:
    """Read measured launches.

    Parameters
    ----------
    path : Path
        CSV with a header, separated as `pipeline.files.delimited` finds out; columns ball_speed_m_s or
        ball_speed_mph, launch_angle_deg, backspin_rpm and, where known, axis_tilt_deg (0 otherwise). Further
        columns are left alone.

    Returns
    -------
    ndarray, shape (n, 4)
        Ball speed [m/s], launch angle [rad], backspin [rad/s], axis tilt [rad].

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or values are no numbers or out of the ranges of a study
        file; bad values are listed with their lines.
    """
    found = read_delimited(Path(path), "a CSV of launches", most_rows=MOST_LAUNCHES)
    columns = [name for name in found.header if name in _UNITS]
    for place, wanted in enumerate(("ball_speed_m_s or ball_speed_mph", "launch_angle_deg", "backspin_rpm")):
        if sum(_UNITS[name][0] == place for name in columns) != 1:
            has = ", ".join(found.header)[:200] or "none"
            raise InputError(f"{path}:{found.header_line}: one column {wanted} is needed; it has {has}")
    rows, problems = [], []
    for line, cells in found.rows:
        row = dict(zip(found.header, cells, strict=False))
        launch = np.zeros(4)
        for name in columns:
            place, unit = _UNITS[name]
            launch[place] = number(row.get(name, "")) * unit
            low, high = _RANGES[place]
            if not low <= launch[place] <= high:
                limits = f"{low / unit:.4g} to {high / unit:.4g}"
                given = row.get(name, "")[:60]
                problems.append(f'{path}:{line}: {name}: "{given}" is not a number from {limits}')
        rows.append(launch)
    if len(problems) > MOST_PROBLEMS:
        problems[MOST_PROBLEMS:] = [f"{path}: and {len(problems) - MOST_PROBLEMS} more values like these"]
    if problems:
        raise InputError("\n".join(problems))
    if not rows:
        raise InputError(f"{path}: has no launches; write one a row below the header")
    return np.array(rows)


def _root(covariance: FloatArray) -> FloatArray:
    """Root of a covariance that may be singular: each quantity in turn from those before it."""
    spread = np.sqrt(np.diag(covariance))
    scale = np.where(spread > 0, spread, 1.0)
    correlation = covariance / np.outer(scale, scale) + np.diag(np.where(spread > 0, 1e-12, 1.0))
    return np.asarray(np.linalg.cholesky(correlation) * spread[:, None])
