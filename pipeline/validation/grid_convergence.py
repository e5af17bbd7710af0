"""Discretisation error from three meshes: the procedure of Celik et al. 2008, J. Fluids Eng. 130:078001."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

LOWEST_ORDER, HIGHEST_ORDER = 1e-6, 20.0

SAFETY = 1.25
"""Factor of safety of the grid convergence index for three meshes."""


@dataclass(frozen=True)
class GridConvergence:
    """What three meshes say of the exact value; 1 is the fine mesh, 3 the coarse one.

    Attributes
    ----------
    order : float
        Observed order of accuracy p, whatever it was extrapolated with.
    oscillatory : bool
        Whether the values swing: (phi3 - phi2) / (phi2 - phi1) < 0.
    extrapolated : float
        phi_ext^21 = (r21^p phi1 - phi2) / (r21^p - 1).
    approximate_error : float
        e_a^21 = |(phi1 - phi2) / phi1|.
    extrapolated_error : float
        e_ext^21 = |(phi_ext - phi1) / phi_ext|.
    gci : float
        Grid convergence index of the fine mesh, 1.25 e_a / (r21^p - 1).
    """

    order: float
    oscillatory: bool
    extrapolated: float
    approximate_error: float
    extrapolated_error: float
    gci: float


FORMAL_ORDER = 2.0
"""Of the solver's schemes."""


def grid_convergence(
    sizes: tuple[float, float, float],
    values: tuple[float, float, float],
    highest_order: float = HIGHEST_ORDER,
) -> GridConvergence:
    """Order of accuracy, extrapolated value and grid convergence index from three meshes.

    Parameters
    ----------
    sizes : tuple of float
        Representative cell sizes h1 < h2 < h3 in any unit: the cube root of volume over cells in three
        dimensions, the square root of area over cells in two.
    values : tuple of float
        Values phi1, phi2, phi3 on them, phi1 not zero.
    highest_order : float
        Extrapolate with no higher order than this, such as `FORMAL_ORDER`: values that happen to lie close to
        each other show a high one, and the index is then too good to be true.

    Returns
    -------
    GridConvergence
        With p the solution of p = |ln |eps32 / eps21| + q(p)| / ln r21, q(p) = ln((r21^p - s) / (r32^p - s)),
        s = sign(eps32 / eps21). The paper's fixed-point iteration does not contract for every pair of ratios,
        so the root is bracketed.

    Raises
    ------
    ValueError
        If sizes do not grow, two values are the same, or the values have no order up to `HIGHEST_ORDER`, for
        instance because they differ more between the finer two meshes than between the coarser two.
    """
    h1, h2, h3 = sizes
    if not 0 < h1 < h2 < h3:
        raise ValueError(f"sizes must grow from the fine mesh to the coarse one, not {sizes}")
    phi1, phi2, phi3 = values
    eps21, eps32 = phi2 - phi1, phi3 - phi2
    if eps21 == 0 or eps32 == 0:
        raise ValueError(f"two meshes with the same value have no order: {values}")
    r21, r32 = h2 / h1, h3 / h2
    order = _order(r21, r32, eps32 / eps21)
    gain = r21 ** min(order, highest_order) - 1.0
    extrapolated = phi1 + (phi1 - phi2) / gain
    approximate = abs((phi1 - phi2) / phi1)
    return GridConvergence(
        order=order,
        oscillatory=eps32 / eps21 < 0,
        extrapolated=extrapolated,
        approximate_error=approximate,
        extrapolated_error=abs((extrapolated - phi1) / extrapolated),
        gci=SAFETY * approximate / gain,
    )


def _order(r21: float, r32: float, ratio: float) -> float:
    sign = float(np.sign(ratio))

    def excess(order: float) -> float:
        gains = r21**order - sign, r32**order - sign
        return float(order * np.log(r21) + np.log(gains[1] / gains[0]) - np.log(abs(ratio)))

    if excess(LOWEST_ORDER) > 0 or excess(HIGHEST_ORDER) < 0:
        raise ValueError(f"no order of accuracy between 0 and {HIGHEST_ORDER:g} has eps32/eps21 = {ratio:g}")
    return float(brentq(excess, LOWEST_ORDER, HIGHEST_ORDER, xtol=1e-13))
