"""Bounds of mean drag and lift of a sphere-like body; means outside them are computing errors."""

from collections.abc import Mapping

from pipeline.flow.forces.averaging import Mean

Bounds = dict[str, tuple[float, float]]

LEAST_DRAG, MOST_DRAG = 0.05, 2.0
"""Of Cd. Smooth spheres have 0.07 at least, just above their drag crisis (Achenbach 1972, J. Fluid Mech.
54:565-575 [memory]), and 0.4 to 0.5 below it down to Re 1e3; spinning and dimpled ones up to 0.6."""

MOST_LIFT = 1.5
"""Of |Cl|. Fits of published spinning spheres go up to 1.3 at S = 1 (docs/validation.md)."""

DRAG_FACTOR = 3.0
"""At low Reynolds numbers drag grows without limit: up to this many times that of a sphere at rest."""

LIFT_PER_SPIN = 3.0
"""|Cl| / S up to which lift is plausible: 2 is the limit of low Reynolds numbers (Rubinow & Keller 1961, J.
Fluid Mech. 11:447-459), and measured spheres have less."""


def sphere_drag(reynolds: float) -> float:
    """Drag coefficient of a sphere at rest, Cd = 24 / Re (1 + 0.15 Re^0.687).

    Schiller & Naumann 1933, Z. Ver. Dtsch. Ing. 77:318-320; for Re below about 1000, where Cd is 0.44. It is
    used here only for its growth towards low Reynolds numbers.
    """
    return float(24.0 / reynolds * (1.0 + 0.15 * reynolds**0.687))


def plausible_bounds(reynolds: float, spin_ratio: float) -> Bounds:
    """Bounds of the means of Cd and Cl.

    Parameters
    ----------
    reynolds : float
        Re on the diameter, above 0.
    spin_ratio : float
        S = omega D / (2 U).

    Returns
    -------
    dict of tuple
        Lowest and highest plausible mean of cd and cl. They follow from Re and S and not from the fidelity:
        the laminar flows of the verification have low Reynolds numbers, where drag is large by nature (27 at
        Re 1), and all others have Reynolds numbers where it is not.
    """
    lift = max(MOST_LIFT, LIFT_PER_SPIN * abs(spin_ratio))
    return {"cd": (LEAST_DRAG, max(MOST_DRAG, DRAG_FACTOR * sphere_drag(reynolds))), "cl": (-lift, lift)}


def implausible(means: Mapping[str, Mean], bounds: Bounds) -> str:
    """Say in one line which means lie outside their bounds; empty when none does."""
    wrong = [
        f"{name.capitalize()} {means[name].value:.3g} is outside {low:.3g} to {high:.3g}"
        for name, (low, high) in bounds.items()
        if not low <= means[name].value <= high
    ]
    return ", ".join(wrong)
