"""Calibration of the error bars: 300 seeded studies with known truth.

The truth is the Smits & Smith fit [memory] with a planted effect of depth, drawn anew for every study: where
drag is least, how fast it rises, how it rises faster towards shallow, how lift falls with depth. The matrix
of runs is drawn too: four or five uneven depths, two or three uneven Reynolds numbers and spin ratios. Runs
carry Gaussian noise of the size that they claim. Carries of the truth come from the formulas on a fine grid,
not from the model.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import smits_smith_1994
from pipeline.aero.table import padded
from pipeline.decide.optimum import YARD_M, best_on_grid, curve
from pipeline.decide.product import product, short_list
from pipeline.decide.worth import worth
from pipeline.flight.air import Air
from pipeline.flight.population import fly_pattern
from pipeline.flight.trajectory import Conditions, Launches, fly

STUDIES = 300
FIRST_SEED = 1000
"""The priors were tuned on seeds below 100; these studies took no part in it."""
SHALLOWEST, DEEPEST = 0.13e-3, 0.35e-3
RANGES = np.log([8e4, 2e5]), np.array([0.08, 0.25])
SHOT = Launches(72.0, 0.19, 275.0)
STILL = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))


class Truth(NamedTuple):
    best_m: float
    rise: float
    fall: float
    shallow: float
    rate: float

    def at(self, depth_m, reynolds, spin_ratio):
        fit = smits_smith_1994(reynolds, spin_ratio)
        off = (depth_m - self.best_m) / 1e-4
        drag = self.rise * off**2 + self.shallow * np.exp(-self.rate * off)
        return fit.cd + drag, fit.cl * (1.0 - self.fall * off)

    def carry(self, depth_m):
        re, s = np.exp(np.linspace(*RANGES[0], 20)), np.linspace(*RANGES[1], 20)
        cd, cl = np.broadcast_arrays(*self.at(depth_m[:, None, None], re[:, None], s))
        tables = padded(re, s, np.stack([cd, cl, np.zeros_like(cd)], axis=-1), has_cm=False)
        return fly(tables, np.arange(depth_m.size), SHOT, STILL).carry_m


def uneven(rng, low, high, n):
    nodes = np.linspace(low, high, n)
    nodes[1:-1] += rng.uniform(-0.25, 0.25, n - 2) * (high - low) / (n - 1)
    return nodes


def one_study(seed):
    """Whether best depth, carry and short list of two patterns hold the truth."""
    rng = np.random.default_rng([seed, 11])
    depths = uneven(rng, SHALLOWEST, DEEPEST, int(rng.integers(4, 6)))
    reynolds = np.exp(uneven(rng, *RANGES[0], int(rng.integers(2, 4))))
    spins = uneven(rng, *RANGES[1], int(rng.integers(2, 4)))
    size = 0.0005 * 2.0 ** rng.uniform(0, 2)
    d, re, s = (axis.ravel() for axis in np.meshgrid(depths, reynolds, spins, indexing="ij"))
    at = np.linspace(SHALLOWEST, DEEPEST, 41)
    worths, true, covered = {}, {}, []
    for pattern in ("a", "b"):
        truth = Truth(*rng.uniform([0.17e-3, 0.006, 0.0, 0.0, 1.0], [0.31e-3, 0.02, 0.08, 0.005, 1.3]))
        runs = pd.DataFrame(
            {"run": "-", "depth_m": d, "reynolds": re, "spin_ratio": s, "cm": np.nan, "cm_se": np.nan}
        )
        for name, values, error in zip(("cd", "cl"), truth.at(d, re, s), (size, 2 * size), strict=True):
            claimed = error * np.exp(rng.normal(0, 0.3, d.size))
            runs[name], runs[f"{name}_se"] = values + rng.normal(0, claimed), claimed
        flown = fly_pattern(CoefficientModel(pattern, runs), SHOT, STILL, draws=200, seed=seed)
        of = worth(flown, None, np.ones(200, bool))
        carry = truth.carry(at)
        fine = np.linspace(SHALLOWEST, DEEPEST, 401)
        best = best_on_grid(fine, curve(at, carry, fine)[:, None])
        drawn = best_on_grid(of.depth_m, of.value_draws_m)
        low, high = np.quantile(drawn.depth_m, (0.05, 0.95))
        least, most = np.quantile(drawn.carry_m, (0.05, 0.95))
        covered.append((low <= best.depth_m[0] <= high, least <= best.carry_m[0] <= most))
        worths["golfer", pattern], true[pattern] = of, carry
    listed = short_list(product(worths, {"golfer": 1.0}))
    top = max(carry.max() for carry in true.values())
    held = any(curve(at, true[entry.pattern], [entry.depth_m])[0] >= top - YARD_M for entry in listed)
    return [*np.ravel(covered), held, len(listed)]


@pytest.mark.long
def test_intervals_and_short_lists_hold_the_truth():
    studies = np.array([one_study(seed) for seed in range(FIRST_SEED, FIRST_SEED + STUDIES)], dtype=float)
    # 90 % are wanted; 600 intervals of each kind know the share to 1.2 %.
    assert 0.85 <= studies[:, [0, 2]].mean() <= 0.95  # best depth
    assert 0.85 <= studies[:, [1, 3]].mean() <= 0.95  # carry
    assert studies[:, 4].mean() >= 0.90  # a prototype of the short list is within a yard of the true best
    assert studies[:, 5].mean() < 3.0  # and the list is short
