"""Simulated balls with a drag crisis, unlike those that the priors were tuned on.

Above the crisis: drag and lift in the size of published fits, with a planted effect of depth. Drag over
Reynolds number and spin, and lift over spin, are each a mixture of three published laws that bend differently
(lift at S 0.15 lies above the chord from 0.07 to 0.27 by 0, 0.013 and 0.031). Patterns of a study share most
of both. The crisis is a logistic curve in ln Re raised to a power, so not symmetrical, whose centre falls
from 8e4 at 0.11 mm to 5e4 at 0.34 mm, with a width of 5 to 20 % and lift down to some -0.15 inside, another
shape for each pattern. Runs carry Gaussian noise of one to three times what they claim. The model's own
crisis (an arcsine curve of the criterion, widened) is another function.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.aero.published import smits_smith_1994
from pipeline.aero.table import padded
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.validation.published_dimpled import lyu_2018

SHALLOWEST, DEEPEST = 0.11e-3, 0.34e-3
REYNOLDS, SPIN_RATIOS = (6.3e4, 2.2e5), (0.07, 0.27)
DESIGNS = {"4x3x2": (4, 3, 2), "5x3x3": (5, 3, 3), "5x4x4": (5, 4, 4)}
"""Depths x Reynolds numbers x spin ratios."""


class Shared(NamedTuple):
    """Level, slopes and bends that the patterns of a study have in common."""

    sizes: np.ndarray
    drag_laws: np.ndarray
    laws: np.ndarray
    bend: float

    @classmethod
    def drawn(cls, rng):
        """Draw those of a study: shares of the laws of drag and of lift, bend of drag per square of ln Re."""
        sizes = rng.normal(0, [0.015, 0.1, 0.1])
        return cls(sizes, *rng.dirichlet(np.full(3, 0.5), 2), rng.normal(0, 0.05))


class CrisisTruth:
    """One pattern.

    Parameters
    ----------
    rng : numpy.random.Generator
        Its source.
    shared : Shared
        What the patterns of a study have in common.
    shift : float
        Of the crisis of balls that are cut against that of the runs, in ln Re.
    """

    def __init__(self, rng, shared, shift=0.0):
        self.level, self.slope, self.lift = shared.sizes + rng.normal(0, [0.005, 0.03, 0.03])
        self.drag_laws = 0.9 * shared.drag_laws + 0.1 * rng.dirichlet(np.ones(3))
        self.laws = 0.9 * shared.laws + 0.1 * rng.dirichlet(np.ones(3))
        self.bend = shared.bend + rng.normal(0, 0.01)
        self.best_m, self.rise, self.fall, self.shallow, self.rate = rng.uniform(
            [0.14e-3, 0.006, 0.03, 0.0, 1.0], [0.28e-3, 0.02, 0.10, 0.003, 1.3]
        )
        self.centre = 8e4 * np.exp(rng.normal(0, 0.03))
        self.exponent = np.log(5e4 / 8e4) / np.log(0.34 / 0.11) * rng.uniform(0.9, 1.1)
        self.width, self.deficit, self.reverse, self.loss, self.skew = rng.uniform(
            [0.05, 0.15, 0.15, 0.2, 0.7], [0.2, 0.25, 0.3, 0.6, 1.4]
        )
        self.shift = shift

    def at(self, depth_m, reynolds, spin_ratio, shift=0.0):
        """Return Cd and Cl; the runs' crisis has no shift."""
        d, re, s = np.broadcast_arrays(depth_m, reynolds, spin_ratio)
        off, r = (d - self.best_m) / 1e-4, np.log(re / 1.2e5)
        # A line in ln Re; a sine of Re; a fit to firings of one ball, parabolic over spin [quoted].
        within = np.minimum(s, 0.3)
        fired = 0.2028 + 0.0165 * re / 1e5 - 0.2159 * within + 2.8466 * within**2
        drag = np.stack([0.24 + 0.18 * s + 0.03 * r, smits_smith_1994(re, s).cd, fired])
        cd = np.tensordot(self.drag_laws, drag, axes=1)
        cd = cd + self.level + 0.3 * self.slope * s + self.bend * (r**2 - 0.1)
        cd = cd + self.rise * off**2 + self.shallow * np.exp(-self.rate * off)
        # Bearman & Harvey 1976, a straight line through their values at S 0.05 to 0.3 [quoted]; then fits.
        straight, root = 0.077 + 0.66 * s, 0.9 * smits_smith_1994(re, s).cl
        laws = np.stack([straight, root, lyu_2018(re, np.minimum(s, 0.3)).cl])
        cl = np.tensordot(self.laws, laws, axes=1) * (1 + self.lift)
        cl = cl * (1 - self.fall * (d - 0.2e-3) / 1e-4)
        tau = np.log(re / (self.centre * (d / 0.11e-3) ** self.exponent)) - shift
        u = 1.0 / (1.0 + np.exp(np.clip(2.0 * tau / self.width, -60, 60))) ** self.skew
        reverse = 4.0 * self.reverse * u * (1.0 - u) * np.tanh(s / 0.03)
        return cd + self.deficit * u * (1.0 - s), cl * (1.0 - self.loss * u) - reverse

    def carry(self, depth_m, shot: Launches, conditions: Conditions):
        """Carry of balls that are cut, on a fine grid, shape (d,) [m]."""
        re, s = np.exp(np.linspace(np.log(6e4), np.log(2.3e5), 90)), np.linspace(0.05, 0.40, 40)
        cd, cl = self.at(depth_m[:, None, None], re[:, None], s, self.shift)
        tables = padded(re, s, np.stack([cd, cl, np.zeros_like(cd)], axis=-1), has_cm=False)
        return fly(tables, np.arange(depth_m.size), shot, conditions).carry_m


def uneven(rng, low, high, n):
    """Nodes from low to high, those inside moved by up to a quarter of a step."""
    nodes = np.linspace(low, high, n)
    nodes[1:-1] += rng.uniform(-0.25, 0.25, n - 2) * (high - low) / (n - 1)
    return nodes


def axes_of(rng, design):
    """Depths, Reynolds numbers and spin ratios of a study."""
    depths, reynolds, spins = DESIGNS[design]
    return (
        uneven(rng, SHALLOWEST, DEEPEST, depths),
        np.exp(uneven(rng, *np.log(REYNOLDS), reynolds)),
        uneven(rng, *SPIN_RATIOS, spins),
    )


def runs_of(pattern, truth, axes, size, factor, rng):
    """Runs on a grid, whose noise is `factor` times what they claim, `size` in Cd and twice that in Cl."""
    d, re, s = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    frame = pd.DataFrame(
        {"pattern": pattern, "depth_m": d, "reynolds": re, "spin_ratio": s, "cm": np.nan, "cm_se": np.nan}
    )
    frame["run"] = [f"runs/{pattern}/{number}" for number in range(d.size)]
    for name, values, error in zip(("cd", "cl"), truth.at(d, re, s), (size, 2 * size), strict=True):
        claimed = error * np.exp(rng.normal(0, 0.3, d.size))
        frame[name], frame[f"{name}_se"] = values + factor * rng.normal(0, claimed), claimed
    return frame.assign(verdict="settled")
