"""One simulated study of two patterns with a drag crisis, decided, and held against its truth."""

from typing import NamedTuple

import numpy as np
from decide.crisis_truth import DEEPEST, SHALLOWEST, CrisisTruth, Shared, axes_of, runs_of

from pipeline.aero.crisis_place import Criterion
from pipeline.aero.model import CoefficientModel
from pipeline.decide.flights.population import fly_pattern
from pipeline.decide.optimum import best_on_grid, curve
from pipeline.decide.product import product
from pipeline.decide.state import Evidence, state_of
from pipeline.decide.value import depth_values
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.flow.solver.boundary_layer import CRITICAL_SPREAD
from pipeline.study.units import YARD_M

DIAMETER_M = 0.0427
STILL = Conditions(DIAMETER_M, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))
DRAWS = 200


class Outcome(NamedTuple):
    """How a study ended: shares over its two patterns, its state, and whether that was right."""

    depth_held: float
    carry_held: float
    state: str
    right: bool
    listed: bool
    loss_m: float
    why: str


def one_study(seed: int, design: str, place_known: bool) -> Outcome:
    """Simulate and decide a study.

    Parameters
    ----------
    seed : int
        Of everything in it.
    design : str
        Of `DESIGNS`.
    place_known : bool
        Whether balls that are cut have their crisis where the runs have it, and the study says so (a measured
        critical Reynolds number). Otherwise it is drawn from the criterion's spread, half of it shared.
    """
    rng = np.random.default_rng([seed, 77])
    axes = axes_of(rng, design)
    shot = Launches(rng.uniform(66, 76), rng.uniform(0.17, 0.22), rng.uniform(250, 300))
    shared = Shared.drawn(rng)
    size, factor = 0.0005 * 2.0 ** rng.uniform(0, 1), rng.uniform(1, 3)
    common = rng.normal()
    at, fine = np.linspace(SHALLOWEST, DEEPEST, 41), np.linspace(SHALLOWEST, DEEPEST, 401)
    models, flights, valued, placed, true, held = {}, {}, {}, {}, {}, []
    spread = 0.0 if place_known else CRITICAL_SPREAD
    for name in "ab":
        shift = spread * np.sqrt(0.5) * (common + rng.normal())
        truth = CrisisTruth(rng, shared, shift)
        runs = runs_of(name, truth, axes, size, factor, rng)
        model = models[name] = CoefficientModel(name, runs, Criterion(DIAMETER_M, 1.0, spread))
        every = np.ones(DRAWS, bool)
        flown = flights["g", name] = fly_pattern(model, shot, STILL, draws=DRAWS, seed=seed)
        of = depth_values(flown, None, every)
        if not place_known:
            sure = fly_pattern(model.placed(), shot, STILL, draws=DRAWS, seed=seed)
            placed["g", name] = depth_values(sure, None, every)
        valued["g", name] = of
        carry = true[name] = truth.carry(at, shot, STILL)
        best = best_on_grid(fine, curve(at, carry, fine)[:, None]).depth_m[0]
        low, high = np.quantile(best_on_grid(of.depth_m, of.value_draws_m).depth_m, (0.05, 0.95))
        cut = best_on_grid(of.depth_m, of.value_m[:, None]).depth_m
        least, most = np.quantile(curve(of.depth_m, of.carry_draws_m, cut)[0], (0.05, 0.95))
        held.append((low - 1e-9 <= best <= high + 1e-9, least <= curve(at, carry, cut)[0] <= most))
    one = {"g": 1.0}
    state = state_of(
        Evidence(product(valued, one), product(placed, one) if placed else None, models, flights, {})
    )
    top = max(carry.max() for carry in true.values())
    lost = top - curve(at, true[state.pattern], [state.depth_m])[0]
    listed = any(
        curve(at, true[entry.pattern], [entry.depth_m])[0] >= top - YARD_M for entry in state.short_list
    )
    return Outcome(
        *np.mean(held, axis=0), state.word, bool(lost <= YARD_M), listed, float(lost), " ".join(state.why)
    )
