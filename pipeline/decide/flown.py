"""All flights of a study: every golfer with every pattern, depth and draw, and their values."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.aero.correction import Correction
from pipeline.aero.discrepancy import Discrepancy
from pipeline.aero.model import CoefficientModel
from pipeline.decide.flights.models import models_of
from pipeline.decide.flights.population import DRAWS, PatternFlights
from pipeline.decide.flights.station import fly_golfer
from pipeline.decide.product import Product, product
from pipeline.decide.value import DepthValues, depth_values
from pipeline.flow.campaign.unresolved import ranked_as
from pipeline.records.decision import Unresolved
from pipeline.study.model import Golfer, Study
from pipeline.study.trade_units import breakable, millimetres, share

EXTRAPOLATION_WORTH_A_NOTE = 0.01


class Flown(NamedTuple):
    """All flights of a study.

    Parameters
    ----------
    models : dict
        By pattern.
    every : dict
        By golfer and then pattern.
    flights : dict
        The same, depths that do not come down left out.
    valued : dict
        By (golfer, pattern).
    placed : dict
        The same with the drag crisis where it is most probable, for the patterns that have one.
    notes : list of str
        What was left out or does not fit.
    unresolved : sequence of Unresolved
        Pairs of patterns that the mesh does not resolve.
    computed : dict
        By pattern, the coefficients without a correction by measured balls.
    fitted, refined : dict
        By pattern, the coefficients as fitted to the runs, and corrected by those on a finer mesh.
    finer : Discrepancy or None
        What runs on a finer mesh say, if anything.
    correction : Correction or None
        What measured balls say; None for a study that names none.
    """

    models: dict[str, CoefficientModel]
    every: dict[str, dict[str, PatternFlights]]
    flights: dict[str, dict[str, PatternFlights]]
    valued: dict[tuple[str, str], DepthValues]
    placed: dict[tuple[str, str], DepthValues]
    notes: list[str]
    unresolved: Sequence[Unresolved]
    computed: dict[str, CoefficientModel]
    fitted: dict[str, CoefficientModel]
    refined: dict[str, CoefficientModel]
    finer: Discrepancy | None
    correction: Correction | None

    @property
    def ranked_as(self) -> dict[str, str]:
        """Pattern that stands for each pattern with usable runs in every ranking."""
        for_all = [name for name in self.models if all(name in of for of in self.flights.values())]
        return ranked_as([*for_all, *(set(self.models) - set(for_all))], self.unresolved)

    @property
    def ranked(self) -> list[str]:
        """Patterns that are ranked: those that stand for themselves."""
        return [pattern for pattern, stands in self.ranked_as.items() if pattern == stands]


def fly_everything(study: Study, coefficients: pd.DataFrame, unresolved: Sequence[Unresolved] = ()) -> Flown:
    """Fit the coefficients and fly every golfer with every pattern, depth and draw.

    Parameters
    ----------
    study : Study
        Patterns, golfers, ball and air.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    unresolved : sequence of Unresolved
        Pairs of patterns that the mesh does not resolve (`unresolved_patterns`). Of those the first in the
        study's order is ranked, and stands for the others.

    Returns
    -------
    Flown
        Flights, and their values. Draws in which some ball does not come down are left out for all.
    """
    models, computed, fitted, fine, finer, correction, notes = models_of(study, coefficients)
    known = set(coefficients["pattern"])
    notes += [f"{pattern.name}: has no runs." for pattern in study.patterns if pattern.name not in known]
    every: dict[str, dict[str, PatternFlights]] = {}
    flights: dict[str, dict[str, PatternFlights]] = {}
    for golfer in study.golfers:
        every[golfer.name] = fly_golfer(study, golfer, models)
        flights[golfer.name] = {
            pattern: landed
            for pattern, flown in every[golfer.name].items()
            if (landed := _landed(flown, pattern, golfer, notes))
        }
        notes += _warnings(golfer, flights[golfer.name])
    valued = _valued(study, flights)
    spread = {name: model for name, model in models.items() if model.spread > 0.0}
    placed = {}
    if spread:
        sure = {name: model.placed() for name, model in models.items()}
        again: dict[str, dict[str, PatternFlights]] = {}
        for golfer in study.golfers:
            of_golfer = fly_golfer(study, golfer, sure)
            again[golfer.name] = {
                pattern: flown.at(np.isfinite(flown.mean.carry_m))
                for pattern, flown in of_golfer.items()
                if pattern in flights[golfer.name]
            }
        placed = _valued(study, again)
    return Flown(
        models, every, flights, valued, placed, notes, unresolved, computed, fitted, fine, finer, correction
    )


def _valued(
    study: Study, flights: dict[str, dict[str, PatternFlights]]
) -> dict[tuple[str, str], DepthValues]:
    """Values for every golfer and pattern, without the draws in which some ball does not come down."""
    finite = np.ones(DRAWS, bool)
    for of_golfer in flights.values():
        for flown in of_golfer.values():
            finite &= np.isfinite(flown.carry_draws_m).all(axis=0)
    return {
        (golfer.name, pattern): depth_values(flown, golfer.flight_window, finite, golfer.aim)
        for golfer in study.golfers
        for pattern, flown in flights[golfer.name].items()
    }


def product_of(study: Study, flown: Flown, placed: bool = False) -> tuple[Product | None, list[str]]:
    """One product for the golfers with a weight; None when no pattern flies for all of them.

    Parameters
    ----------
    study : Study
        Golfers and patterns.
    flown : Flown
        From `fly_everything`.
    placed : bool
        Whether the drag crisis lies where it is most probable in all draws.

    Returns
    -------
    product : Product or None
        Ranked patterns that all of them can be flown with over the same depths.
    golfers : list of str
        Who counts.
    """
    weights = {golfer.name: golfer.weight for golfer in study.golfers if golfer.weight > 0}
    valued = flown.placed if placed else flown.valued
    if not weights:
        return None, []
    shared: dict[tuple[str, str], DepthValues] = {}
    for pattern in flown.ranked:
        of_pattern = [valued.get((golfer, pattern)) for golfer in weights]
        grids = [of.depth_m for of in of_pattern if of is not None]
        if len(grids) == len(of_pattern) and all(np.array_equal(grids[0], grid) for grid in grids):
            shared |= {(golfer, pattern): valued[golfer, pattern] for golfer in weights}
    return (product(shared, weights) if shared else None), list(weights)


def _landed(flown: PatternFlights, pattern: str, golfer: Golfer, notes: list[str]) -> PatternFlights | None:
    """Leave out depths whose ball does not come down; None when none is left."""
    keep = np.isfinite(flown.mean.carry_m)
    if keep.all():
        return flown
    for depth in flown.depth_m[~keep]:
        notes.append(
            breakable(
                f"{pattern}, depth {millimetres(depth)}: the ball of {golfer.name} does not come down with "
                "these coefficients; this depth is left out."
            )
        )
    return flown.at(keep) if keep.any() else None


def _warnings(golfer: Golfer, flown: dict[str, PatternFlights]) -> list[str]:
    found = []
    for pattern, f in flown.items():
        outside = float(f.mean.extrapolated.max())
        if outside >= EXTRAPOLATION_WORTH_A_NOTE:
            found.append(
                breakable(
                    f"{pattern}: the shots of {golfer.name} spend up to {share(outside, 0)} of their time at "
                    "Reynolds numbers or spin ratios that were not computed; the nearest computed values are "
                    "used there."
                )
            )
        lost = int((~np.isfinite(f.carry_draws_m)).any(axis=0).sum())
        if lost:
            found.append(
                f"{pattern}: {lost} of {f.carry_draws_m.shape[1]} draws for {golfer.name} are left out, "
                "since the ball does not come down in them; the standard errors of its runs are too large."
            )
    return found
