"""Best depth for critical Reynolds numbers that may be measured: what the place of the crisis decides."""

import numpy as np
from numpy.typing import NDArray

from pipeline.aero.crisis_place import Criterion
from pipeline.decide.product import Product
from pipeline.records.decision import PlaceOutcome

FloatArray = NDArray[np.float64]

_PLACES = (-1.0, 0.0, 1.0)
_NEAREST = 0.2
"""Standard deviations of the place at which the best depth is named, and the share of the draws nearest to
each that it is averaged over."""


def place_outcomes(
    of: Product, pattern: str, depth_m: float, criterion: Criterion, shift: FloatArray
) -> list[PlaceOutcome]:
    """Name the best depth of a pattern for three places of its crisis.

    Parameters
    ----------
    of : Product
        Values over depth with k draws.
    pattern : str
        Whose.
    depth_m : float
        Of the ball that may be measured [m].
    criterion : Criterion
        Of the pattern.
    shift : ndarray, shape (k,)
        Logarithm of the critical Reynolds number of each draw over the criterion's [-].

    Returns
    -------
    list of PlaceOutcome
        A standard deviation below the most probable one, there, and above; empty without a spread.
    """
    if not np.ptp(shift) > 0.0:
        return []
    found = []
    middle, spread = float(shift.mean()), float(shift.std())
    for at in _PLACES:
        wanted = middle + at * spread
        nearest = np.argsort(np.abs(shift - wanted))[: max(1, int(_NEAREST * shift.size))]
        value = of.value_draws_m[pattern][:, nearest].mean(axis=1)
        found.append(
            PlaceOutcome(
                pattern=pattern,
                depth_m=depth_m,
                reynolds=float(np.exp(criterion.log_critical(depth_m) + wanted)),
                best_depth_m=float(of.depth_m[pattern][int(value.argmax())]),
            )
        )
    return found
