"""Calibration of the error bars on seeded studies with known truth, with and without a drag crisis.

Without a crisis the truth is the Smits & Smith fit [memory] with a planted effect of depth: where drag is
least, how fast it rises, how it rises faster towards shallow, how lift falls with depth, how deep dimples
leave less drag at low Reynolds numbers (Achenbach 1974 [source, abstract]: roughness lowers the critical
one). The fit's own constants are drawn too, so that the studies are of many balls and not of one that bends
the same way every time: drag at the low Reynolds numbers scatters by 0.03 from ball to ball and by 0.01
above (Lyu et al. 2018 [source, abstract]: between 13 models by more than 0.1 below Re 1e5 and less than
0.05 above), the rest by what other fits [memory] differ by. The two patterns of a study bend nearly alike.
The matrix of runs is drawn: four to six uneven depths, two to four uneven Reynolds numbers and spin ratios.
Runs carry Gaussian noise of the size that they claim. Carries of the truth come from the formulas on a fine
grid, not from the model.
"""

import numpy as np
import pandas as pd
import pytest
from decide.crisis_studies import one_study as crisis_study

from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import smits_smith_1994
from pipeline.aero.table import padded
from pipeline.decide.flights.population import fly_pattern
from pipeline.decide.optimum import best_on_grid, curve
from pipeline.decide.product import product, short_list
from pipeline.decide.value import depth_values
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.study.units import YARD_M

STUDIES = 60
FIRST_SEED = 4000
"""Here few enough for every test run; benchmarks/calibration.py takes more.

The priors were tuned on other seeds and another generator of designs; these took no part in it."""
SHALLOWEST, DEEPEST = 0.13e-3, 0.35e-3
RANGES = np.log([8e4, 2e5]), np.array([0.08, 0.25])
SHOT = Launches(72.0, 0.19, 275.0)
STILL = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))
OWN_BEND = 1 / 3
"""How much less the patterns of one study differ in their bends than balls do."""


def bends(rng):
    """Changes of the fit's constants: two of drag's level, its phase, two slopes with spin, lift's level."""
    return np.array([*rng.normal(0, [0.03, 0.01]), *rng.uniform(-1, 1, 4) * [2e4, 0.1, 0.15, 0.1]])


class Truth:
    """One ball, from the bends of the fit and the effect of depth."""

    def __init__(self, bend, rng):
        self.bend = bend
        self.best_m, self.rise, self.fall, self.shallow, self.rate, self.trip = rng.uniform(
            [0.17e-3, 0.006, 0.0, 0.0, 1.0, 0.0], [0.31e-3, 0.02, 0.08, 0.005, 1.3, 0.01]
        )

    def at(self, depth_m, reynolds, spin_ratio):
        crisis, level, phase, slope, power, lift = self.bend
        fit, off = smits_smith_1994(reynolds - phase, spin_ratio), (depth_m - self.best_m) / 1e-4
        crisis = crisis - self.trip * off
        cd = fit.cd + slope * spin_ratio + level + crisis * np.exp(-(reynolds - 8e4) / 3e4)
        cl = fit.cl * (1 + lift) * (spin_ratio / 0.15) ** power
        return cd + self.rise * off**2 + self.shallow * np.exp(-self.rate * off), cl * (1 - self.fall * off)

    def carry(self, depth_m):
        re, s = np.exp(np.linspace(*RANGES[0], 20)), np.linspace(*RANGES[1], 20)
        cd, cl = np.broadcast_arrays(*self.at(depth_m[:, None, None], re[:, None], s))
        tables = padded(re, s, np.stack([cd, cl, np.zeros_like(cd)], axis=-1), has_cm=False)
        return fly(tables, np.arange(depth_m.size), SHOT, STILL).carry_m


def uneven(rng, low, high, n):
    nodes = np.linspace(low, high, n)
    nodes[1:-1] += rng.uniform(-0.25, 0.25, n - 2) * (high - low) / (n - 1)
    return nodes


def runs_of(truth, axes, size, rng):
    """Noisy runs on a grid; each claims an error of its own."""
    d, re, s = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    runs = pd.DataFrame(
        {
            "pattern": "-",
            "run": "-",
            "depth_m": d,
            "reynolds": re,
            "spin_ratio": s,
            "cm": np.nan,
            "cm_se": np.nan,
        }
    )
    for name, values, error in zip(("cd", "cl"), truth.at(d, re, s), (size, 2 * size), strict=True):
        claimed = error * np.exp(rng.normal(0, 0.3, d.size))
        runs[name], runs[f"{name}_se"] = values + rng.normal(0, claimed), claimed
    return runs


