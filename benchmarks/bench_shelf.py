"""Seconds to rank 200 balls of a shelf for 5 golfers, table and picture included.

python benchmarks/bench_shelf.py [BALLS]
"""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.cli.shelf import rank
from pipeline.range.invented import quoted_table
from pipeline.shelf.ball import ShelfBall, level_modes
from pipeline.shelf.folder import add_balls

STUDY = """
name: bench
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 3.58 mm}
    depths: [0.15 mm]
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4], spin_ratios: [0.1]}
golfers:
"""
GOLFER = """\
  - name: golfer {0}
    launch: {{ball_speed: {1} mph, launch_angle: 12 deg, backspin: 2700 rpm}}
    spread: {{ball_speed: 2 mph, launch_angle: 1 deg, backspin: 200 rpm, axis_tilt: 2 deg}}
"""
GOLFERS = 5


def main(balls: int) -> None:
    table = quoted_table()
    table = replace(table, cd_se=np.full(table.cd.shape, 0.003), cl_se=np.full(table.cl.shape, 0.005))
    made = []
    for number in range(balls):
        pattern, depth = divmod(number, 5)
        of = replace(table, cd=table.cd * (1 + 0.01 * (depth - 2) ** 2), cl=table.cl * (1 - 0.002 * pattern))
        made.append(
            ShelfBall(
                f"ball-{number}", "measured", of, np.ones(of.cd.shape, bool), level_modes(of), f"p{pattern}",
                1e-4 * (1 + 0.4 * depth), "an invented range",
            )
        )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        add_balls(root / "shelf", made)
        golfers = "".join(GOLFER.format(k, 120 + 10 * k) for k in range(GOLFERS))
        (root / "study.yaml").write_text(STUDY + golfers)
        began, cpu = time.perf_counter(), time.process_time()
        rank(root / "study.yaml", root / "shelf", root / "results", True)
        wall, cpu = time.perf_counter() - began, time.process_time() - cpu
    print(f"{balls} balls, {GOLFERS} golfers: {wall:.1f} s ({cpu:.1f} s of CPU)", file=sys.stderr)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
