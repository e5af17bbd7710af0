"""Wind profiles: speed against height above the ground (uniform, logarithmic, power law)."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray
from pipeline.study.golfers import POWER_LAW_EXPONENT

ProfileKind = Literal["uniform", "logarithmic", "power"]


@dataclass(frozen=True)
class WindProfile:
    r"""Wind at a height z over the wind stated, which is that at the reference height.

    .. math::
        \text{logarithmic: } \frac{\ln(1 + z / z_0)}{\ln(1 + z_r / z_0)} \qquad
        \text{power: } \left(\frac{z}{z_r}\right)^{\alpha} \qquad \text{uniform: } 1

    Parameters
    ----------
    kind : {"uniform", "logarithmic", "power"}
        Which of the three.
    reference_height_m : float
        Height zr at which the stated wind blows, above 0 [m].
    roughness_m : float
        Roughness length z0 of the logarithmic profile, above 0; 0.03 m over open grassland (Wieringa 1992, J.
        Wind Eng. Ind. Aerodyn. 41:357-368 [memory]) [m].
    exponent : float
        Exponent of the power law, above 0; 1/7 over open ground in neutral air [memory] [-].

    Notes
    -----
    Both laws are those of the neutral surface layer over level, uniform ground (Stull 1988, An Introduction
    to Boundary Layer Meteorology, sections 9.7 [memory]); the logarithm is written with 1 + z / z0, so that
    the wind vanishes at the ground instead of at z0.
    """

    kind: ProfileKind = "uniform"
    reference_height_m: float = 10.0
    roughness_m: float = 0.03
    exponent: float = POWER_LAW_EXPONENT

    def __post_init__(self) -> None:
        for name in ("reference_height_m", "roughness_m", "exponent"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"wind profile: {name} must be above 0, not {getattr(self, name)}")

    def share(self, height_m: ArrayLike) -> FloatArray:
        """Wind at heights [m] over that at the reference height, shape as given [-]."""
        z = np.maximum(np.asarray(height_m, float), 0.0)
        if self.kind == "logarithmic":
            return np.asarray(
                np.log1p(z / self.roughness_m) / math.log1p(self.reference_height_m / self.roughness_m)
            )
        if self.kind == "power":
            return np.asarray((z / self.reference_height_m) ** self.exponent)
        return np.ones_like(z)
