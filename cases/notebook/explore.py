"""From a table of coefficients to a decision, cell by cell, without the workflow.

Open it in an editor that runs `# %%` cells, or run it: `python cases/notebook/explore.py`. The
coefficients here are invented (a published fit with a planted effect of depth). To look at computed ones,
take the rows of a pattern from `pipeline.aero.collect.read_coefficients` in their place.
"""

# %% Invented coefficients of one pattern: 5 depths x 3 Reynolds numbers x 3 spin ratios
import itertools

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import smits_smith_1994
from pipeline.decide.flights.population import fly_pattern
from pipeline.decide.optimum import best_on_grid, tolerance_on_grid
from pipeline.decide.product import product, short_list
from pipeline.decide.value import depth_values
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches

rng = np.random.default_rng(1)
rows = []
for depth, reynolds, spin_ratio in itertools.product(
    np.linspace(0.15e-3, 0.35e-3, 5), (8e4, 1.3e5, 2e5), (0.08, 0.16, 0.25)
):
    fit, off = smits_smith_1994(reynolds, spin_ratio), (depth - 0.23e-3) / 1e-4
    rows.append(
        {
            "run": f"{depth * 1e3:.3f} mm, {reynolds:g}, {spin_ratio:g}",
            "depth_m": depth,
            "reynolds": reynolds,
            "spin_ratio": spin_ratio,
            "cd": float(fit.cd) + 0.012 * off**2 + rng.normal(0, 0.001),
            "cd_se": 0.001,
            "cl": float(fit.cl) * (1 - 0.05 * off) + rng.normal(0, 0.002),
            "cl_se": 0.002,
            "cm": np.nan,
            "cm_se": np.nan,
        }
    )

# %% A model of the coefficients, and how well it foretells each run from the others
model = CoefficientModel("invented", pd.DataFrame(rows))
left_out = model.leave_one_out()
print(left_out.groupby("coefficient")["ratio"].agg(lambda ratio: np.sqrt(np.mean(ratio**2))))

# %% A table at a depth that was not computed, with its errors (model.frame gives a DataFrame for a CSV)
print(model.frame([0.22e-3]).head())

# %% Flights: the same shots with every depth, and with joint draws of the coefficients
shots = Launches(rng.normal(73, 1, 64), rng.normal(0.19, 0.015, 64), rng.normal(270, 20, 64))
conditions = Conditions(0.0427, 0.0459, air_from(293.15, 101325.0, 0.5))
flown = fly_pattern(model, shots, conditions)
print(pd.DataFrame({"depth_mm": flown.depth_m * 1e3, "carry_m": flown.mean.carry_m}))

# %% The best depth, its interval, and what a yard buys
of = depth_values(flown, None, np.ones(flown.carry_draws_m.shape[1], bool))
best = best_on_grid(of.depth_m, of.value_m[:, None])
low, high = np.quantile(best_on_grid(of.depth_m, of.value_draws_m).depth_m, (0.05, 0.95))
print(f"best depth {best.depth_m[0] * 1e3:.3f} mm (90 % interval {low * 1e3:.3f} to {high * 1e3:.3f} mm)")
print(f"a yard buys {tolerance_on_grid(of.depth_m, of.value_m) * 1e6:.0f} micrometres")

# %% Prototypes to cut
prototypes = short_list(product({("golfer", "invented"): of}, {"golfer": 1.0}))
print([f"{entry.pattern} {entry.depth_m * 1e3:.3f} mm, {entry.p_so_far:.2f}" for entry in prototypes])
