"""Folder of the validation's flows: which are due, which are there, each computed once."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import Broken
from pipeline.files.atomic import set_aside, write_json, write_json_if_changed
from pipeline.geometry.shell.files import write_shell
from pipeline.records.flow import FAILED, RETRIED, FlowMeasures, RunResult
from pipeline.records.record import read
from pipeline.records.tree import HISTORY, MEASURES, QUALITY, RESULT, SPEC, TOTALS
from pipeline.validation.flows import Flow

_log = logging.getLogger(__name__)


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

    def history(self) -> dict[str, FloatArray]:
        """Columns of its history, each of shape (n,): iteration (or time), cd, cl, cs, cm."""
        table = np.genfromtxt(self.folder / HISTORY, delimiter=",", names=True, ndmin=1)
        return {name: table[name] for name in table.dtype.names or ()}


class Bench:
    """Finds which flows are due in a results folder of its own; what is there with the same spec is reused.

    A mesh is made once; a change of the code that makes it is not noticed, that of a template is.

    Parameters
    ----------
    results : Path
        Its folder.
    execute : callable
        Computes flows whose meshes and spec files are there, each after the one that it starts from
        (`pipeline.validation.workflow.compute_flows`).
    run_study : callable
        Computes a study file, or what is left of it, and gives its results folder.
    """

    def __init__(
        self, results: Path, execute: Callable[[list[Flow]], None], run_study: Callable[[Path], Path]
    ) -> None:
        self.results = Path(results)
        self.run_study = run_study
        self.failures: dict[str, str] = {}
        """Verdict and reason of the runs that gave no numbers, by run."""
        self._execute = execute

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
        DepthlineError
            If the workflow did not end well; the same call goes on from the states on disk.
        """
        wanted = list(dict.fromkeys(flows))
        due = self._due(wanted)
        for flow in due:
            self._prepare(flow)
        if due:
            self._execute(due)
        found: dict[Flow, Outcome] = {}
        for flow in wanted:
            result = read(self.results / flow.run_id / RESULT, RunResult)
            if result.verdict in FAILED:
                self.failures[flow.run_id] = f"{result.verdict}: {result.reason}"
            else:
                found[flow] = _outcome(self.results, flow, result)
        return found

    def _due(self, flows: list[Flow]) -> list[Flow]:
        """Flows that must be computed, and what those start from, each after its start."""
        known: dict[str, Flow] = {}
        due: list[Flow] = []

        def add(flow: Flow) -> None:
            if known.setdefault(flow.run_id, flow) != flow:
                raise ValueError(f"{flow.run_id}: two different flows; give one a label")
            if flow in due or _finished(self.results, flow):
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
        spec = self.results / flow.run_id / SPEC
        write_json_if_changed(spec, flow.spec().content())
        spec.touch()  # what is due is out of date for the workflow, whatever is there


def computed(results: Path, flows: Iterable[Flow]) -> dict[Flow, Outcome]:
    """Those of the flows that have been computed and gave numbers, for pictures."""
    found = {}
    for flow in flows:
        if not _finished(results, flow):
            continue
        result = read(results / flow.run_id / RESULT, RunResult)
        if result.verdict not in FAILED:
            found[flow] = _outcome(results, flow, result)
    return found


def _finished(results: Path, flow: Flow) -> bool:
    folder = results / flow.run_id
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


def _outcome(results: Path, flow: Flow, result: RunResult) -> Outcome:
    folder = results / flow.run_id
    return Outcome(flow, folder, result, read(folder / MEASURES, FlowMeasures).measures)
