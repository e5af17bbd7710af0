"""Simulated searches among many patterns whose flow is answered from a truth in milliseconds.

A pattern's truth is a `CrisisTruth`, whose parameters differ from the family's by a function of the features
and an own part, together as much as the patterns of `CrisisTruth` differ. The functions are sums of waves, a
kink and a product; the model's are none of these.
"""

import numpy as np
from decide.crisis_truth import DEEPEST, REYNOLDS, SHALLOWEST, SPIN_RATIOS, CrisisTruth, Shared
from decide.simulated_studies import COLD_S, DIAMETER_M, STILL, TARGETS, WARM_S

from pipeline.aero.conditions import Points
from pipeline.aero.crisis_place import Criterion
from pipeline.aero.published import published_tables
from pipeline.aero.table import TableBatch
from pipeline.decide.design import Space
from pipeline.decide.flights.passage import passage
from pipeline.decide.optimum import curve
from pipeline.decide.search.belief import FlightBelief, believed
from pipeline.decide.search.linear_flights import node_axes
from pipeline.decide.search.policy import Next, first_design, next_runs
from pipeline.decide.search.shared_model import Runs, SharedModel
from pipeline.flight.trajectory import Launches, fly

GRID_S = COLD_S + 79 * WARM_S
"""Core seconds of a full grid of 5 depths x 4 Re x 4 S of one pattern."""

WIDTHS = {
    "level": 0.005, "slope": 0.03, "lift": 0.03, "best_m": 0.14e-3 / 12**0.5, "rise": 0.014 / 12**0.5,
    "fall": 0.07 / 12**0.5, "shallow": 0.003 / 12**0.5,
}  # fmt: skip
"""Standard deviations between the patterns of `CrisisTruth`."""

DEPTHS = np.linspace(SHALLOWEST, DEEPEST, 9)


def of_features(rng, z):
    """Draw a function of features; its values at the patterns have mean 0 and standard deviation 1."""
    n = z.shape[1]
    waves = rng.normal(0, 1 / (1.2 * np.sqrt(n)), (n, 6)) * 1.5
    one, two, three = rng.permutation(n)[:3]
    f = (np.cos(z @ waves + rng.uniform(0, 2 * np.pi, 6)) * rng.normal(size=6)).sum(axis=1)
    f = f + rng.normal() * np.abs(z[:, one] - rng.normal()) + 0.7 * rng.normal() * z[:, two] * z[:, three]
    return (f - f.mean()) / f.std()


class SimulatedSearch:
    """A search with known truth.

    Parameters
    ----------
    seed : int
        Of everything in it.
    features : ndarray, shape (p, f)
        Of its patterns, standardised.
    """

    def __init__(self, seed: int, features) -> None:
        rng = np.random.default_rng([seed, 177])
        self.seed, self.features = seed, features
        self.shot = Launches(rng.uniform(66, 76), rng.uniform(0.17, 0.22), rng.uniform(250, 300))
        shared = Shared.drawn(rng)
        self.size, self.factor = 0.0005 * 2.0 ** rng.uniform(0, 1), rng.uniform(1, 3)
        self.truths = [CrisisTruth(rng, shared) for _ in features]
        self.explained = rng.uniform(0.3, 0.9)
        for name, width in WIDTHS.items():
            values = np.array([getattr(truth, name) for truth in self.truths])
            own = values - values.mean()
            found = values.mean() + np.sqrt(1 - self.explained) * own
            found = found + np.sqrt(self.explained) * width * of_features(rng, features)
            low, high = {"best_m": (0.12e-3, 0.30e-3), "rise": (0.003, 1), "fall": (0.01, 1)}.get(
                name, (-1, 1) if name != "shallow" else (0, 1)
            )
            for truth, value in zip(self.truths, np.clip(found, low, high), strict=True):
                setattr(truth, name, value)
        self.depths = np.linspace(SHALLOWEST, DEEPEST, 21)
        self.carries = np.array([truth.carry(self.depths, self.shot, STILL) for truth in self.truths])
        self.best_m = self.carries.max()
        flights = [passage(table, self.shot, STILL) for table in published_tables().values()]
        space = Space.of_flights({"all": (SHALLOWEST, DEEPEST)}, flights, REYNOLDS, SPIN_RATIOS)
        points = space.filled("all", 64, seed)
        self.flows = np.array([(point.reynolds, point.spin_ratio) for point in points])

    def flown(self, tables: TableBatch):
        """Carry and peak height of tables."""
        flights = fly(tables, np.arange(len(tables)), self.shot, STILL)
        return flights.carry_m, flights.peak_height_m

    def price_s(self, runs) -> float:
        """Core seconds of runs: the first one of a pattern starts from rest."""
        cold = len({run.pattern for run in runs})
        return cold * COLD_S + (len(runs) - cold) * WARM_S

    def belief(self, runs: list[Next], kinships=(None, None)) -> FlightBelief:
        """Fit what runs say; how patterns differ is learned where it is not given."""
        pattern = np.array([run.pattern for run in runs])
        points = Points(*np.array([(run.depth_m, run.reynolds, run.spin_ratio) for run in runs]).T)
        values, errors = np.empty((2, len(runs))), np.empty((2, len(runs)))
        for i, run in enumerate(runs):
            rng = np.random.default_rng(
                [
                    self.seed,
                    run.pattern,
                    *(round(v) for v in (run.depth_m * 1e7, run.reynolds, run.spin_ratio * 1e5)),
                ]
            )
            truth = self.truths[run.pattern].at(run.depth_m, run.reynolds, run.spin_ratio)
            for c, size in enumerate((self.size, 2 * self.size)):
                errors[c, i] = size * np.exp(rng.normal(0, 0.3))
                values[c, i] = float(truth[c]) + self.factor * rng.normal(0, errors[c, i])
        middle = float(DEPTHS[DEPTHS.size // 2])
        models = tuple(
            SharedModel(
                name,
                self.features,
                Runs(pattern, points, values[c], errors[c]),
                Criterion(DIAMETER_M, 1.0, 0.0),
                middle,
                kinships[c],
            )
            for c, name in enumerate(("cd", "cl"))
        )
        return believed(models, DEPTHS, node_axes((6e4, 2.3e5), (0.05, 0.4)), self.flown, len(self.features))

    def regret_m(self, pattern: int, depth_m: float) -> float:
        """Carry given away by a pattern at a depth [m]."""
        return float(self.best_m - curve(self.depths, self.carries[pattern], [depth_m])[0])


def search(of: SimulatedSearch, budget_s: float, a_round: int):
    """Rounds of a search: runs, belief and what is named, until the budget is spent."""
    runs = first_design(of.features, DEPTHS, of.flows)
    learned, kinships = 0, (None, None)
    while True:
        anew = len(runs) > 1.3 * learned
        belief = of.belief(runs, (None, None) if anew else kinships)
        if anew:
            learned, kinships = len(runs), tuple(model.kinship for model in belief.models)
        best = int(belief.mean_m.argmax())
        yield runs, belief, divmod(best, DEPTHS.size)
        more = next_runs(belief, of.flows, TARGETS, (COLD_S, WARM_S), a_round)
        while more and of.price_s(runs + more) > budget_s:
            more = more[:-1]
        if not more:
            return
        runs = runs + more
