"""CPU seconds to choose a batch with 1,000 runs known and 10,000 candidates, on a simulated study, as CSV.

bench_choice.py [RUNS CANDIDATES]; with PYTHONPATH=tests and one thread (OPENBLAS_NUM_THREADS=1). Fitting and
flying, which a decision needs anyway, are timed apart from choosing.
"""

import sys
import time

from decide.simulated_studies import TARGETS, SimulatedStudy

from pipeline.decide.batch import choose
from pipeline.decide.design import first_design
from pipeline.decide.policy import BATCH


def main(runs: int, candidates: int) -> None:
    """Print the CPU seconds."""
    study = SimulatedStudy(3)
    patterns = len(study.truths)
    points = first_design(study.space, runs // patterns)
    began = time.process_time()
    found = study.decide(points)
    judged = time.process_time()
    tried = [point for name in study.truths for point in study.space.filled(name, candidates // patterns, 8)]
    prices = [study.price(point, True) for point in tried]
    drawn = time.process_time()
    chosen = choose(found.of, found.beliefs, tried, prices, TARGETS, BATCH)
    ended = time.process_time()
    print("runs,candidates,chosen,fit_and_fly_cpu_s,candidates_cpu_s,choose_cpu_s")
    times = (judged - began, drawn - judged, ended - drawn)
    print(f"{len(points)},{len(tried)},{len(chosen)}," + ",".join(f"{seconds:.2f}" for seconds in times))


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(*(words or (1000, 10_000)))
