"""Published values of smooth spheres, with source, mark, and the goal that we set for each.

Marks: source (read in the source, mostly its abstract), quoted (in a secondary place that quotes it),
computed (from the stated formula), memory (not confirmed). Values without a goal are shown, not judged: the
correlations differ by 3 to 7 % at these Reynolds numbers, the fits of spin lift up to threefold.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray

JOHNSON_PATEL = "Johnson & Patel 1999, J. Fluid Mech. 378:19-70"
ROOS_WILLMARTH = "Roos & Willmarth 1971, AIAA J. 9:285-291"
TOMBOULIDES_ORSZAG = "Tomboulides & Orszag 2000, J. Fluid Mech. 416:45-73"
CONSTANTINESCU_SQUIRES = "Constantinescu & Squires 2000, AIAA 2000-0540"
KIM_CHOI = "Kim & Choi 2002, Phys. Fluids 14"
KIM = "Kim 2009, J. Mech. Sci. Technol. 23:578-589"
BAGCHI = "Bagchi & Balachandar 2002, Phys. Fluids 14:2719"
OESTERLE = "Oesterlé & Bui Dinh 1998, Exp. Fluids 25:16"
LOTH = "Loth 2008, AIAA J. 46:801"
NIAZMAND = "Niazmand & Renksizbulut 2003, Comput. Fluids 32:1405-1433"
CELIK = "Celik et al. 2008, J. Fluids Eng. 130:078001"


@dataclass(frozen=True)
class Published:
    """One published value.

    Attributes
    ----------
    quantity : str
        As in `pipeline.validation.rows.Row`.
    reynolds, spin_ratio : float
        The flow.
    value : float
        The value.
    source, mark : str
        Where it comes from and how well that is known.
    goal_pct : float or None
        Largest error that counts as agreement [%].
    """

    quantity: str
    reynolds: float
    spin_ratio: float
    value: float
    source: str
    mark: str
    goal_pct: float | None = None


def _at_rest(
    quantity: str, source: str, mark: str, goal_pct: float | None, values: dict[float, float]
) -> list[Published]:
    return [
        Published(quantity, reynolds, 0.0, value, source, mark, goal_pct)
        for reynolds, value in values.items()
    ]


AT_REST = [
    *_at_rest("cd", JOHNSON_PATEL, "quoted", 1.0, {100: 1.087, 300: 0.656}),
    *_at_rest("cd", JOHNSON_PATEL, "memory", 3.0, {250: 0.70}),
    *_at_rest("cl", JOHNSON_PATEL, "memory", 10.0, {250: 0.062}),
    *_at_rest("cl", JOHNSON_PATEL, "quoted", 5.0, {300: 0.069}),
    *_at_rest("strouhal", JOHNSON_PATEL, "quoted", 3.0, {300: 0.137}),
    # Read off a plot by a third party.
    *_at_rest(
        "separation_deg", JOHNSON_PATEL, "quoted", 2.0, {50: 139.5, 100: 127.0, 150: 121.2, 200: 117.5}
    ),
    *_at_rest("wake_length", JOHNSON_PATEL, "quoted", 5.0, {50: 0.41, 100: 0.88, 150: 1.22, 200: 1.47}),
    *_at_rest("cd", ROOS_WILLMARTH, "quoted", None, {20: 2.85, 50: 1.58, 100: 1.08, 200: 0.78}),
    *_at_rest("cd", TOMBOULIDES_ORSZAG, "memory", None, {300: 0.671}),
    *_at_rest("strouhal", TOMBOULIDES_ORSZAG, "memory", None, {300: 0.136}),
    *_at_rest("cd", CONSTANTINESCU_SQUIRES, "memory", None, {300: 0.655}),
    *_at_rest("cl", CONSTANTINESCU_SQUIRES, "memory", None, {300: 0.065}),
    *_at_rest("strouhal", CONSTANTINESCU_SQUIRES, "memory", None, {300: 0.136}),
    *_at_rest("cd", KIM_CHOI, "memory", None, {300: 0.657}),
    *_at_rest("cl", KIM_CHOI, "memory", None, {300: 0.067}),
    *_at_rest("strouhal", KIM_CHOI, "memory", None, {300: 0.134}),
]
"""Values at rest."""

SHEDS = {0.0: True, 0.4: False, 0.6: False, 1.0: True}
"""Whether the wake of a spinning sphere at Re 300 is unsteady, by spin ratio (Kim 2009 [source, abstract]):
shedding at low S, suppressed at 0.4 and 0.6, shear-layer unsteadiness at 1.0 and 1.2."""


def clift_grace_weber(reynolds: ArrayLike) -> FloatArray:
    """Drag of a sphere by Clift, Grace & Weber 1978, Bubbles, Drops and Particles, table 5.2, Re <= 1500.

    At Re 20 and 260 its pieces meet with steps of up to 0.8 %.

    Parameters
    ----------
    reynolds : array_like
        Reynolds number on the diameter [-].

    Returns
    -------
    ndarray
        Cd on the frontal area [-].
    """
    re = np.asarray(reynolds, dtype=np.float64)
    w = np.log10(re)
    low = 24.0 / re * (1.0 + 0.1315 * re ** (0.82 - 0.05 * w))
    middle = 24.0 / re * (1.0 + 0.1935 * re**0.6305)
    high = 10.0 ** (1.6435 - 1.1242 * w + 0.1558 * w**2)
    return np.where(re < 20.0, low, np.where(re <= 260.0, middle, high))


def brown_lawler(reynolds: ArrayLike) -> FloatArray:
    """Drag of a sphere by Brown & Lawler 2003, J. Environ. Eng. 129:222-231, Re < 2e5.

    Parameters and result as for `clift_grace_weber`.
    """
    re = np.asarray(reynolds, dtype=np.float64)
    return 24.0 / re * (1.0 + 0.150 * re**0.681) + 0.407 / (1.0 + 8710.0 / re)


def morrison(reynolds: ArrayLike) -> FloatArray:
    """Drag of a sphere by Morrison 2013, An Introduction to Fluid Mechanics, Re < 1e6.

    Parameters and result as for `clift_grace_weber`.
    """
    re = np.asarray(reynolds, dtype=np.float64)
    return (
        24.0 / re
        + 2.6 * (re / 5.0) / (1.0 + (re / 5.0) ** 1.52)
        + 0.411 * (re / 2.63e5) ** -7.94 / (1.0 + (re / 2.63e5) ** -8.0)
        + re**0.8 / 461000.0
    )


def schiller_naumann(reynolds: ArrayLike) -> FloatArray:
    """Drag of a sphere by Schiller & Naumann 1933, 24/Re (1 + 0.15 Re^0.687), Re < 800.

    Parameters and result as for `clift_grace_weber`.
    """
    re = np.asarray(reynolds, dtype=np.float64)
    return 24.0 / re * (1.0 + 0.15 * re**0.687)


DRAG_CORRELATIONS: dict[str, Callable[[ArrayLike], FloatArray]] = {
    "Clift, Grace & Weber 1978": clift_grace_weber,
    "Brown & Lawler 2003": brown_lawler,
    "Morrison 2013": morrison,
    "Schiller & Naumann 1933": schiller_naumann,
}


def oesterle_bui_dinh_lift(reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
    """Lift of a spinning sphere by Oesterlé & Bui Dinh 1998, 10 <= Re <= 140, S >= 1.

    Cl = 0.45 + (2 S - 0.45) exp(-0.05684 (2 S Re)^0.4 Re^0.3) [quoted].

    Parameters
    ----------
    reynolds, spin_ratio : array_like
        Re = U D / nu, S = omega D / (2 U) [-].

    Returns
    -------
    ndarray
        Cl on the frontal area [-].
    """
    re, s = np.asarray(reynolds, dtype=np.float64), np.asarray(spin_ratio, dtype=np.float64)
    return 0.45 + (2.0 * s - 0.45) * np.exp(-0.05684 * (2.0 * s * re) ** 0.4 * re**0.3)


def bagchi_balachandar_lift(spin_ratio: ArrayLike) -> FloatArray:
    """Lift of a spinning sphere by Bagchi & Balachandar 2002, Re 20 to 200.

    About 0.55 of the 2 S of Rubinow & Keller 1961 [memory]. Parameters and result as for
    `oesterle_bui_dinh_lift`.
    """
    return 0.55 * 2.0 * np.asarray(spin_ratio, dtype=np.float64)


def loth_lift(reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
    """Lift of a spinning sphere by Loth 2008, Re < 2000 [quoted].

    Cl / (2 S) = 1 - (0.675 + 0.15 (1 + tanh(0.28 (2 S - 2)))) tanh(0.18 sqrt(Re)). Parameters and result as
    for `oesterle_bui_dinh_lift`.
    """
    re, s = np.asarray(reynolds, dtype=np.float64), np.asarray(spin_ratio, dtype=np.float64)
    share = 0.675 + 0.15 * (1.0 + np.tanh(0.28 * (2.0 * s - 2.0)))
    return 2.0 * s * (1.0 - share * np.tanh(0.18 * np.sqrt(re)))


def niazmand_renksizbulut_lift(spin_ratio: ArrayLike) -> FloatArray:
    """Lift of a spinning sphere by Niazmand & Renksizbulut 2003, Re <= 300, S <= 1 [source].

    Cl = 0.11 (1 + S)^3.6, which is not zero at rest. Parameters and result as for `oesterle_bui_dinh_lift`.
    """
    return 0.11 * (1.0 + np.asarray(spin_ratio, dtype=np.float64)) ** 3.6


def niazmand_renksizbulut_drag(reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
    """Drag of a spinning sphere by Niazmand & Renksizbulut 2003, Re <= 300, S <= 1 [source].

    Cd = (24 / Re) (1 + Re^(2/3) / 6) (1 + S)^(Re / 1000). Parameters as for `oesterle_bui_dinh_lift`; returns
    Cd on the frontal area [-].
    """
    re, s = np.asarray(reynolds, dtype=np.float64), np.asarray(spin_ratio, dtype=np.float64)
    return 24.0 / re * (1.0 + re ** (2.0 / 3.0) / 6.0) * (1.0 + s) ** (re / 1000.0)
