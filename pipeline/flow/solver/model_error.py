"""Relative error of the steady flow model: root mean square of its errors in the shipped validation table.

`validation_table.csv` beside this module holds Cd and Cl that were computed for a conventional dimpled ball
(`depthline verify tripped turbulent`), each beside a published value with its source and mark.
"""

import csv
import math
from pathlib import Path

VALIDATION_TABLE = Path(__file__).with_name("validation_table.csv")


def dimpled_model_error(path: Path = VALIDATION_TABLE) -> dict[str, tuple[float, float]]:
    """Model error by the state of the boundary layer.

    Parameters
    ----------
    path : Path
        CSV with the columns boundary_layer, quantity (cd or cl), computed and published.

    Returns
    -------
    dict of tuple
        Relative errors of Cd and Cl [-], sqrt(mean(((computed - published) / published)^2)), rounded up to a
        hundredth: the table has three digits, and the published values differ by more.

    Raises
    ------
    KeyError
        If a column or one of the two quantities is missing.
    """
    squares: dict[str, dict[str, list[float]]] = {}
    with path.open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            error = float(row["computed"]) / float(row["published"]) - 1.0
            squares.setdefault(row["boundary_layer"], {}).setdefault(row["quantity"], []).append(error**2)
    return {state: (_rms_up(of["cd"]), _rms_up(of["cl"])) for state, of in squares.items()}


def _rms_up(squares: list[float]) -> float:
    return math.ceil(100.0 * math.sqrt(sum(squares) / len(squares))) / 100.0
