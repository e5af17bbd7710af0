"""Dimples that turn with the ball against dimples that stand still: coefficients of pairs of runs.

    python benchmarks/bench_turning.py FOLDER [PAIR ...]

Each pair is one ball in one flow, on one mesh: steady-rans, whose wall moves and whose dimples stand still,
and transient-rans from its state on, whose mesh turns. Balls of 332 arcs and a smooth one, half shells,
tripped as studies are. Means of the steady run's last fifty iterations, and of the turning one from `SINCE`
on; standard errors are those of five means of a fifth each. Writes turning.csv into FOLDER, a row a pair;
what was computed is kept there. Some ten minutes of one core a pair on the coarse mesh.
"""

import sys
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import numpy as np

from pipeline.files.atomic import atomic_open, write_json
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.fidelity import BALL_LEVELS, fidelity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.layout import smooth_layout, spread_layout
from pipeline.geometry.shell.files import write_shell
from pipeline.records.tree import HISTORY, RESULT, SPEC, TOTALS
from pipeline.validation.flows import run_spec

DIAMETER_M = 0.0427
SINCE, UNTIL = 3, 8
"""In D / U."""


@dataclass(frozen=True)
class Pair:
    """Chord, depth, and the depth as which it trips [mm], the flow, the mesh."""

    chord_mm: float
    depth_mm: float
    reynolds: float
    spin_ratio: float
    level: str = "coarse"
    trips_as_mm: float | None = None


PAIRS = {
    "deep": Pair(3.84, 0.337, 1.3e5, 0.2),
    "middle": Pair(4.00, 0.25, 1.5e5, 0.15),
    "shallow": Pair(4.00, 0.15, 1.5e5, 0.15),
    "smooth": Pair(4.00, 0.0, 1.5e5, 0.15, trips_as_mm=0.25),
    "low spin": Pair(4.00, 0.25, 1.5e5, 0.08),
    "high spin": Pair(4.00, 0.25, 1.5e5, 0.25),
    "slow": Pair(4.00, 0.25, 1.0e5, 0.15),
    "shallow, high spin": Pair(4.00, 0.15, 1.5e5, 0.25),
    "shallowest": Pair(4.00, 0.10, 1.5e5, 0.15),
    "graded": Pair(4.00, 0.25, 1.5e5, 0.15, "graded"),
}


def geometry(folder: Path, name: str, pair: Pair) -> str:
    """Mesh of a pair's ball, once; its folder below `folder`."""
    place = f"geometry/{name}"
    if not (folder / place / TOTALS).is_file():
        layout = smooth_layout()
        if pair.depth_mm > 0.0:
            layout = spread_layout(
                "icosahedral", 332, pair.chord_mm * 1e-3, 5e-5, DIAMETER_M, seed=1, mirror=True
            )
        ball = DimpledBall(layout, np.full(len(layout.directions), pair.depth_mm * 1e-3), DIAMETER_M)
        first = fidelity("steady-rans").first_cell(pair.reynolds)
        write_shell(folder / place, solver_shell(ball, BALL_LEVELS[pair.level], first))
        trips_as = pair.depth_mm if pair.trips_as_mm is None else pair.trips_as_mm
        write_json(folder / place / TOTALS, {"depth_m": trips_as * 1e-3, "edge_angle_deg": 0.0})
    return place


def compute(folder: Path, name: str, pair: Pair) -> dict[str, float]:
    """Coefficients of both runs of a pair."""
    place = geometry(folder, name, pair)
    # Named as a study names its runs, so that the state of one is kept for the other.
    runs = {kind: f"runs/{name}/ball/flow/{kind}" for kind in ("still", "turning")}
    for kind, model, samples in (("still", "steady-rans", 240), ("turning", "transient-rans", 10 * UNTIL)):
        spec = run_spec(runs[kind], place, model, pair.reynolds, pair.spin_ratio).changed(
            level=pair.level, boundary_layer="tripped", iterations=samples, ball_diameter_m=DIAMETER_M,
            standard_error={"cd": -1.0, "cl": -1.0}, starts_from=None if kind == "still" else runs["still"],
        )  # fmt: skip
        write_json(folder / runs[kind] / SPEC, spec.content())
    found: dict[str, float] = {}
    for kind, run_id in runs.items():
        if not (folder / run_id / RESULT).is_file():
            run(folder, run_id)
        history = np.loadtxt(folder / run_id / HISTORY, delimiter=",", skiprows=1)
        kept = history[-50:] if kind == "still" else history[history[:, 0] > SINCE]
        parts = np.array([part[:, 1:3].mean(axis=0) for part in np.array_split(kept, 5)])
        for column, of in enumerate(("cd", "cl")):
            found[f"{of}_{kind}"] = float(kept[:, 1 + column].mean())
            found[f"{of}_{kind}_se"] = float(parts[:, column].std(ddof=1) / np.sqrt(5.0))
    return found


def main(folder: Path, names: list[str]) -> None:
    """Compute the pairs and write their table."""
    rows = []
    for name in names or list(PAIRS):
        pair = PAIRS[name]
        row = {"pair": name} | dict(zip([of.name for of in fields(pair)], astuple(pair), strict=True))
        row |= {key: round(value, 4) for key, value in compute(folder, name, pair).items()}
        print(row, flush=True)
        rows.append(row)
    with atomic_open(folder / "turning.csv") as stream:
        for cells in (rows[0], *(row.values() for row in rows)):
            stream.write((",".join("" if cell is None else str(cell) for cell in cells) + "\n").encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
