"""Best depth for critical Reynolds numbers that may be measured: what the place of the crisis decides."""

import math

import numpy as np

from pipeline.aero.crisis_place import Criterion
from pipeline.decide.flights.population import PLACES
from pipeline.decide.optimum import best_on_grid
from pipeline.decide.product import Product
from pipeline.records.decision import PlaceOutcome

_NAMED = (-1.0, 0.0, 1.0)
"""Standard deviations of the place at which the best depth is named; all are among `PLACES`."""


def place_outcomes(of: Product, pattern: str, depth_m: float, criterion: Criterion) -> list[PlaceOutcome]:
    """Name the best depth of a pattern for three places of its crisis.

    Parameters
    ----------
    of : Product
        Values over depth at each place.
    pattern : str
        Whose.
    depth_m : float
        Of the ball that may be measured [m].
    criterion : Criterion
        Of the pattern.

    Returns
    -------
    list of PlaceOutcome
        A standard deviation below the most probable one, there, and above; empty without a spread.
    """
    if not criterion.spread > 0.0:
        return []
    found = []
    middle = float(criterion.log_critical(depth_m)) + math.log(criterion.factor)
    for deviations in _NAMED:
        value = of.value_at_places_m[pattern][:, int(np.argmin(np.abs(PLACES - deviations)))]
        found.append(
            PlaceOutcome(
                pattern=pattern,
                depth_m=depth_m,
                reynolds=math.exp(middle + deviations * criterion.log_spread),
                best_depth_m=float(best_on_grid(of.depth_m[pattern], value[:, None]).depth_m[0]),
            )
        )
    return found
