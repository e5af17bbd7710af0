"""Regret against core hours of ways to choose runs, on simulated studies of three patterns, as CSV.

bench_policies.py STUDIES FIRST_SEED [POLICY ...]; with PYTHONPATH=tests. Policies: grid (5 depths x 4 Re x
4 S), filling (space-filling, all at once), random, ours (rounds, at most 40 % of the grid's price). A row a
study, policy and round; `bench_policies.py summary FILE ...` makes a row a policy of them.
"""

import csv
import sys
import time
from collections.abc import Iterator

import numpy as np
import pandas as pd
from decide.simulated_studies import TARGETS, Decided, SimulatedStudy

from pipeline.decide.batch import expected_regret
from pipeline.decide.design import first_design
from pipeline.decide.policy import agrees_with, first_round, next_round
from pipeline.study.points import RunPoint
from pipeline.study.units import YARD_M

COLUMNS = (
    "seed", "policy", "round", "last", "runs", "core_hours", "state", "p_within_yard", "expected_regret_m",
    "regret_m", "agrees", "cpu_s", "why",
)  # fmt: skip

SHARE = 0.4
"""Of the price of the full grid: the most that the other policies may spend."""


def grid(study: SimulatedStudy) -> Iterator[list[RunPoint]]:
    """The full grid of every pattern."""
    yield study.grid()


def filling(study: SimulatedStudy) -> Iterator[list[RunPoint]]:
    """Space-filling runs, all at once."""
    yield first_design(study.space, _affordable(study))


def random(study: SimulatedStudy) -> Iterator[list[RunPoint]]:
    """Random runs in what flights pass through, all at once."""
    n = _affordable(study)
    rng = np.random.default_rng([study.seed, 9])
    found = []
    for name in study.truths:
        tried = study.space.filled(name, 2000, study.seed)
        found += [tried[at] for at in rng.choice(len(tried), n, replace=False)]
    yield found


def ours(study: SimulatedStudy) -> Iterator[list[RunPoint]]:
    """Rounds by the expected regret that runs explain, while they are worth it; also beyond a decision."""
    budget = SHARE * study.price_s(study.grid())
    points = [choice.point for choice in first_round(study.space, study.price, budget)]
    before: tuple[str, float] | None = None
    while True:
        yield points
        found = study.decide(points)
        left = budget - study.price_s(points)
        space = study.flown_space(found)
        chosen, _ = next_round(space, points, *found, before, study.price, TARGETS, left, until_decided=False)
        before = found.state.pattern, found.state.depth_m
        if not chosen:
            return
        points = points + [choice.point for choice in chosen]


POLICIES = {policy.__name__: policy for policy in (grid, filling, random, ours)}


def _affordable(study: SimulatedStudy) -> int:
    """Runs a pattern that the share of the grid's price pays for."""
    return int(SHARE * len(study.grid()) / len(study.truths))


def main(studies: int, first: int, policies: list[str]) -> None:
    """Print a row a study, policy and round."""
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(COLUMNS)
    for seed in range(first, first + studies):
        study = SimulatedStudy(seed)
        for name in policies:
            began, rows, before = time.process_time(), [], None
            for number, points in enumerate(POLICIES[name](study)):
                found: Decided = study.decide(points)
                row = [
                    seed, name, number, 0, len(points), f"{study.price_s(points) / 3600.0:.4f}",
                    found.state.word, f"{found.state.p_within_yard:.3f}", f"{expected_regret(found.of):.4f}",
                    f"{study.regret_m(found.state):.4f}", int(agrees_with(found.of, before)),
                    f"{time.process_time() - began:.2f}",
                    found.state.why[0][:90],
                ]  # fmt: skip
                before = found.state.pattern, found.state.depth_m
                rows.append(row)
            rows[-1][3] = 1
            writer.writerows(rows)
            sys.stdout.flush()


def summary(files: list[str]) -> None:
    """Print a row a policy from rows that `main` has printed, of the studies that have a grid and ours."""
    frame = pd.concat([pd.read_csv(name) for name in files], ignore_index=True)
    frame = frame.drop_duplicates(["seed", "policy", "round"])
    there = frame.groupby("seed")["policy"].agg(set)
    frame = frame[frame["seed"].isin(there[there.map(lambda known: {"grid", "ours"} <= known)].index)]
    rounds = frame[frame["policy"] == "ours"]
    # A decision ends the rounds where two agree, never after the first design; in rows of before that was
    # recorded, those that are within a yard of each other in truth.
    worse = rounds.groupby("seed")["regret_m"].shift() - rounds["regret_m"]
    agrees = rounds.get("agrees", pd.Series(np.nan, rounds.index)).fillna((worse <= YARD_M) * 1.0)
    ended = (rounds["state"] == "decided") & (agrees == 1) & (rounds["round"] > 0)
    stop = rounds["round"].where(ended).groupby(rounds["seed"]).transform("min").fillna(np.inf)
    last = rounds.groupby("seed")["round"].transform("max")
    until = rounds[rounds["round"] == np.minimum(stop, last)].assign(policy="ours, until decided")
    budget = rounds[rounds["round"] == last].assign(policy="ours, 40 % of the grid's price")
    others = frame[frame["policy"] != "ours"]
    grid_hours = others[others["policy"] == "grid"]["core_hours"].mean()
    rows = []
    for name, own in pd.concat([others, until, budget]).groupby("policy", sort=False):
        decided = own[own["state"] == "decided"]
        rows.append(
            {
                "policy": name,
                "studies": len(own),
                "core hours": own["core_hours"].mean(),
                "share of the grid's": own["core_hours"].mean() / grid_hours,
                "mean regret (m)": own["regret_m"].mean(),
                "median regret (m)": own["regret_m"].median(),
                "largest regret (m)": own["regret_m"].max(),
                "within a yard": (own["regret_m"] <= YARD_M).mean(),
                "decided": len(decided) / len(own),
                "decided right": (decided["regret_m"] <= YARD_M).mean(),
            }
        )
    print(pd.DataFrame(rows).round(3).to_csv(index=False), end="")


if __name__ == "__main__":
    words = sys.argv[1:]
    if words[0] == "summary":
        summary(words[1:])
    else:
        main(int(words[0]), int(words[1]), words[2:] or list(POLICIES))
