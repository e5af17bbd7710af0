"""Published aerodynamic fits of conventional dimpled balls, to compare with and to fly."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.aero.table import CoefficientTable

SMITS_SMITH_REYNOLDS = (7.0e4, 2.1e5)
"""Reynolds numbers that the Smits & Smith fit is stated for [-]."""

SMITS_SMITH_SPIN_RATIO = (0.08, 0.20)
"""Spin ratios that the Smits & Smith fit is stated for [-]."""

SMITS_SMITH_SPIN_DECAY = 2.0e-5
"""Constant of the spin decay d omega/dt = -2e-5 omega U / R [-] (Smits & Smith 1994, from memory)."""


class DragAndLift(NamedTuple):
    """Drag and lift coefficients on the frontal area pi D^2 / 4 [-]."""

    cd: NDArray[np.float64]
    cl: NDArray[np.float64]


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