def one_study(seed):
    """Whether best depth, carry there and short list of two patterns hold the truth; the list's length."""
    rng = np.random.default_rng([seed, 12])
    axes = (
        uneven(rng, SHALLOWEST, DEEPEST, int(rng.integers(4, 7))),
        np.exp(uneven(rng, *RANGES[0], int(rng.integers(2, 5)))),
        uneven(rng, *RANGES[1], int(rng.integers(2, 5))),
    )
    size = 0.0005 * 2.0 ** rng.uniform(0, 2)
    at, fine = np.linspace(SHALLOWEST, DEEPEST, 41), np.linspace(SHALLOWEST, DEEPEST, 401)
    valued, true, covered = {}, {}, []
    shared = bends(rng)
    for pattern in ("a", "b"):
        truth = Truth(shared + OWN_BEND * bends(rng), rng)
        model = CoefficientModel(pattern, runs_of(truth, axes, size, rng))
        of = depth_values(fly_pattern(model, SHOT, STILL, draws=200, seed=seed), None, np.ones(200, bool))
        carry = truth.carry(at)
        best = best_on_grid(fine, curve(at, carry, fine)[:, None]).depth_m[0]
        low, high = np.quantile(best_on_grid(of.depth_m, of.value_draws_m).depth_m, (0.05, 0.95))
        cut = best_on_grid(of.depth_m, of.value_m[:, None]).depth_m
        least, most = np.quantile(curve(of.depth_m, of.carry_draws_m, cut)[0], (0.05, 0.95))
        covered.append((low <= best <= high, least <= curve(at, carry, cut)[0] <= most))
        valued["golfer", pattern], true[pattern] = of, carry
    listed = short_list(product(valued, {"golfer": 1.0}))
    top = max(carry.max() for carry in true.values())
    held = any(curve(at, true[entry.pattern], [entry.depth_m])[0] >= top - YARD_M for entry in listed)
    return [*np.ravel(covered), held, len(listed)]


@pytest.mark.long
def test_intervals_and_short_lists_hold_the_truth():
    studies = np.array([one_study(seed) for seed in range(FIRST_SEED, FIRST_SEED + STUDIES)], dtype=float)
    # 90 % are wanted; 120 intervals of each kind know the share to 2.7 %, twice that on both sides.
    assert 0.845 <= studies[:, [0, 2]].mean() <= 0.985  # best depth
    assert 0.845 <= studies[:, [1, 3]].mean() <= 0.985  # carry of the depth named
    assert studies[:, 4].mean() >= 0.90  # a prototype of the short list is within a yard of the true best
    assert studies[:, 5].mean() < 3.0  # and the list is short


@pytest.mark.long
def test_with_a_crisis_whose_place_is_known_most_studies_decide_and_rightly():
    # The first of those of docs/validation.md, "Calibration", of which 71 in 100 decide.
    found = [crisis_study(seed, "5x4x4", place_known=True) for seed in range(8000, 8012)]
    decided = [outcome for outcome in found if outcome.state == "decided"]
    assert len(decided) > len(found) / 2
    assert np.mean([outcome.right for outcome in decided]) >= 0.9
    assert np.mean([outcome.loss_m for outcome in found]) < YARD_M
    assert np.mean([outcome.carry_held for outcome in found]) >= 0.8


@pytest.mark.long
def test_with_a_crisis_whose_place_is_not_known_intervals_hold_and_nothing_is_decided_wrongly():
    found = [crisis_study(seed, "4x3x2", place_known=False) for seed in range(500, 520)]
    assert not any(outcome.state == "decided" and not outcome.right for outcome in found)
    # 85 to 95 % are wanted; 40 intervals of each kind know a share of 85 % to 5.6 %, twice that below. With
    # two spin ratios carry is held in 84 % of 200 (docs/validation.md, "Calibration"): these truths' drag
    # bends over the spin by more than the prior's mean, which may not leave the runs' own grid.
    assert np.mean([outcome.depth_held for outcome in found]) >= 0.74
    assert np.mean([outcome.carry_held for outcome in found]) >= 0.74
