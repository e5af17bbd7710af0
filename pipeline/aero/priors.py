"""Prior of the smooth coefficients over depth, Re and S: terms, their sizes, and repeatability of runs."""

from dataclasses import dataclass
from typing import Literal

from pipeline.flow.solver.slope_error import REPEATABILITY

Parity = Literal["even", "odd"]


@dataclass(frozen=True)
class Prior:
    """What is believed of a coefficient before there are runs.

    Parameters
    ----------
    parity : {"even", "odd"}
        Whether it stays or changes its sign when the spin is turned round; odd ones are zero without spin.
    mean : tuple of float
        Expected weights of the mean's terms (see `Process`) [-].
    spread : tuple of float
        Their standard deviations, wide enough that runs outweigh them [-].
    common, depth : float
        Median standard deviations of what the mean leaves over, at all depths alike and at each depth [-].
    scatter : float
        Median of the standard deviation of settled runs beyond their standard errors [-].
    repeatability : float
        Most that settled runs of one flow were seen to differ by; with its standard error a run's stated
        error [-].
    """

    parity: Parity
    mean: tuple[float, ...]
    spread: tuple[float, ...]
    common: float
    depth: float
    scatter: float
    repeatability: float


PRIORS = {
    "cd": Prior(
        "even",
        (0.25, 0.0, 0.0, 0.2, 0.0, 0.0, 0.0, 0.0, 0.0),
        (0.5, 0.1, 0.05, 0.2, 0.8, 0.1, 0.03, 0.03, 0.006),
        0.020,
        0.004,
        0.0006,
        REPEATABILITY["cd"],
    ),
    "cl": Prior(
        "odd",
        (0.5, 0.0, 0.0, 0.0, 0.0, 0.0),
        (0.3, 0.7, 0.15, 0.15, 0.05, 0.05),
        0.0135,
        0.0045,
        0.002,
        REPEATABILITY["cl"],
    ),
    "cm": Prior(
        "odd",
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
        (0.01, 0.05, 0.01, 0.01, 0.01, 0.01),
        0.003,
        0.001,
        0.0001,
        0.0002,
    ),
}
"""By coefficient.

Between Reynolds numbers and spin ratios a table must be trusted to bend as dimpled balls do. The sizes stand
for the bends of published ones: drag of the Smits & Smith fit bends by up to 0.6 per square of ln Re,
that of a ball near its crisis by as much the other way, and f with its length of 0.6 by 5 times 0.020 / 0.6^2
= 0.3 (one standard deviation of a Matern 5/2 process). Set by simulation with such balls
(tests/decide/test_calibration.py). Drag over the spin is straight by some published fits (Smits & Smith) and
bends by up to 2.8 S^2 by others (firings of one ball, tests/decide/crisis_truth.py); 0 +- 0.8 leaves tables
between two spin ratios near a straight line.

Settled runs repeat to within 0.001 in Cd and 0.005 in Cl (two starts and two decompositions of one flow,
docs/validation.md). 24 runs of a demonstration carried on to 450 iterations moved by 0.0008 and 0.0029,
root mean square; a difference of two has the square root of two times the scatter of one. That is the
scatter's prior, so narrow that no physics can be taken for noise."""
