"""Chooses a pattern's spin decay: its computed moments, or the published rate where those cannot be used.

The wall of a dimpled ball that stands still in a steady model, with the velocity of the turning surface as
its boundary condition, does not have the friction of one that turns. Moments computed so have come out
positive for some runs, and a tenth of the published ones for others.
"""

import numpy as np
import pandas as pd

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY

_MASS_KG, _DIAMETER_M, _AIR_KG_M3 = 0.04593, 0.04267, 1.2
"""A golf ball in air: what the size of a moment is judged with."""

PLAUSIBLE = (0.4, 2.5)
"""Range of a moment over that of the published rate of spin decay in which it is flown: other measurements
give 1.25 times that rate (Tavares et al., 2.5e-5 against 2.0e-5 [quoted]); the factor of two on either side
of both is a judgement."""


def moment_of_decay(spin_ratio: float, decay: float = SMITS_SMITH_SPIN_DECAY) -> float:
    r"""Moment coefficient of a golf ball whose spin decays at a rate.

    .. math:: C_m = -k S \frac{\tfrac25 m}{\rho A R}, \qquad \dot\omega = -k \omega U / R

    Parameters
    ----------
    spin_ratio : float
        S = omega R / U [-].
    decay : float
        The constant k; that of Smits & Smith 1994 [memory] when absent [-].

    Returns
    -------
    float
        Cm on area times diameter, for a uniform ball of 45.93 g and 42.67 mm in air of 1.2 kg/m^3 [-].
    """
    radius = 0.5 * _DIAMETER_M
    return -decay * spin_ratio * 0.4 * _MASS_KG / (_AIR_KG_M3 * np.pi * radius**3)


def moments_to_fly(runs: pd.DataFrame) -> tuple[bool, str | None]:
    """Decide whether the moments of a pattern are flown: all depths alike, so that depths stay comparable.

    Parameters
    ----------
    runs : DataFrame
        Usable runs of the pattern, with pattern, spin_ratio, cm, cm_se and run.

    Returns
    -------
    flown : bool
        Whether every run with spin has a moment that is negative and of a plausible size (`PLAUSIBLE`).
    note : str or None
        Why not, in one sentence; None when they are flown, or when no run has a moment.
    """
    turning = runs[runs["spin_ratio"] > 0.0]
    moments = turning[["cm", "cm_se"]].to_numpy(float)
    known = np.isfinite(moments).all(axis=1)
    if not known.any():
        return False, None
    pattern = str(runs["pattern"].iloc[0])
    if not (known.all() and np.isfinite(runs[["cm", "cm_se"]].to_numpy(float)).all()):
        return False, (
            f"{pattern}: some runs have no moment; the spin decays at the published rate for all its depths."
        )
    ratio = moments[:, 0] / moment_of_decay(1.0) / turning["spin_ratio"].to_numpy(float)
    wrong = ~((ratio >= PLAUSIBLE[0]) & (ratio <= PLAUSIBLE[1]))
    if not wrong.any():
        return True, None
    worst = int(np.abs(np.where(wrong, ratio - 1.0, 0.0)).argmax())
    return False, (
        f"{pattern}: the computed moment is not that of a turning ball in {int(wrong.sum())} of {len(ratio)} "
        f"runs ({turning['run'].iloc[worst]}: {ratio[worst]:.2g} times the published one"
        f"{', which would speed the spin up' if ratio[worst] < 0 else ''}): a wall that stands still in a "
        "steady model lacks the friction of one that turns. The spin decays at the published rate for all "
        "its depths."
    )
