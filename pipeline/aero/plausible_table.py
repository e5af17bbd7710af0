"""Ranges of Cd and Cl that golf balls have in flight; a table beyond them is probably in other units."""

import numpy as np

from pipeline.aero.table import CoefficientTable
from pipeline.arrays import FloatArray

DRAG = (0.1, 1.0)
MOST_LIFT = 0.8
"""Of |Cl|. Common practice, no source: tables of published balls lie inside of both (Smits & Smith 1994 have
Cd 0.21 to 0.4 and Cl up to 0.3 [memory])."""

_FACTORS = (
    (0.25, "four times too small: is the reference area pi D^2 / 4?"),
    (4.0, "four times too large: is the reference area pi D^2 / 4?"),
    (0.01, "a hundred times too small"),
)
"""What a table may be off by; much larger numbers are refused by `pipeline.aero.table.BOUNDS`."""


def implausible_table(table: CoefficientTable) -> list[str]:
    """Say which coefficients of a table no golf ball has, and the likely cause; one line a coefficient."""
    found = []
    cd, cl = np.asarray(table.cd), np.asarray(table.cl)
    if cd.min() < DRAG[0] or cd.max() > DRAG[1]:
        found.append(f"Cd {_range(cd)} is outside {DRAG[0]:g} to {DRAG[1]:g}: {_cause(cd)}")
    if np.abs(cl).max() > MOST_LIFT:
        found.append(
            f"Cl {_range(cl)} is outside -{MOST_LIFT:g} to {MOST_LIFT:g}: are columns mixed up, or is it on "
            "another reference area than pi D^2 / 4?"
        )
    return found


def _range(values: FloatArray) -> str:
    first, last = f"{values.min():.3g}", f"{values.max():.3g}"
    return first if first == last else f"{first} to {last}"


def _cause(drag: FloatArray) -> str:
    low, high = DRAG
    for factor, words in _FACTORS:
        if low <= (drag / factor).min() and (drag / factor).max() <= high:
            return f"the numbers look {words}"
    return "are columns mixed up, or some numbers wrong?"
