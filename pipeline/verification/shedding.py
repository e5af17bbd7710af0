"""Smooth spheres at Re 300, time-accurate: drag, lift, shedding frequency, regimes with spin, time step."""

from dataclasses import replace

import numpy as np

from pipeline.geometry.shell import Level
from pipeline.verification.bench import Bench, Outcome
from pipeline.verification.flows import Flow
from pipeline.verification.published import AT_REST, KIM, SHEDS
from pipeline.verification.rows import Row
from pipeline.verification.sphere import sphere_mesh, value_row
from pipeline.verification.wake import frequency, regime, spectrum

REYNOLDS = 300.0

LEVEL = Level(20, 50)
"""Cells as long as wide where the wake is, 0.16 D at two diameters from the centre."""

START, END = 60.0, 120.0
"""Time from which the flow at rest is averaged, when its cycle no longer grows, and to which it is computed [D / U]."""

SPUN_START, SPUN_END = 20.0, 40.0
"""The same for spinning spheres, which forget their start sooner."""

SAMPLE_TIME = 0.1
"""Between two samples of a history [D / U]."""

NEVER = {"cd": -1.0, "cl": -1.0}
"""Targets that let a run go on to its end."""


@dataclass(frozen=True)
class Lift:
    """Lift history of a computed flow.

    Attributes
    ----------
    spin_ratio : float
        S.
    times, values : ndarray, shape (n,)
        Time [D / U] and Cl.
    start : float
        Time from which it is averaged.
    """

    spin_ratio: float
    times: Floats
    values: Floats
    start: float

    @property
    def kept(self) -> tuple[Floats, Floats]:
        """Times and values from the start of the averaging."""
        later = self.times >= self.start
        return self.times[later], self.values[later]

    @property
    def regime(self) -> str:
        """Steady, shedding or irregular."""
        return regime(self.kept[1])

    def spectrum(self) -> tuple[Floats, Floats]:
        """Frequencies [U / D] and amplitudes of the averaged part."""
        return spectrum(*self.kept)


def shedding_flows() -> list[Flow]:
    """Time-accurate flows at Re 300, each from the steady one."""
    return [_flow(spin_ratio) for spin_ratio in SHEDS]


def _flow(spin_ratio: float, **options: Any) -> Flow:
    mesh = sphere_mesh(LEVEL, REYNOLDS, mirrored=True)
    end = SPUN_END if spin_ratio else END
    options = {"iterations": round(end / SAMPLE_TIME), "standard_error": NEVER} | options
    return Flow(mesh, "transient-laminar", REYNOLDS, spin_ratio, _steady(spin_ratio), options)


def _steady(spin_ratio: float) -> Flow:
    """What comes near to it without time: with the asymmetry of a small spin where there is none."""
    options = {"standard_error": {"cd": 2e-3, "cl": 2e-3}, "iterations": 300}
    mesh = sphere_mesh(LEVEL, REYNOLDS, mirrored=True)
    return Flow(mesh, "laminar", REYNOLDS, spin_ratio or 0.1, None, options, label="start")


def lift_of(outcome: Outcome) -> Lift:
    """Lift history of a computed flow."""
    history, spin_ratio = outcome.history(), outcome.flow.spin_ratio
    return Lift(spin_ratio, history["iteration"], history["cl"], SPUN_START if spin_ratio else START)
