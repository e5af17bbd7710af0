"""Published aerodynamic fits of conventional dimpled balls, to compare with and to fly."""

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.aero.table import CoefficientTable
from pipeline.arrays import FloatArray

if TYPE_CHECKING:
    from scipy.interpolate import RegularGridInterpolator

SMITS_SMITH_REYNOLDS = (7.0e4, 2.1e5)
"""Reynolds numbers that the Smits & Smith fit is stated for [-]."""

SMITS_SMITH_SPIN_RATIO = (0.08, 0.20)
"""Spin ratios that the Smits & Smith fit is stated for [-]."""

SMITS_SMITH_SPIN_DECAY = 2.0e-5
"""Constant of the spin decay d omega/dt = -2e-5 omega U / R [-] (Smits & Smith 1994, from memory)."""


class DragAndLift(NamedTuple):
    """Drag and lift coefficients on the frontal area pi D^2 / 4 [-]."""

    cd: FloatArray
    cl: FloatArray


def smits_smith_1994(reynolds: ArrayLike, spin_ratio: ArrayLike) -> DragAndLift:
    r"""Drag and lift of a dimpled ball by the fit of Smits & Smith.

    .. math::
        C_d = 0.24 + 0.18 S + 0.06 \sin\left(\pi \frac{Re - 9 \times 10^4}{2 \times 10^5}\right), \quad
        C_l = 0.54 S^{0.4}

    Parameters
    ----------
    reynolds : array_like
        Reynolds number U D / nu, stated for 7e4 to 2.1e5 [-].
    spin_ratio : array_like
        Spin ratio omega D / (2 U), stated for 0.08 to 0.20 [-].

    Returns
    -------
    DragAndLift
        With the broadcast shape of the inputs. Outside the stated ranges the formula is evaluated as it
        stands, and is then an extrapolation of the caller's.

    References
    ----------
    Smits & Smith 1994, A new aerodynamic model of a golf ball in flight, Science and Golf II, 340-347; the
    coefficients are quoted from memory.

    Examples
    --------
    >>> fit = smits_smith_1994(9.0e4, 0.1)
    >>> round(float(fit.cd), 3), round(float(fit.cl), 3)
    (0.258, 0.215)
    """
    re, s = np.broadcast_arrays(np.asarray(reynolds, float), np.asarray(spin_ratio, float))
    cd = 0.24 + 0.18 * s + 0.06 * np.sin(np.pi * (re - 9.0e4) / 2.0e5)
    return DragAndLift(cd, 0.54 * s**0.4)


def smits_smith_table(reynolds: ArrayLike, spin_ratio: ArrayLike) -> CoefficientTable:
    """Sample the Smits & Smith fit onto a grid.

    Parameters
    ----------
    reynolds : array_like, shape (nr,)
        Reynolds numbers of the nodes, increasing [-].
    spin_ratio : array_like, shape (ns,)
        Spin ratios of the nodes, increasing [-].

    Returns
    -------
    CoefficientTable
        Without Cm: spin then decays at the rate that the same authors give.
    """
    re, s = np.asarray(reynolds, float), np.asarray(spin_ratio, float)
    fit = smits_smith_1994(re[:, None], s[None, :])
    return CoefficientTable(re, s, fit.cd, fit.cl)


_HEXAGON_DIAMETER_M, _HEXAGON_VISCOSITY_M2_S = 0.041, 1.5e-5
_HEXAGON_SPEED_M_S = (38.4, 55.2, 71.9, 88.1)
_HEXAGON_SPIN_RPM = (2000.0, 3000.0, 4000.0, 5000.0, 6000.0)
_HEXAGON_CD = (
    (0.2529, 0.2822, 0.3084, 0.3316, 0.3517),
    (0.2481, 0.2578, 0.2710, 0.2876, 0.3076),
    (0.2470, 0.2550, 0.2630, 0.2710, 0.2790),
    (0.2470, 0.2538, 0.2605, 0.2673, 0.2740),
)
_HEXAGON_CL = (
    (0.1984, 0.2475, 0.2862, 0.3119, 0.3393),
    (0.1538, 0.1856, 0.2149, 0.2418, 0.2662),
    (0.1360, 0.1584, 0.1807, 0.2031, 0.2254),
    (0.1276, 0.1464, 0.1582, 0.1791, 0.2000),
)


