r"""What a study's mesh lacks: the discrepancy to some of its flows computed on a finer mesh.

The runs of `flow.finer` are flows of the matrix once more. What they differ by is learned as the discrepancy
to measured balls is, with terms of its own size: level, S, ln Re and depth, shared by the patterns in part.
So few finer runs correct the level of drag and lift and their slopes with depth, on which the best depth
hangs.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.aero.collect import finer_rows, own_run
from pipeline.aero.corrected import CorrectedModel
from pipeline.aero.discrepancy import Comparison, Discrepancy, Sizes, learn, of_two_flows
from pipeline.aero.model import CoefficientModel
from pipeline.aero.priors import PRIORS
from pipeline.records.decision import FinerPair
from pipeline.records.flow import USABLE

SIZES = (
    Sizes((0.02, 0.006, 0.01, 0.015), (0.004, 0.003, 0.004, 0.004), 0.0, 0.0, 0.0015),
    Sizes((0.10, 0.05, 0.07, 0.10), (0.03, 0.02, 0.03, 0.03), 0.0, 0.0, 0.02),
)
"""Prior of Cd and of ln Cl, of the size by which the mesh levels of one ball differ (docs/validation.md,
"Mesh families", "Steps of depth": Cd by 0.02, its slope by 0.01 to 0.02 a tenth of a millimetre, Cl by a
tenth and its slope by a fifth); how much of it patterns share is a judgement, no source."""

FEWEST = 2
"""Pairs without which nothing is learned: a level and the slope with depth."""

LEAST_LIFT = 0.02
"""Lift coefficients below this have no logarithm worth comparing."""

TRIPPED = 0.95
"""Least share of the meridians that is tripped where a pair is compared: the crisis is another regime."""


def pairs(frame: pd.DataFrame, models: dict[str, CoefficientModel]) -> list[FinerPair]:
    """Pair the finer runs of a study with those of its own mesh.

    Parameters
    ----------
    frame : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    models : dict
        By pattern, fitted to the runs on the study's own mesh: they know where the drag crisis is.

    Returns
    -------
    list of FinerPair
        One for every finer run that is usable and whose own one is. It is not used inside the drag crisis,
        without lift, or where a run drifts: its mean is not that of a settled flow, and few pairs cannot
        outvote it.
    """
    usable = frame[frame["verdict"].isin(USABLE)]
    drifting = set(map(str, usable["run"][usable["verdict"] == "drifting"]))
    numbers = usable[["depth_m", "reynolds", "spin_ratio", "cd", "cl"]].to_numpy(float).tolist()
    of_run = dict(zip(map(str, usable["run"]), numbers, strict=True))
    pattern = dict(zip(map(str, usable["run"]), map(str, usable["pattern"]), strict=True))
    found = []
    for finer_run in map(str, usable["run"][finer_rows(usable)]):
        run = own_run(finer_run)
        if run not in of_run or pattern[run] not in models:
            continue
        *at, cd, cl = of_run[run]
        *_, cd_finer, cl_finer = of_run[finer_run]
        tripped = 1.0 - float(models[pattern[run]].untripped(*at))
        used = tripped >= TRIPPED and min(cl, cl_finer) >= LEAST_LIFT and not {run, finer_run} & drifting
        found.append(
            FinerPair(
                run=run, finer_run=finer_run, used=used, depth_m=at[0], reynolds=at[1], spin_ratio=at[2],
                cd=cd, cd_finer=cd_finer, cl=cl, cl_finer=cl_finer,
            )
        )  # fmt: skip
    return found


def comparisons(frame: pd.DataFrame, of: Sequence[FinerPair]) -> list[Comparison]:
    """Pairs that are used as comparisons, finer less own, each with the errors of both runs.

    Settled runs repeat no better than the scatter of the coefficients' priors, which both have of their own.
    """
    runs = list(map(str, frame["run"]))
    stated = dict(zip(runs, frame[["cd_se", "cl_se"]].to_numpy(float), strict=True))
    pattern = dict(zip(runs, map(str, frame["pattern"]), strict=True))
    scatter = np.array([PRIORS["cd"].scatter, PRIORS["cl"].scatter])
    found = []
    for pair in of:
        if not pair.used:
            continue
        errors = np.sqrt(stated[pair.run] ** 2 + stated[pair.finer_run] ** 2 + 2.0 * scatter**2)
        found.append(
            of_two_flows(
                f"finer mesh: {pair.finer_run}", pattern[pair.run],
                (pair.depth_m, pair.reynolds, pair.spin_ratio), np.array([pair.cd, pair.cl]),
                np.array([pair.cd_finer, pair.cl_finer]), errors / [1.0, min(pair.cl, pair.cl_finer)],
            )
        )  # fmt: skip
    return found


def refined(
    frame: pd.DataFrame, models: dict[str, CoefficientModel]
) -> tuple[dict[str, CoefficientModel], Discrepancy | None]:
    """Correct the models of a study by its finer runs.

    Parameters
    ----------
    frame : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    models : dict
        By pattern, fitted to the runs on the study's own mesh.

    Returns
    -------
    models : dict
        The same ones where there are fewer than `FEWEST` pairs.
    discrepancy : Discrepancy or None
        What was learned, if anything.
    """
    given = comparisons(frame, pairs(frame, models))
    if len(given) < FEWEST:
        return models, None
    learned = learn(list(models), given, SIZES)
    return {
        name: CorrectedModel(of, learned, measured=False, finer_mesh=True) for name, of in models.items()
    }, learned
