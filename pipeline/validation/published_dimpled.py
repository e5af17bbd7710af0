"""Published drag and lift of conventional dimpled balls, with source and mark (see `published`)."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.aero.published import (
    SMITS_SMITH_REYNOLDS,
    SMITS_SMITH_SPIN_RATIO,
    DragAndLift,
    bearman_harvey_1976,
    smits_smith_1994,
)


@dataclass(frozen=True)
class Fit:
    """A published fit of drag and lift over Reynolds number and spin ratio.

    Attributes
    ----------
    source, mark : str
        Where it comes from and how well that is known.
    reynolds, spin_ratio : tuple of float
        Ranges that it is stated for.
    evaluate : callable
        Gives drag and lift; NaN for what is not published there.
    """

    source: str
    mark: str
    reynolds: tuple[float, float]
    spin_ratio: tuple[float, float]
    evaluate: Callable[[float, float], DragAndLift]

    def value(self, quantity: str, reynolds: float, spin_ratio: float) -> float | None:
        """Coefficient cd or cl; None outside the ranges or where it is not published."""
        inside = self.reynolds[0] <= reynolds <= self.reynolds[1]
        if not (inside and self.spin_ratio[0] <= spin_ratio <= self.spin_ratio[1]):
            return None
        found = float(getattr(self.evaluate(reynolds, spin_ratio), quantity))
        return None if math.isnan(found) else found


@dataclass(frozen=True)
class Band:
    """A drag coefficient at rest that is published for a range of Reynolds numbers."""

    lowest: float
    highest: float
    value: float
    source: str
    mark: str


def _spin_rpm(spin_ratio: float, speed_m_s: float, diameter_m: float) -> float:
    """Rate of rotation at a spin ratio omega D / (2 U)."""
    return spin_ratio * 2.0 * speed_m_s / diameter_m * 30.0 / math.pi


def lyu_2018(reynolds: float, spin_ratio: float) -> DragAndLift:
    """Mean lift of 13 models of balls fired through still air: Cl = 1.99 S - 3.25 S^2.

    Parameters
    ----------
    reynolds, spin_ratio : float
        The flow [-].

    Returns
    -------
    DragAndLift
        Drag is NaN: the third party's coefficients for it give 0.40 at Re 2.5e5, which no ball has.

    References
    ----------
    Lyu, Kensrud, Smith & Tosaya 2018, Proceedings 2(6):238 [quoted: coefficients as in a third party's public
    code; that lift is quadratic in spin is in the abstract].
    """
    return DragAndLift(np.asarray(np.nan), np.asarray(1.99 * spin_ratio - 3.25 * spin_ratio**2))


def davies_1949(reynolds: float, spin_ratio: float) -> DragAndLift:
    """Lift of a dimpled ball dropped through a wind of 105 ft/s: 0.064 lbf (1 - exp(-0.00026 rpm)).

    Parameters
    ----------
    reynolds, spin_ratio : float
        The flow; the Reynolds number is about 9e4 [-].

    Returns
    -------
    DragAndLift
        Drag is NaN. For a ball of 42.7 mm in air of 1.225 kg/m^3.

    References
    ----------
    Davies 1949, J. Appl. Phys. 20:821-828 [memory].
    """
    speed_m_s, diameter_m = 105.0 * 0.3048, 0.0427
    spin_rpm = _spin_rpm(spin_ratio, speed_m_s, diameter_m)
    lift_n = 0.064 * 4.4482 * (1.0 - math.exp(-0.00026 * spin_rpm))
    cl = lift_n / (0.5 * 1.225 * speed_m_s**2 * math.pi * diameter_m**2 / 4.0)
    return DragAndLift(np.asarray(np.nan), np.asarray(cl))


FITS = (
    Fit(
        "Smits & Smith 1994, Science and Golf II, 340-347",
        "memory",
        SMITS_SMITH_REYNOLDS,
        SMITS_SMITH_SPIN_RATIO,
        smits_smith_1994,
    ),
    Fit(
        "Bearman & Harvey 1976, Aeronaut. Q. 27:112-122, hexagons",
        "quoted",
        (1.05e5, 2.4e5),
        (0.04, 0.3),
        bearman_harvey_1976,
    ),
    Fit(
        "Lyu, Kensrud, Smith & Tosaya 2018, Proceedings 2(6):238",
        "quoted",
        (9.3e4, 2.5e5),
        (0.04, 0.3),
        lyu_2018,
    ),
    Fit(
        "Davies 1949, J. Appl. Phys. 20:821-828",
        "memory",
        (8.5e4, 9.5e4),
        (0.04, 0.5),
        davies_1949,
    ),
)
"""They differ by a factor of two in lift and by a quarter in drag: balls do, and so do tunnels and ranges."""

BANDS = (
    Band(6e4, 2.4e5, 0.25, "Bearman & Harvey 1976, Aeronaut. Q. 27:112-122", "memory"),
    Band(9e4, 2.4e5, 0.25, "Choi, Jeon & Choi 2006, Phys. Fluids 18:041702", "memory"),
)

SUBCRITICAL_DRAG = Band(2e4, 3e5, 0.5, "Achenbach 1972, J. Fluid Mech. 54:565-575", "memory")
"""Of a smooth sphere below its drag crisis: about 0.5 at Re 1e5."""
