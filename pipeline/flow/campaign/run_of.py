"""The run of a study that a folder belongs to: its target standard errors and which samples it averages."""

from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError
from pipeline.flow.forces.plausible import Bounds, plausible_bounds
from pipeline.records.flow import RunInputs, RunResult
from pipeline.records.record import read
from pipeline.records.tree import RESULT, SPEC

DEEPEST = 4
"""Folders that lie between a run's and that of its deepest histories: case/postProcessing/forces/TIME."""


@dataclass(frozen=True)
class RunOf:
    """How a run judges its history.

    Attributes
    ----------
    folder : Path
        Of the run.
    targets : dict of float
        Target standard errors of cd and cl.
    bounds : dict of tuple
        Plausible means.
    samples : int or None
        Rows of its whole history, None while it has no result.
    judged : int or None
        How many of them, from the first, were judged and averaged; None where that is not known.
    """

    folder: Path
    targets: dict[str, float]
    bounds: Bounds
    samples: int | None
    judged: int | None

    def first(self, rows: int) -> int:
        """How many of the first rows of a history count: those judged where it is the result's, else all."""
        return self.judged if self.judged is not None and rows == self.samples else rows


def run_of(folder: Path) -> RunOf | None:
    """Find the run that a folder is part of: the run's own, its case, or one below; None for other cases."""
    folder = Path(folder).absolute()
    for candidate in (folder, *folder.parents[:DEEPEST]):
        try:
            spec = read(candidate / SPEC, RunInputs)
            bounds = plausible_bounds(spec.reynolds, spec.spin_ratio)
        except (InputError, ZeroDivisionError):
            continue  # absent or broken: it is then as any case's folder
        targets = {"cd": spec.standard_error.cd, "cl": spec.standard_error.cl}
        try:
            result = read(candidate / RESULT, RunResult)
        except InputError:
            return RunOf(candidate, targets, bounds, None, None)
        return RunOf(candidate, targets, bounds, result.iterations or None, result.judged_samples or None)
    return None
