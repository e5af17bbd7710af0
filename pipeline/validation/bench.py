"""A folder in which flows around balls are computed for verification, each once."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Broken
from pipeline.files.atomic import set_aside, write_json, write_json_if_changed
from pipeline.geometry.shell.files import write_shell
from pipeline.records.flow import FAILED, RETRIED, FlowMeasures, RunResult
from pipeline.records.record import read
from pipeline.records.tree import HISTORY, MEASURES, QUALITY, RESULT, SPEC, TOTALS
from pipeline.validation.flows import Flow
from pipeline.validation.work import Progress, Work

_log = logging.getLogger(__name__)

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outcome:
    """A computed flow.

    Attributes
    ----------
    flow : Flow
        What was computed.
    folder : Path
        Where.
    result : RunResult
        Its run.json.
    measures : dict
        What was measured in its final state (see `pipeline.validation.wake.wake_measures`).
    """

    flow: Flow
    folder: Path
    result: RunResult
    measures: dict[str, float | None]

    def history(self) -> dict[str, Floats]:
        """Columns of its history, each of shape (n,): iteration (or time), cd, cl, cs, cm."""
        table = np.genfromtxt(self.folder / HISTORY, delimiter=",", names=True, ndmin=1)
        return {name: table[name] for name in table.dtype.names or ()}


class Bench:
    """Computes flows in a results folder of its own; what is there with the same spec is reused.

    A mesh is made once; a change of the code that makes it is not noticed, that of a template is.

    Parameters
    ----------
    results : Path
        Its folder.
    cores : int
        Cores to fill: with runs side by side, and where there are fewer of them, with MPI ranks of each.
    on_progress : callable, optional
        Called about once a second while flows are computed.
    """

    def __init__(
        self, results: Path, cores: int = 1, on_progress: Callable[[Progress], None] | None = None
    ) -> None:
        self.results = Path(results)
        self.failures: dict[str, str] = {}
        """Verdict and reason of the runs that gave no numbers, by run."""
        self._cores = max(1, cores)
        self._on_progress = on_progress

    def compute(self, flows: Iterable[Flow]) -> dict[Flow, Outcome]:
        """Compute flows, and what those that are not there yet start from.

        Parameters
        ----------
        flows : iterable of Flow
            What is wanted.

        Returns
        -------
        dict of Outcome
            By flow, those that gave numbers; the others are noted in `failures`.

        Raises
        ------
        ValueError
            If two different flows have the same folder; give them labels.
        Interrupted
            If SIGTERM or SIGINT came; the same call goes on from the states on disk.
        MissingError
            If there is no solver.
        """
        wanted = list(dict.fromkeys(flows))
        due = self._due(wanted)
        for flow in due:
            self._prepare(flow)
        if due:
            work = Work(self.results, due, self._on_progress)
            abreast = min(self._cores, _abreast(due))
            if abreast == 1:
                work.one_by_one(self._cores)
            else:
                work.side_by_side(abreast, self._cores // abreast)
        return {flow: outcome for flow in wanted if (outcome := self._outcome(flow)) is not None}

    def computed(self, flows: Iterable[Flow]) -> dict[Flow, Outcome]:
        """Those of the flows that have been computed and gave numbers; nothing is computed."""
        there = [flow for flow in flows if self._finished(flow)]
        return {flow: outcome for flow in there if (outcome := self._outcome(flow)) is not None}

    def _due(self, flows: list[Flow]) -> list[Flow]:
        """Flows that must be computed, and what those start from, each after its start."""
        known: dict[str, Flow] = {}
        due: list[Flow] = []

        def add(flow: Flow) -> None:
            if known.setdefault(flow.run_id, flow) != flow:
                raise ValueError(f"{flow.run_id}: two different flows; give one a label")
            if flow in due or self._finished(flow):
                return
            if flow.starts_from is not None:
                add(flow.starts_from)
            due.append(flow)

        for flow in flows:
            add(flow)
        return due

    def _prepare(self, flow: Flow) -> None:
        folder = self.results / flow.mesh.folder
        if not (folder / QUALITY).is_file():
            write_json(folder / TOTALS, flow.mesh.totals.content())
            write_shell(folder, flow.mesh.ball.shell(flow.mesh))
        write_json_if_changed(self.results / flow.run_id / SPEC, flow.spec().content())

    def _finished(self, flow: Flow) -> bool:
        folder = self.results / flow.run_id
        if not (folder / MEASURES).is_file() or not (folder / RESULT).is_file():
            return False
        for name, kind in ((MEASURES, FlowMeasures), (RESULT, RunResult)):
            try:
                read(folder / name, kind)
            except Broken as error:
                aside = set_aside(folder / name)
                words = "%s: was broken (%s): set aside as %s, computed again"
                _log.warning(words, error.path, error.what, aside.name)
                return False
        same = read(folder / MEASURES, FlowMeasures).spec == flow.spec()
        return same and read(folder / RESULT, RunResult).verdict not in RETRIED

    def _outcome(self, flow: Flow) -> Outcome | None:
        folder = self.results / flow.run_id
        result = read(folder / RESULT, RunResult)
        if result.verdict in FAILED:
            self.failures[flow.run_id] = f"{result.verdict}: {result.reason}"
            return None
        return Outcome(flow, folder, result, read(folder / MEASURES, FlowMeasures).measures)


def _abreast(due: list[Flow]) -> int:
    """How many of the flows can be computed at once: one for each chain of starts."""
    return len(due) - len({flow.starts_from for flow in due if flow.starts_from in due})
