"""Runs of a study that need no solver: finished ones, and those whose result is in the store for reuse."""

import json
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.provenance import code_fingerprint
from pipeline.flow.campaign.reuse import Entry, entries
from pipeline.records import tree
from pipeline.records.flow import RETRIED, Provenance, RunInputs, RunResult
from pipeline.records.record import read, read_object
from pipeline.records.tree import RESULT, SPEC
from pipeline.study.matrix import runs
from pipeline.study.model import Study

FINISHED, REUSED = "finished", "reused"

GEOMETRY_NAMES = ("pattern", "file")
"""Entries of the specs of a layout and of a variant that only name things."""


def at_hand(study: Study, results: Path, solver: str | None) -> dict[str, str]:
    """Find the runs of a study that will not be computed, without writing anything.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, which need not exist.
    solver : str or None
        Name and version of the solver; nothing is reused without one.

    Returns
    -------
    dict of str
        By run: "finished", its result is there and up to date, or "reused", a run with the same inputs is in
        the store. Meshes are compared by the specs that they are made from, since that of a new study is not
        there yet: good for a price, while reuse itself compares the meshes.
    """
    results = Path(results).resolve()
    stored = _index(results.parent, solver) if solver else {}
    if not stored and not results.is_dir():
        return {}
    specs: dict[Path, dict[str, object]] = {}
    prepare(study, results, specs.__setitem__)
    found, keys = dict[str, str](), dict[str, str | None]()
    for run in runs(study):
        spec = RunInputs.model_validate(specs[results / run.run_id / SPEC])
        variant = results / spec.geometry
        geometry = [variant.parent / tree.LAYOUT_SPEC, variant / tree.SPEC]
        if result := _finished(results / run.run_id, spec, {path: specs[path] for path in geometry}):
            found[run.run_id] = FINISHED
            keys[run.run_id] = result.key if result.cd is not None else None
            continue
        origin = spec.starts_from
        if origin is not None and origin not in keys:
            continue  # it starts from a run that is computed first
        identity = _identity(
            spec.numbers(), [specs[path] for path in geometry], keys[origin] if origin else None
        )
        entry = stored.get(identity)
        if entry is None or not entry.has_what(results.parent, study.flow.keep):
            continue
        if study.flow.keep == "all" and results.parent / entry.folder != results / run.run_id:
            continue
        found[run.run_id], keys[run.run_id] = REUSED, entry.result.key
    return found


def _finished(folder: Path, spec: RunInputs, geometry: dict[Path, dict[str, object]]) -> RunResult | None:
    """Result of a run that is there and was made of these specs; None otherwise."""
    path = folder / RESULT
    try:
        asked = {folder / SPEC: spec.content()} | geometry
        if any(read_object(name) != wanted for name, wanted in asked.items()):
            return None
        result = read(path, RunResult)
        late = path.stat().st_mtime < (folder / SPEC).stat().st_mtime
        return None if late or result.verdict in RETRIED else result
    except (InputError, OSError):
        return None


def _index(root: Path, solver: str) -> dict[str, Entry]:
    """Entries of the store that this solver and our present code would find, by `_identity`."""
    found = {}
    geometries: dict[Path, dict[str, object]] = {}
    for entry in entries(root):
        try:
            inputs = (entry.result.provenance or Provenance()).inputs
            if inputs.spec is None or (inputs.solver, inputs.code) != (solver, code_fingerprint()):
                continue
            results = root / Path(entry.folder).parts[0]
            variant = results / read(root / entry.folder / SPEC, RunInputs).geometry
            paths = [variant.parent / tree.LAYOUT_SPEC, variant / tree.SPEC]
            for path in paths:
                if path not in geometries:
                    geometries[path] = read_object(path)
            geometry = [geometries[path] for path in paths]
            found[_identity(inputs.spec, geometry, inputs.starts_from_key)] = entry
        except (InputError, OSError, IndexError):
            continue
    return found


def _identity(
    flow: Mapping[str, object] | None, geometry: list[dict[str, object]], origin: str | None
) -> str:
    """One text for what a run's numbers depend on, whatever things are named."""
    made_of = [{name: v for name, v in each.items() if name not in GEOMETRY_NAMES} for each in geometry]
    return json.dumps([flow, made_of, origin], sort_keys=True)
