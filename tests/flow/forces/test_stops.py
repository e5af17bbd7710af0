"""Real runs: the value at which each stops against that after four times as many iterations.

The histories are the solver's own, recorded by `benchmarks/bench_stops.py`: ten tripped steady-rans runs of
640 iterations, two from rest and eight from a neighbour. For the two from rest the last iteration stands for
four times as many.
"""

from pathlib import Path

import numpy as np

from pipeline.flow.forces.verdict import MIN_ITERATIONS, judge

RECORDED = Path(__file__).parents[3] / "benchmarks/stops.npz"
TARGETS = {"cd": 0.001, "cl": 0.003}
RUNS = 10


def test_what_ten_runs_claim_when_they_stop_is_so() -> None:
    ratios: dict[str, list[float]] = {name: [] for name in TARGETS}
    stops = []
    with np.load(RECORDED) as arrays:
        for place in range(RUNS):
            values = {name: arrays[f"{name}_{place}"].astype(float) for name in TARGETS}
            length = len(values["cd"])
            values |= dict.fromkeys(("cs", "cm"), np.zeros(length))
            for count in range(MIN_ITERATIONS, length, 2):
                judgement = judge({name: history[:count] for name, history in values.items()}, TARGETS)
                if judgement.at_targets:
                    break
            assert judgement.at_targets
            stops.append(count)
            after = min(4 * count, length)
            for name in TARGETS:
                mean = judgement.means[name]
                later = values[name][after - 10 : after].mean()
                ratios[name].append(abs(mean.value - later) / mean.standard_error)
    for name in TARGETS:
        assert np.sum(np.array(ratios[name]) <= 2.0) >= RUNS - 1
    # It must not cost much: from a neighbour 110 iterations are the least.
    assert np.median(stops) <= 130
