"""Plain tables of Cd and Cl from any tunnel or range: a full grid as it is, scattered conditions by a fit."""

from pathlib import Path
from typing import Unpack

import numpy as np

from pipeline.aero.region import Region
from pipeline.aero.table import BOUNDS, CoefficientTable
from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.files.columns import Problems
from pipeline.shelf.ball import BallFacts, ShelfBall, level_modes, modes_of
from pipeline.shelf.ball_file import MODE, read_grid

NODES = (9, 9)
"""Reynolds numbers and spin ratios of the grid that scattered conditions are continued to."""

FEWEST = 8
"""Scattered conditions that are fitted, at least: five terms, and something to judge them by."""

_WANTED = "a table of Cd and Cl (CSV)"
_LEAST_ERROR = {"cd": 0.002, "cl": 0.004}
"""Standard errors of values that are given without one, where residuals do not say more: what repeated
measurements of one ball differ by; a judgement, no source."""


def ball_of_table(path: Path, name: str, **facts: Unpack[BallFacts]) -> ShelfBall:
    """Make a ball of the shelf from a plain table.

    Parameters
    ----------
    path : Path
        CSV with columns reynolds, spin_ratio, cd, cl and, where known, standard errors (cd_se, cl_se) and cm.
        A full grid is taken as it is, its errors as those of level. Other conditions are fitted by
        1, S, S^2, ln Re and S ln Re, weighted; errors are those of the fit, scaled up where residuals are
        larger than stated.
    name : str
        Name of the ball.
    **facts
        Other fields of `ShelfBall`.

    Returns
    -------
    ShelfBall
        Measured.

    Raises
    ------
    InputError
        Every fault of the file at once, each with its line; or too few conditions to fit.
    """
    path = Path(path)
    problems = Problems()
    read = read_grid(path, _WANTED, problems, grid=False)
    problems.refuse()
    assert read is not None
    values, table = read
    if any(MODE.fullmatch(column) for column in values):
        raise InputError(f"{path}: is a ball of a shelf already; copy the file there")
    given: BallFacts = {"source": path.name, **facts}
    if table is not None:
        inside = np.ones(table.cd.shape, bool)
        return ShelfBall(name, "measured", table, inside, level_modes(table), **given)
    re, s = values["reynolds"], values["spin_ratio"]
    if re.size < FEWEST:
        raise InputError(
            f"{path}: {re.size} conditions that are no full grid; {FEWEST} are needed for a fit, or every "
            "Reynolds number at every spin ratio"
        )
    return _fitted(path, name, re, s, values, given)


def _fitted(
    path: Path, name: str, re: FloatArray, s: FloatArray, values: dict[str, FloatArray], given: BallFacts
) -> ShelfBall:
    nodes = np.geomspace(re.min(), re.max(), NODES[0]), np.linspace(s.min(), s.max(), NODES[1])
    near_re, near_s, inside = Region.of(re, s).nearest(nodes[0][:, None], nodes[1])
    at = _terms(near_re.ravel(), near_s.ravel())
    columns = _terms(re, s)
    if np.linalg.matrix_rank(columns / np.linalg.norm(columns, axis=0), tol=1e-6) < columns.shape[1]:
        raise InputError(
            f"{path}: its conditions do not determine level, powers of S and of ln Re; give a full grid, or "
            "more Reynolds numbers and spin ratios"
        )
    n = near_re.size
    covariance = np.zeros((2 * n, 2 * n))
    found, spread = {}, {}
    for place, of in enumerate(("cd", "cl")):
        error = np.maximum(values.get(f"{of}_se", np.zeros(re.size)), _LEAST_ERROR[of])
        weighted = columns / error[:, None]
        fit, *_ = np.linalg.lstsq(weighted, values[of] / error, rcond=None)
        off = (values[of] - columns @ fit) / error
        scale = max(1.0, float(np.sqrt((off**2).sum() / max(re.size - columns.shape[1], 1))))
        block = at @ np.linalg.inv(weighted.T @ weighted) @ at.T * scale**2
        # Errors of one laboratory do not average out over its conditions: the typical one is one of level.
        block = block + float(np.median(error)) ** 2
        covariance[place * n : (place + 1) * n, place * n : (place + 1) * n] = block
        found[of], spread[of] = (
            (at @ fit).reshape(near_re.shape),
            np.sqrt(np.diag(block)).reshape(near_re.shape),
        )
    table = CoefficientTable(
        *nodes, np.clip(found["cd"], *BOUNDS["cd"]), np.clip(found["cl"], *BOUNDS["cl"]),
        cd_se=spread["cd"], cl_se=spread["cl"],
    )  # fmt: skip
    note = f"{re.size} scattered conditions, fitted by level, S, S^2, ln Re and S ln Re"
    facts: BallFacts = {"note": note, **given}
    return ShelfBall(name, "measured", table, inside, modes_of(covariance, table.cd.shape), **facts)


def _terms(re: FloatArray, s: FloatArray) -> FloatArray:
    log = np.log(re / 1.2e5)
    return np.stack([np.ones_like(s), s, s**2, log, s * log], axis=-1)
