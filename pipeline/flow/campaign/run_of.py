"""The run of a study that a folder belongs to: its target standard errors and which samples it averages."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files import records
from pipeline.flow.campaign.run import RESULT
from pipeline.flow.forces.plausible import Bounds, plausible_bounds
from pipeline.flow.solver.start import SPEC

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
        spec = _read(candidate / SPEC)
        try:
            targets = {name: float(spec["standard_error"][name]) for name in ("cd", "cl")}
            bounds = plausible_bounds(float(spec["reynolds"]), float(spec["spin_ratio"]))
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            continue
        result = _read(candidate / RESULT)
        samples, judged = (result.get(name) for name in ("iterations", "judged_samples"))
        return RunOf(candidate, targets, bounds, _count(samples), _count(judged))
    return None


def _count(value: Any) -> int | None:
    return value if isinstance(value, int) and value > 0 else None


def _read(path: Path) -> dict[str, Any]:
    """Content of a JSON file; nothing where it is absent or spoilt: it is then as any case's folder."""
    try:
        return records.read(path, records.ANY)
    except InputError:
        return {}
