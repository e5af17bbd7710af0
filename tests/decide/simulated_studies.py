"""Simulated studies of several patterns whose flow is answered from a truth in milliseconds, for policies.

A policy asks for runs at any pattern, depth, Reynolds number and spin ratio; the answer is that of a
`CrisisTruth` with noise, priced in core seconds as `depthline check` prices runs on the coarse mesh.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from decide.crisis_truth import DEEPEST, REYNOLDS, SHALLOWEST, SPIN_RATIOS, CrisisTruth, Shared, axes_of

from pipeline.aero.crisis_place import Criterion
from pipeline.aero.model import CoefficientModel
from pipeline.aero.published import published_tables
from pipeline.decide.batch import Belief
from pipeline.decide.design import Space
from pipeline.decide.flights.passage import passage
from pipeline.decide.flights.population import PatternFlights, fly_pattern
from pipeline.decide.optimum import curve
from pipeline.decide.product import Product, product
from pipeline.decide.state import Evidence, State, state_of
from pipeline.decide.value import depth_values
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.flow.campaign.cost import cells, core_seconds
from pipeline.study.points import RunPoint, starts
from pipeline.study.units import YARD_M

DIAMETER_M = 0.0427
STILL = Conditions(DIAMETER_M, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))
DRAWS = 200
TARGETS = (0.001, 0.002)
"""Standard errors of Cd and Cl at which the runs of a study stop by default."""

CELLS = cells("steady-rans", "coarse")
COLD_S, WARM_S = (core_seconds("steady-rans", "coarse", CELLS, warm) for warm in (False, True))


class Decided(NamedTuple):
    """A study decided from runs."""

    state: State
    of: Product
    beliefs: dict[str, Belief]


class SimulatedStudy:
    """A study with known truth.

    Parameters
    ----------
    seed : int
        Of everything in it.
    patterns : int
        Their number.
    """

    def __init__(self, seed: int, patterns: int = 3) -> None:
        rng = np.random.default_rng([seed, 77])
        self.seed = seed
        self.grid_axes = axes_of(rng, "5x4x4")
        self.shot = Launches(rng.uniform(66, 76), rng.uniform(0.17, 0.22), rng.uniform(250, 300))
        shared = Shared.drawn(rng)
        self.size, self.factor = 0.0005 * 2.0 ** rng.uniform(0, 1), rng.uniform(1, 3)
        self.truths = {f"p{at}": CrisisTruth(rng, shared) for at in range(patterns)}
        self.depths = np.linspace(SHALLOWEST, DEEPEST, 41)
        self.carries = {
            name: truth.carry(self.depths, self.shot, STILL) for name, truth in self.truths.items()
        }
        self.best_m = max(carry.max() for carry in self.carries.values())
        flights = [passage(table, self.shot, STILL) for table in published_tables().values()]
        ends = dict.fromkeys(self.truths, (SHALLOWEST, DEEPEST))
        self._fitted: dict[str, tuple[tuple[RunPoint, ...], CoefficientModel, PatternFlights]] = {}
        self.space = Space.of_flights(ends, flights, REYNOLDS, SPIN_RATIOS)

    def grid(self) -> list[RunPoint]:
        """Runs of the full grid of 5 depths, 4 Reynolds numbers and 4 spin ratios of each pattern."""
        d, re, s = (axis.ravel() for axis in np.meshgrid(*self.grid_axes, indexing="ij"))
        return [RunPoint(name, *map(float, at)) for name in self.truths for at in zip(d, re, s, strict=True)]

    def price(self, _point: RunPoint, warm: bool) -> float:
        """Core seconds of a run, as `depthline check` prices it."""
        return WARM_S if warm else COLD_S

    def flown_space(self, found: Decided) -> Space:
        """Space that holds the flights with the coefficients that a decision was made of, of its pattern."""
        model = self._fitted[found.state.pattern][1]
        tables = model.tables([model.depth_m[0], found.state.depth_m, model.depth_m[-1]])
        return self.space.with_flights([passage(table, self.shot, STILL) for table in tables])

    def price_s(self, points: Sequence[RunPoint]) -> float:
        """Core seconds of runs."""
        return sum(COLD_S if start is None else WARM_S for start in starts(points))

    def runs(self, points: Sequence[RunPoint]) -> pd.DataFrame:
        """Answers of the flow, as rows of coefficients.csv; that of a point is always the same."""
        rows = []
        for point in points:
            at = (round(point.depth_m * 1e7), round(point.reynolds), round(point.spin_ratio * 1e5))
            rng = np.random.default_rng([self.seed, *point.pattern.encode(), *at])
            values = self.truths[point.pattern].at(point.depth_m, point.reynolds, point.spin_ratio)
            row = {
                "pattern": point.pattern, "depth_m": point.depth_m, "reynolds": point.reynolds,
                "spin_ratio": point.spin_ratio, "cm": np.nan, "cm_se": np.nan, "verdict": "settled",
                "run": f"runs/{point.pattern}/{'/'.join(map(str, at))}",
            }  # fmt: skip
            for name, value, error in zip(("cd", "cl"), values, (self.size, 2 * self.size), strict=True):
                claimed = error * np.exp(rng.normal(0, 0.3))
                row[name], row[f"{name}_se"] = float(value + self.factor * rng.normal(0, claimed)), claimed
            rows.append(row)
        return pd.DataFrame(rows)

    def decide(self, points: Sequence[RunPoint]) -> Decided:
        """Fit, fly and judge what the runs at points say, the place of the crisis on balls being known."""
        models: dict[str, CoefficientModel] = {}
        flights: dict[tuple[str, str], PatternFlights] = {}
        valued, beliefs, every = {}, {}, np.ones(DRAWS, bool)
        for name in dict.fromkeys(point.pattern for point in points):
            own = tuple(point for point in points if point.pattern == name)
            known, model, flown = self._fitted.get(name, (None, None, None))
            if known != own or model is None or flown is None:
                model = CoefficientModel(name, self.runs(own), Criterion(DIAMETER_M, 1.0, 0.0))
                flown = fly_pattern(model, self.shot, STILL, draws=DRAWS, seed=self.seed)
                self._fitted[name] = own, model, flown
            models[name], flights["g", name] = model, flown
            valued["g", name] = depth_values(flown, None, every)
            beliefs[name] = Belief(flown.depth_m, model.draws(flown.depth_m, DRAWS, self.seed))
        of = product(valued, {"g": 1.0})
        return Decided(state_of(Evidence(of, None, models, flights, {})), of, beliefs)

    def regret_m(self, state: State) -> float:
        """Carry that cutting what a state names gives away against the best pattern and depth [m]."""
        if not state.pattern:
            return float("nan")
        return float(self.best_m - curve(self.depths, self.carries[state.pattern], [state.depth_m])[0])

    def right(self, state: State) -> bool:
        """Whether it is within a yard of the best."""
        return bool(self.regret_m(state) <= YARD_M)
