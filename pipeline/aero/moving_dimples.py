r"""What flows whose dimples stand still lack: the discrepancy to flows whose dimples turn with the ball.

A steady flow gives the wall the velocity of the spinning surface and leaves the dimples where they are
(docs/decisions/023). `moving_dimples.csv` beside this module holds pairs of runs, steady-rans and
transient-rans of one ball in one flow on one mesh (`benchmarks/bench_turning.py`); the discrepancy is learned
from them as from measured balls, with terms of its own size.
"""

import csv
import functools
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.aero.discrepancy import Comparison, Discrepancy, Sizes, learn, of_two_flows

PAIRS = Path(__file__).with_name("moving_dimples.csv")

SIZES = (
    Sizes((0.02, 0.01, 0.02, 0.01), (0.006, 0.003, 0.006, 0.004), 0.0, 0.003, 0.003),
    Sizes((0.30, 0.15, 0.20, 0.20), (0.08, 0.04, 0.08, 0.06), 0.0, 0.03, 0.04),
)
"""Prior of Cd and of ln Cl: wide in what the pairs say, and in the parts of one pattern of the size by which
the pairs' own balls differ; judgements, no source."""


def comparisons(path: Path = PAIRS) -> list[Comparison]:
    """Pairs of runs as comparisons, turning less still, a ball each.

    Parameters
    ----------
    path : Path
        CSV with the columns pair, chord_mm, depth_mm, reynolds, spin_ratio, and cd and cl of both kinds with
        the standard errors of the turning ones.

    Returns
    -------
    list of Comparison
        Smooth balls, which have no dimples to move, are left out.

    Raises
    ------
    KeyError
        If a column is missing.
    """
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    found = []
    for row in rows:
        if float(row["depth_mm"]) == 0.0:
            continue
        still, turning = (
            np.array([float(row[f"{of}_{kind}"]) for of in ("cd", "cl")]) for kind in ("still", "turning")
        )
        error = np.array([float(row[f"{of}_turning_se"]) for of in ("cd", "cl")]) / [1.0, turning[1]]
        at = float(row["depth_mm"]) * 1e-3, float(row["reynolds"]), float(row["spin_ratio"])
        pattern = f"332 arcs of {row['chord_mm']} mm"
        found.append(of_two_flows(f"moving dimples: {row['pair']}", pattern, at, still, turning, error))
    return found


@functools.cache
def _learned(patterns: tuple[str, ...]) -> Discrepancy:
    pairs = comparisons()
    known = dict.fromkeys(of.pattern for of in pairs)
    return learn([*(name for name in known if name not in patterns), *patterns], pairs, SIZES)


def moving_dimples(patterns: Sequence[str]) -> Discrepancy:
    """Discrepancy of the coefficients of patterns of a study, none of which is that of the pairs.

    Parameters
    ----------
    patterns : sequence of str
        Names.

    Returns
    -------
    Discrepancy
        Turning less still, of Cd and ln Cl.
    """
    return _learned(tuple(patterns))
