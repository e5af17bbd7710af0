"""Model of a simulated range: gates, balls, programme of shots, and the scatter of each."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY
from pipeline.aero.table import CoefficientTable
from pipeline.arrays import FloatArray
from pipeline.range.terms import QUOTED_DRAG, QUOTED_LIFT, design

Coefficients = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""Cd and Cl at Reynolds numbers, spin ratios and depths [m], arrays of one shape."""

_RPM = np.pi / 30.0


@dataclass(frozen=True)
class Gates:
    """Gates of a range: planes at places down range, upright (0) or slanted, and what they note.

    `height` and `side`: whether they note the place at which a ball passes, as light screens do; `spin`:
    whether the last one measures the spin once more.
    """

    position_m: tuple[float, ...]
    slant_rad: tuple[float, ...]
    height: bool
    side: bool
    spin: bool = False


def screens(count: int = 9, length_m: float = 20.0) -> Gates:
    """Light screens, evenly spaced, that note time, height and side."""
    return Gates(tuple(np.linspace(0.0, length_m, count).tolist()), (0.0,) * count, True, True)


def short_baselines() -> Gates:
    """Three stations of two upright gates 0.41 m apart with a slanted one between, over 3.8 m; times alone.

    The slanted ones are crossed half way at a height of 1 m.
    """
    first = (0.0, 1.695, 3.39)
    position = [at for start in first for at in (start, start + 0.205 - 1.0, start + 0.41)]
    return Gates(tuple(position), (0.0, np.pi / 4, 0.0) * 3, False, False)


ARRANGEMENTS = {"screens": screens, "baselines": short_baselines}


@dataclass(frozen=True)
class Kind:
    """Balls of one pattern at one depth.

    Parameters
    ----------
    pattern : str
        Its name.
    coefficients : callable
        Drag and lift.
    depth_m : float
        Depth that was cut; NaN where depth is not known [m].
    balls : int
        How many are fired.
    """

    pattern: str
    coefficients: Coefficients
    depth_m: float = np.nan
    balls: int = 3


@dataclass(frozen=True)
class Scatter:
    """What scatters; standard deviations, all zero for a range without errors.

    Parameters
    ----------
    time_s, position_m, height_m, side_m : float
        Of a gate.
    spin_rad_s, launch_angle_rad, axis_rad, launch_speed_m_s : float
        Of what the launcher is said to have done, against what it did.
    fired_speed, fired_spin, fired_angle_rad, fired_axis_rad : float
        Of what the launcher does, against what it was set to; speed and spin as shares.
    ball_cd, ball_cl, shot_cd, shot_cl : float
        Of balls, and of shots of a ball, about their pattern.
    depth_m, mass_kg : float
        Of moulded balls about what was cut, measured without error.
    bad_gates : float
        Share of the times that are miscounted, by 64 to 2048 us either way.
    air_k : float
        Drift of the air's temperature over the day; the file states it to 0.1 K and 10 Pa.
    """

    time_s: float = 2e-6
    position_m: float = 0.0
    height_m: float = 1e-3
    side_m: float = 1e-3
    spin_rad_s: float = 15 * _RPM
    launch_angle_rad: float = np.radians(0.5)
    axis_rad: float = np.radians(0.5)
    launch_speed_m_s: float = 0.2
    fired_speed: float = 0.01
    fired_spin: float = 0.03
    fired_angle_rad: float = np.radians(0.3)
    fired_axis_rad: float = np.radians(0.3)
    ball_cd: float = 0.002
    ball_cl: float = 0.002
    shot_cd: float = 0.002
    shot_cl: float = 0.002
    depth_m: float = 3e-6
    mass_kg: float = 0.1e-3
    bad_gates: float = 0.0
    air_k: float = 1.5

    @staticmethod
    def none() -> "Scatter":
        """No errors, and launches as they were set."""
        return Scatter(**dict.fromkeys(Scatter.__dataclass_fields__, 0.0))


@dataclass(frozen=True)
class Programme:
    """What is fired.

    Parameters
    ----------
    speed_m_s, spin_rad_s : tuple of float
        Every speed with every spin.
    shots : int
        Shots of a ball at each.
    upright_shots : int
        Further shots of each ball at each speed and the mean spin, axis vertical (no lift upwards), half of
        them with each sense.
    shuffled : bool
        In random order; else ball by ball.
    """

    speed_m_s: tuple[float, ...] = (30.0, 45.0, 60.0, 75.0)
    spin_rad_s: tuple[float, ...] = (1500 * _RPM, 2500 * _RPM, 3500 * _RPM)
    shots: int = 2
    upright_shots: int = 0
    shuffled: bool = True


@dataclass(frozen=True)
class RangeTruth:
    """What a range is like beside its balls: roll, error of the launcher's axis, spin decay."""

    roll_rad: float = 0.0
    axis_rad: float = 0.0
    spin_decay: float = SMITS_SMITH_SPIN_DECAY
    gate_delay_s: dict[int, float] = field(default_factory=dict)


LEVEL = RangeTruth()
"""A range that does not lean, whose gates are on time."""


def quoted_ball(
    reynolds: ArrayLike, spin_ratio: ArrayLike, depth_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Drag and lift by the published fit that `pipeline.range.terms` quotes; no effect of depth."""
    cd, cl = (
        design([term for term, _ in fit], reynolds, spin_ratio) @ np.array([value for _, value in fit])
        for fit in (QUOTED_DRAG, QUOTED_LIFT)
    )
    return cd, cl


def of_table(table: CoefficientTable) -> Coefficients:
    """Drag and lift of a coefficient table, the same at every depth."""

    def coefficients(
        reynolds: FloatArray, spin_ratio: FloatArray, depth_m: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        found = table.at(reynolds, spin_ratio)
        return found.cd, found.cl

    return coefficients


def quoted_table() -> CoefficientTable:
    """Table of `quoted_ball` over the conditions that it was fired at, and its ends beyond them."""
    reynolds, spin_ratio = np.geomspace(0.8e5, 2.1e5, 12), np.linspace(0.04, 0.40, 13)
    cd, cl = quoted_ball(*np.meshgrid(reynolds, spin_ratio, indexing="ij"), np.nan)
    return CoefficientTable(reynolds, spin_ratio, cd, cl)
