"""Seconds to read and to reduce 10,000 shots past 20 screens, and the same by processor time.

python benchmarks/bench_range.py [SHOTS]
"""

import sys
import tempfile
import time
from pathlib import Path

from pipeline.range.firings import read_firings, write_firings
from pipeline.range.invented import Kind, Programme, Scatter, quoted_ball, screens
from pipeline.range.reduce import reduce
from pipeline.range.simulate import simulate


def main(shots: int) -> None:
    few = simulate([Kind("p", quoted_ball, balls=2)], screens(20), Programme(), Scatter(), 0)
    reduce(few)  # compiled by now
    per_ball = 12 * 4
    kinds = [Kind(f"p{k}", quoted_ball, balls=shots // per_ball // 4) for k in range(4)]
    began = time.perf_counter()
    firings = simulate(kinds, screens(20), Programme(shots=4), Scatter(bad_gates=0.02), 1)
    simulated = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "firings.csv"
        write_firings(path, firings, ["INVENTED"])
        size = path.stat().st_size / 2**20
        written = time.perf_counter()
        firings = read_firings([path])
        read = time.perf_counter()
    cpu = time.process_time()
    reduction = reduce(firings)
    done, cpu = time.perf_counter(), time.process_time() - cpu
    print(
        f"{len(firings.shots)} shots, {len(firings.gates)} rows, {len(reduction.data.balls)} "
        f"balls, {size:.0f} MiB"
    )
    print(f"simulated in {simulated - began:.1f} s, written in {written - simulated:.1f} s")
    print(f"read in {read - written:.1f} s, reduced in {done - read:.1f} s ({cpu:.1f} s of CPU)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
