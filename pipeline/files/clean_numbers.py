"""Numbers of JSON and CSV files without rounding errors: 0.00011, not 0.00011000000000000002."""

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.arrays import FloatArray

if TYPE_CHECKING:
    import pandas as pd

DIGITS = 12
"""Significant digits of a number that is taken as meant."""

_NOISE = 4.0
"""A number is as meant where it lies no more than so many units of its last place off one of `DIGITS`."""


def clean(value: float) -> float:
    """Return the number of 12 digits that a number is but for rounding errors, or the number itself.

    Parameters
    ----------
    value : float
        Any number.

    Returns
    -------
    float
        The same for a number that has more than `DIGITS` digits by itself, such as a computed carry, so that
        values that were equal stay equal.

    Examples
    --------
    >>> clean(0.00011000000000000002), clean(12.000000000000002), clean(2.0 / 3.0)
    (0.00011, 12.0, 0.6666666666666666)
    """
    if not math.isfinite(value):
        return value
    short = float(f"{value:.{DIGITS}g}")
    return short if abs(short - value) <= _NOISE * math.ulp(value) else value


def clean_array(values: FloatArray) -> FloatArray:
    """Clean every number of a grid, shape (n,), before it is computed with."""
    return np.array([clean(value) for value in values.tolist()])


def clean_json(value: Any) -> Any:
    """Return JSON content with every number of its objects and lists clean."""
    if isinstance(value, float):
        return clean(float(value))
    if isinstance(value, dict):
        return {key: clean_json(of) for key, of in value.items()}
    if isinstance(value, list | tuple):
        return [clean_json(of) for of in value]
    return value


def clean_csv(frame: "pd.DataFrame") -> str:
    """Write a table as CSV without its index, every number of its columns clean."""
    found = frame.copy()
    for name in found.columns:
        if found[name].dtype.kind == "f":
            found[name] = [clean(value) for value in found[name].to_numpy(float).tolist()]
    return str(found.to_csv(index=False, lineterminator="\n"))
