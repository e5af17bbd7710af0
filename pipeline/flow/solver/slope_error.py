"""Relative error of d(Cd)/d(depth) and d(Cl)/d(depth) by mesh level, from steps of depth on several meshes.

`depth_steps.csv` beside this module holds the change of Cd and Cl of one ball from 0.20 to 0.25 mm (Re 1.5e5,
S 0.1, tripped, steady-rans), computed on one topology each; two of its meshes are marked as the finest.
"""

import csv
import math
from pathlib import Path

DEPTH_STEPS = Path(__file__).with_name("depth_steps.csv")

REPEATABILITY = {"cd": 0.001, "cl": 0.005}
"""Most that two settled runs of one flow were seen to differ by (docs/validation.md, "Steps of depth")."""


def slope_errors(path: Path = DEPTH_STEPS) -> dict[str, tuple[float, float]]:
    r"""Relative errors of the slopes with depth by mesh level.

    With the step s of a level, the mean m of the steps on the finest meshes and their spread u (half their
    difference, at least the repeatability of settled runs):

    .. math:: e = \sqrt{(s - m)^2 + u^2} / |s|

    on the finest meshes e = u / |s|. What a mesh adds or takes is not divided out: one ball on one flow does
    not show that its sign is the same for every pattern.

    Parameters
    ----------
    path : Path
        CSV with the columns level, cd_step, cl_step and finest (yes or no).

    Returns
    -------
    dict of tuple
        Relative errors of d(Cd)/d(depth) and of d(Cl)/d(depth) [-], rounded up to a hundredth.

    Raises
    ------
    KeyError
        If a column is missing.
    """
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    errors: dict[str, list[float]] = {row["level"]: [] for row in rows}
    for quantity, repeatability in REPEATABILITY.items():
        finest = [float(row[f"{quantity}_step"]) for row in rows if row["finest"] == "yes"]
        mean = sum(finest) / len(finest)
        spread = max((max(finest) - min(finest)) / 2.0, repeatability)
        for row in rows:
            step = float(row[f"{quantity}_step"])
            off = 0.0 if row["finest"] == "yes" else step - mean
            errors[row["level"]].append(math.ceil(100.0 * math.hypot(off, spread) / abs(step)) / 100.0)
    return {level: (cd, cl) for level, (cd, cl) in errors.items()}
