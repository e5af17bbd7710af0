"""Published drag and lift of conventional dimpled balls, with source and mark (see `published`)."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from pipeline.aero.published import SMITS_SMITH_REYNOLDS, SMITS_SMITH_SPIN_RATIO, smits_smith_1994


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
        Gives the coefficients, with attributes cd and cl.
    """

    source: str
    mark: str
    reynolds: tuple[float, float]
    spin_ratio: tuple[float, float]
    evaluate: Callable[[float, float], NamedTuple]

    def value(self, quantity: str, reynolds: float, spin_ratio: float) -> float | None:
        """Coefficient cd or cl; None outside the ranges."""
        inside = self.reynolds[0] <= reynolds <= self.reynolds[1]
        if not (inside and self.spin_ratio[0] <= spin_ratio <= self.spin_ratio[1]):
            return None
        return float(getattr(self.evaluate(reynolds, spin_ratio), quantity))


@dataclass(frozen=True)
class Band:
    """A drag coefficient at rest that is published for a range of Reynolds numbers."""

    lowest: float
    highest: float
    value: float
    source: str
    mark: str


FITS = (
    Fit(
        "Smits & Smith 1994, Science and Golf II, 340-347",
        "memory",
        SMITS_SMITH_REYNOLDS,
        SMITS_SMITH_SPIN_RATIO,
        smits_smith_1994,
    ),
)

BANDS = (
    Band(6e4, 2.4e5, 0.25, "Bearman & Harvey 1976, Aeronaut. Q. 27:112-122", "memory"),
    Band(9e4, 2.4e5, 0.25, "Choi, Jeon & Choi 2006, Phys. Fluids 18:041702", "memory"),
)

SUBCRITICAL_DRAG = Band(2e4, 3e5, 0.5, "Achenbach 1972, J. Fluid Mech. 54:565-575", "memory")
"""Of a smooth sphere below its drag crisis: about 0.5 at Re 1e5."""
