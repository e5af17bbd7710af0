"""A coefficient model for every pattern of a study, and what is missing or does not fit."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.special import ndtri

from pipeline.aero.collect import finer_rows
from pipeline.aero.crisis_place import Criterion
from pipeline.aero.model import CoefficientModel
from pipeline.aero.moment import moments_to_fly
from pipeline.aero.surface import FEWEST_ABOVE
from pipeline.errors import InputError
from pipeline.records.decision import CoefficientFit, ModelFit, PlaceOfFit
from pipeline.records.flow import USABLE
from pipeline.records.record import finite
from pipeline.study.trade_units import breakable, millimetres

NEEDED = (
    "pattern", "depth_m", "reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se", "verdict",
    "run",
)  # fmt: skip
"""Columns of coefficients.csv that models are made of."""

FITS_WITHIN = 3.0
"""The model passes through a run that lies within so many of its stated errors."""

CHANCE = 0.05
"""Probability with which a model that fits is taken for one that does not (`largest_by_chance`)."""

CLAIM_TOO_SMALL = 1.5
"""Leave-one-out residuals this many times their claimed size are worth a note."""

_FEWEST_FOR_A_VERDICT = 8


def models_from_coefficients(
    frame: pd.DataFrame, criteria: Mapping[str, Criterion] | None = None
) -> tuple[dict[str, CoefficientModel], list[str]]:
    """Fit a model to the usable runs of every pattern.

    Parameters
    ----------
    frame : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    criteria : mapping, optional
        By pattern, where its drag crisis lies; patterns without one are taken for smooth throughout.

    Returns
    -------
    models : dict
        By pattern, in the order of the frame; patterns without a usable run are left out.
    notes : list of str
        What is missing or does not fit, a sentence each.

    Raises
    ------
    InputError
        A column is missing.
    """
    absent = [name for name in NEEDED if name not in frame]
    if absent:
        raise InputError(f'coefficients: column "{absent[0]}" is missing; {", ".join(NEEDED)} are needed')
    models, notes = {}, []
    frame = frame[~finer_rows(frame)]
    key = ["depth_m", "reynolds", "spin_ratio"]
    for pattern in map(str, frame["pattern"].unique()):
        rows = frame[frame["pattern"] == pattern]
        twice = (rows[key].notna().all(axis=1) & rows.duplicated(key, keep=False)).to_numpy(bool)
        if twice.any():
            row = rows[twice].iloc[0]
            notes.append(
                f"{pattern}: depth {breakable(millimetres(row['depth_m']))}, reynolds {row['reynolds']:g}, "
                f"spin_ratio {row['spin_ratio']:g}: has two rows; which one is right is not known, so "
                f"all such rows are left out ({int(twice.sum())} of {len(rows)}); keep one of each."
            )
            rows = rows[~twice]
        numbers = rows[[*key, "cd", "cl", "cd_se", "cl_se"]].to_numpy(float)
        usable = rows["verdict"].isin(USABLE).to_numpy(bool) & np.isfinite(numbers).all(axis=1)
        if not usable.any():
            notes.append(f"{pattern}: no run is usable, so that nothing can be said of this pattern.")
            continue
        if not usable.all():
            lost = rows[~usable].iloc[0]
            notes.append(
                f"{pattern}: {int((~usable).sum())} of {len(rows)} runs are not usable ({lost['run']}: "
                f"{lost['verdict']}); the others bridge the gap, with wider intervals there."
            )
        kept = rows[usable]
        if moment_note := moments_to_fly(kept)[1]:
            notes.append(moment_note)
        criterion = None if criteria is None else criteria.get(pattern)
        model = CoefficientModel(pattern, kept, criterion)
        if criterion is not None and model.criterion is None:
            notes.append(
                f"{pattern}: fewer than {FEWEST_ABOVE} runs lie above the drag crisis, so that it cannot be "
                "distinguished from the rest; compute higher Reynolds numbers."
            )
        models[pattern] = model
        notes += notes_on(model)
    with_moment = [name for name, model in models.items() if "cm" in model.names]
    if with_moment and len(with_moment) < len(models):
        notes.append(
            f"{', '.join(with_moment)}: the spin decays by the computed moment, that of the other patterns "
            "at the published rate; that alone can be 2 m of carry between them."
        )
    return models, notes


def fit_of(model: CoefficientModel) -> ModelFit:
    """How a model was fitted: places of the crisis, hyper-parameters, and how it meets the runs."""
    left_out, met = model.leave_one_out(), model.at_runs()
    of_coefficient = {
        name: _coefficient_fit(
            model, name, left_out[left_out["coefficient"] == name], met[met["coefficient"] == name]
        )
        for name in model.names
    }
    fit = ModelFit(
        pattern=model.pattern,
        runs=len(model.runs),
        inside_crisis=int(model.surfaces[0].surface.inside.sum()),
        cd=of_coefficient["cd"],
        cl=of_coefficient["cl"],
    )
    # Keys of what a model does not have stay out of the file.
    if "cm" in of_coefficient:
        fit = fit.model_copy(update={"cm": of_coefficient["cm"]})
    if model.criterion is None:
        return fit
    places = [
        PlaceOfFit(weight=of.weight, shift=of.surface.place.shift, width=of.surface.place.width)
        for of in model.surfaces
    ]
    return fit.model_copy(update={"places": places})


def _coefficient_fit(
    model: CoefficientModel, name: str, left_out: pd.DataFrame, at: pd.DataFrame
) -> CoefficientFit:
    worst = left_out.iloc[int(np.abs(left_out["ratio"].to_numpy(float)).argmax())]
    smooth = left_out[~left_out["inside"]]
    process = model.surfaces[0].surface.smooth[name]
    fit = CoefficientFit(
        hyperparameters=process.hyperparameters,
        converged=process.converged,
        leave_one_out_ratio=finite(np.sqrt(np.mean(smooth["ratio"] ** 2))),
        worst_run=str(worst["run"]),
        worst_ratio=finite(worst["ratio"]),
    )
    if not len(at):
        return fit
    furthest = at.iloc[int(np.abs(at["ratio"].to_numpy(float)).argmax())]
    return fit.model_copy(
        update={"furthest_run": str(furthest["run"]), "furthest_ratio": float(furthest["ratio"])}
    )


def largest_by_chance(n: int) -> float:
    """Distance, in stated errors, that the farthest of n runs exceeds with the probability `CHANCE`.

    For Gaussian errors, by Bonferroni's bound; at least `FITS_WITHIN`. Of 160 values (80 runs) one lies
    beyond three stated errors in a third of all models that fit.
    """
    return max(FITS_WITHIN, -float(ndtri(CHANCE / (2.0 * max(n, 1)))))


def misfit(model: CoefficientModel, by_chance: bool = False) -> str | None:
    """Why the model does not fit its runs, a sentence; None when it passes through all of them.

    Parameters
    ----------
    model : CoefficientModel
        The model.
    by_chance : bool
        Whether the farthest run may lie as far off as the farthest of so many does by chance.
    """
    met = model.at_runs()
    within = largest_by_chance(len(met)) if by_chance else FITS_WITHIN
    off = met[np.abs(met["ratio"].to_numpy(float)) >= within]
    if off.empty:
        return None
    worst = off.iloc[int(np.abs(off["ratio"].to_numpy(float)).argmax())]
    others = "" if len(off) == 1 else f", and {len(off) - 1} more values do so by less"
    return (
        f"{model.pattern}: the model does not pass through its runs: {worst['coefficient'].capitalize()} of "
        f"{worst['run']} is {worst['value']:.4f} where the model has {worst['model']:.4f}, "
        f"{abs(worst['ratio']):.1f} of its stated errors away{others}."
    )


def notes_on(model: CoefficientModel) -> list[str]:
    """Sentences on runs that do not fit their claimed errors."""
    found = []
    off = misfit(model)
    if off is not None:
        found.append(off)
    if len(model.runs) < _FEWEST_FOR_A_VERDICT:
        return found
    for name, fit in fit_of(model).coefficients.items():
        ratio = fit.leave_one_out_ratio
        if ratio is not None and ratio > CLAIM_TOO_SMALL:
            found.append(
                f"{model.pattern}: {name.capitalize()} of runs left out differs from its prediction by "
                f"{ratio:.1f} times the claimed size, {fit.worst_run} most; its intervals "
                "are too narrow."
            )
        if not fit.converged:
            found.append(
                f"{model.pattern}: the fit of {name.capitalize()} did not converge; its intervals are "
                "doubtful."
            )
    return found