@cache
def _hexagons() -> "RegularGridInterpolator":
    from scipy.interpolate import RegularGridInterpolator

    return RegularGridInterpolator(
        (_HEXAGON_SPEED_M_S, _HEXAGON_SPIN_RPM),
        np.stack([_HEXAGON_CD, _HEXAGON_CL], axis=-1),
        bounds_error=False,
    )


def bearman_harvey_1976(reynolds: ArrayLike, spin_ratio: ArrayLike) -> DragAndLift:
    """Drag and lift of the hexagonally dimpled ball, between values read off figures 7 and 8.

    Parameters
    ----------
    reynolds, spin_ratio : array_like
        The flow [-].

    Returns
    -------
    DragAndLift
        With the broadcast shape of the inputs; NaN outside speeds of 38.4 to 88.1 m/s and 2000 to 6000 rpm of
        a ball of 41 mm.

    References
    ----------
    Bearman & Harvey 1976, Aeronaut. Q. 27:112-122 [quoted: digitised and smoothed by a third party, in a
    course's public code, with D = 41 mm and nu = 1.5e-5 m^2/s].
    """
    speed, spin = _hexagon_flow(*np.broadcast_arrays(np.asarray(reynolds, float), spin_ratio))
    found = _hexagons()(np.stack([speed, spin], axis=-1).reshape(-1, 2)).reshape(*speed.shape, 2)
    return DragAndLift(found[..., 0], found[..., 1])


def _hexagon_flow(reynolds: FloatArray, spin_ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Speed [m/s] and spin [rpm] of the hexagonally dimpled ball in its tunnel."""
    speed = reynolds * _HEXAGON_VISCOSITY_M2_S / _HEXAGON_DIAMETER_M
    return speed, spin_ratio * 2.0 * speed / _HEXAGON_DIAMETER_M * 30.0 / np.pi


def published_tables() -> dict[str, CoefficientTable]:
    """Tables to fly a golfer with before anything is computed, by source: of high and of low lift.

    Returns
    -------
    dict
        Smits & Smith 1994, continued by its own formula in the spin ratio and by its ends in the Reynolds
        number (below 7e4 its drag would fall, where that of balls rises); Bearman & Harvey 1976, continued by
        its ends, its lift below 2000 rpm falling to zero with the spin. These continuations are ours: beyond
        what was measured the tables say where flights lead, not how a ball performs there.
    """
    spin_ratio = np.linspace(0.01, 0.8, 80)
    smits_smith = smits_smith_table(np.geomspace(*SMITS_SMITH_REYNOLDS, 25), spin_ratio)
    per_speed = _HEXAGON_DIAMETER_M / _HEXAGON_VISCOSITY_M2_S
    reynolds = np.geomspace(_HEXAGON_SPEED_M_S[0] * per_speed, _HEXAGON_SPEED_M_S[-1] * per_speed, 25)
    speed, spin = _hexagon_flow(*np.meshgrid(reynolds, spin_ratio, indexing="ij"))
    measured = np.clip(spin, _HEXAGON_SPIN_RPM[0], _HEXAGON_SPIN_RPM[-1])
    found = _hexagons()(
        np.stack([np.clip(speed, _HEXAGON_SPEED_M_S[0], _HEXAGON_SPEED_M_S[-1]), measured], axis=-1)
    )
    lift = found[..., 1] * np.minimum(spin / _HEXAGON_SPIN_RPM[0], 1.0)
    return {
        "Smits & Smith 1994": smits_smith,
        "Bearman & Harvey 1976": CoefficientTable(reynolds, spin_ratio, found[..., 0], lift),
    }
