"""Regret of searches among 200 simulated patterns with a budget of 10 full grids, as CSV.

bench_search.py SEARCHES FIRST_SEED; with PYTHONPATH=tests. The patterns are those of a family of real
geometry, their flow is a truth of another form than the model's (tests/decide/simulated_searches.py). A row
a search; `bench_search.py summary FILE ...` makes a row a budget of them.
"""

import csv
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from decide.simulated_searches import DEPTHS, GRID_S, SimulatedSearch, search

from pipeline.decide.search.belief import FlightBelief
from pipeline.decide.search.candidates import make_candidates
from pipeline.geometry.build import make_layout
from pipeline.study.file import study_of
from pipeline.study.units import YARD_M

FAMILY = """\
name: family
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  search:
    candidates: 200
    layout:
      symmetry: [icosahedral, octahedral]
      count: {lowest: 300, highest: 400}
      classes: [1, 3]
      narrowest_land: {lowest: 0.10 mm, highest: 0.60 mm}
    cavity:
      - {profile: arc}
      - {profile: two-radius, joint: {lowest: 40 %, highest: 80 %}, radius_ratio: {lowest: 0.3, highest: 0.9}}
    coverage: {lowest: 70 %, highest: 85 %}
    depths: {shallowest: 0.12 mm, deepest: 0.30 mm}
flow: {fidelity: steady-rans, level: coarse}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""

GRIDS = 10
"""Budget in full grids of one pattern."""

A_ROUND = 48
"""Runs of a round."""

WITHIN_M = 2.0 * YARD_M

SHARES = (0.25, 0.5, 1.0)
"""Shares of the budget at which a search is looked at."""

COLUMNS = (
    "seed", "explained", "spread_m", "runs", "patterns", "core_hours",
    *(f"regret_{100 * s:.0f}_m" for s in SHARES), "regret_of_ten_m", "p_within", "cpu_s",
)  # fmt: skip


def p_within(belief: FlightBelief) -> float:
    """Probability, as the model has it, that what is named is within two yards of the best."""
    best = int(belief.mean_m.argmax())
    each = np.arange(belief.patterns) * belief.depths + belief.mean_m.argmax(axis=1)
    draws = belief.draws_m(np.append(each, best), 1000, 1)
    return float((draws.max(axis=0) - draws[-1] <= WITHIN_M).mean())


def main(searches: int, first: int) -> None:
    """Print a row a search."""
    features = make_candidates(
        study_of(Path("family.yaml"), FAMILY, searched=True), make_layout
    ).feature_table()
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(COLUMNS)
    for seed in range(first, first + searches):
        of = SimulatedSearch(seed, features)
        began, budget = time.process_time(), GRIDS * GRID_S
        regret: dict[float, float] = {}
        for runs, now, (pattern, depth) in search(of, budget, A_ROUND):
            belief, spent = now, of.price_s(runs) / budget
            # The last decision that each share of the budget pays for.
            regret |= {share: of.regret_m(pattern, DEPTHS[depth]) for share in SHARES if spent <= share}
        # With ten grids ten patterns could be known exactly: these are drawn at random.
        ten = np.random.default_rng([seed, 9]).choice(len(features), GRIDS, replace=False)
        writer.writerow(
            [seed, f"{of.explained:.3f}", f"{of.carries.max(axis=1).std():.3f}", len(runs)]
            + [len({run.pattern for run in runs}), f"{of.price_s(runs) / 3600.0:.2f}"]
            + [f"{regret[share]:.3f}" for share in SHARES]
            + [f"{of.best_m - of.carries[ten].max():.3f}", f"{p_within(belief):.3f}"]
            + [f"{time.process_time() - began:.1f}"]
        )
        sys.stdout.flush()


def summary(files: list[str]) -> None:
    """Print a row a budget from rows that `main` has printed."""
    frame = pd.concat([pd.read_csv(name) for name in files], ignore_index=True)
    named = [(f"{GRIDS * share:g} grids", f"regret_{100 * share:.0f}_m") for share in SHARES]
    rows = [
        {
            "policy": policy,
            "searches": len(frame),
            "within two yards": (frame[column] <= WITHIN_M).mean(),
            "mean regret (m)": frame[column].mean(),
            "median regret (m)": frame[column].median(),
            "largest regret (m)": frame[column].max(),
        }
        for policy, column in [*named, ("10 patterns at random, known exactly", "regret_of_ten_m")]
    ]
    print(pd.DataFrame(rows).round(3).to_csv(index=False), end="")


if __name__ == "__main__":
    words = sys.argv[1:]
    if words[0] == "summary":
        summary(words[1:])
    else:
        main(int(words[0]), int(words[1]))
