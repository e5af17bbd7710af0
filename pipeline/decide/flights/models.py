"""Coefficient models that a study is flown with: fitted to its runs, and corrected."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.aero.corrected import CorrectedModel
from pipeline.aero.correction import Carry, Correction, correct, measured_criteria
from pipeline.aero.crisis_place import Criterion, criteria
from pipeline.aero.discrepancy import Discrepancy
from pipeline.aero.finer_mesh import FEWEST, refined
from pipeline.aero.model import CoefficientModel
from pipeline.aero.moving_dimples import moving_dimples
from pipeline.aero.patterns import models_from_coefficients
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.arrays import FloatArray
from pipeline.decide.flights.conditions import scenarios_of
from pipeline.decide.flights.golfer import as_flown
from pipeline.flight.trajectory import fly
from pipeline.flow.solver.fidelity import fidelity
from pipeline.shelf.ball import ShelfBall
from pipeline.shelf.folder import read_shelf
from pipeline.study.model import Study


class Models(NamedTuple):
    """Models to fly with.

    Parameters
    ----------
    models : dict
        By pattern, corrected where measured balls say that this helps.
    computed : dict
        By pattern, with what dimples that stand still lack (`moved`).
    fitted : dict
        By pattern, as fitted to the runs.
    refined : dict
        The same, corrected by the study's runs on a finer mesh where there are enough of them.
    finer : Discrepancy or None
        What those say; None where there are none, or too few.
    correction : Correction or None
        None for a study that names no measured balls.
    notes : list of str
        What is missing or does not fit, a sentence each.
    """

    models: dict[str, CoefficientModel]
    computed: dict[str, CoefficientModel]
    fitted: dict[str, CoefficientModel]
    refined: dict[str, CoefficientModel]
    finer: Discrepancy | None
    correction: Correction | None
    notes: list[str]


def models_of(study: Study, coefficients: pd.DataFrame) -> Models:
    """Fit the coefficients of a study's runs; correct them: finer runs, moving dimples, measured balls.

    Parameters
    ----------
    study : Study
        Patterns, golfers, air, shelf.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    Models
        Models.

    Raises
    ------
    InputError
        The coefficients lack a column, or a ball of the shelf is missing or wrong.
    """
    balls = measured_balls(study)
    fitted, notes = models_from_coefficients(coefficients, criteria_of(study, balls))
    fine, finer = refined(coefficients, fitted)
    if study.flow.finer is not None and finer is None:
        notes.append(
            f"Fewer than {FEWEST} runs on the {study.flow.finer.level} mesh can be compared with those on "
            f"the {study.flow.level} mesh: nothing is corrected by them."
        )
    computed = moved(study, fine)
    if not balls:
        return Models(computed, computed, fitted, fine, finer, None, notes)
    correction = correct(computed, balls, carry_of(study))
    notes += [f"Measured ball left out: {line}" for line in correction.left_out]
    return Models(correction.models(computed), computed, fitted, fine, finer, correction, notes)


def moved(study: Study, fitted: dict[str, CoefficientModel]) -> dict[str, CoefficientModel]:
    """Correct coefficients of flows whose dimples stand still by what moving ones add; others as they are."""
    if not fidelity(study.flow.fidelity).still_dimples or study.flow.boundary_layer == "laminar":
        return fitted
    discrepancy = moving_dimples(list(fitted))
    return {name: CorrectedModel(model, discrepancy, measured=False) for name, model in fitted.items()}


def measured_balls(study: Study) -> list[ShelfBall]:
    """Measured balls that a study names."""
    return read_shelf(study.shelf, study.measured) if study.shelf is not None and study.measured else []


def criteria_of(study: Study, balls: list[ShelfBall]) -> dict[str, Criterion]:
    """Where the crisis of each pattern lies, by measured critical Reynolds numbers where there are some."""
    stated = [pattern.name for pattern in study.patterns if pattern.critical_reynolds is not None]
    return measured_criteria(criteria(study), balls, stated)


def carry_of(study: Study) -> Carry:
    """Mean carry of the golfers' mean shots, by their weights, in the study's air."""
    golfers = [golfer for golfer in study.golfers if golfer.weight > 0] or study.golfers
    weights = [golfer.weight or 1.0 for golfer in golfers]
    scenarios = scenarios_of(study)

    def carry(tables: list[CoefficientTable]) -> FloatArray:
        batch, every = TableBatch.of(tables), np.arange(len(tables))
        flown = [
            np.average(
                [fly(batch, every, as_flown(golfer).mean_shot, of.conditions).carry_m for of in scenarios],
                axis=0,
                weights=[of.weight for of in scenarios],
            )
            for golfer in golfers
        ]
        return np.asarray(np.average(flown, axis=0, weights=weights))

    return carry  # type: ignore[return-value]  # a list is a sequence
