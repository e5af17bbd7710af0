"""Runs of a study that need no solver: finished ones, and those whose result reuse will find."""

import json
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files import records
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.provenance import NAMES, code_fingerprint
from pipeline.flow.campaign.reuse import Entry, entries
from pipeline.flow.campaign.run import RESULT, RETRIED
from pipeline.flow.solver.start import SPEC
from pipeline.geometry import build
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
    specs: dict[Path, Any] = {}
    prepare(study, results, specs.__setitem__)
    found, keys = dict[str, str](), dict[str, str | None]()
    for run in runs(study):
        spec = specs[results / run.run_id / SPEC]
        variant = results / spec["geometry"]
        geometry = [variant.parent / build.LAYOUT_SPEC, variant / build.SPEC]
        if result := _finished(results / run.run_id, spec, {path: specs[path] for path in geometry}):
            found[run.run_id] = FINISHED
            keys[run.run_id] = result.get("key") if result.get("cd") is not None else None
            continue
        origin = spec["starts_from"]
        if origin is not None and origin not in keys:
            continue  # it starts from a run that is computed first
        identity = _identity(spec, [specs[path] for path in geometry], keys[origin] if origin else None)
        entry = stored.get(identity)
        if entry is None or not entry.has_what(results.parent, study.flow.keep):
            continue
        if study.flow.keep == "all" and results.parent / entry.folder != results / run.run_id:
            continue
        found[run.run_id], keys[run.run_id] = REUSED, entry.result["key"]
    return found


def _finished(folder: Path, spec: Any, geometry: dict[Path, Any]) -> dict[str, Any] | None:
    """Result of a run that is there and was made of these specs; None otherwise."""
    path = folder / RESULT
    try:
        asked = {folder / SPEC: spec} | geometry
        if any(records.read(name, records.ANY) != wanted for name, wanted in asked.items()):
            return None
        result = records.read(path, records.RUN)
        late = path.stat().st_mtime < (folder / SPEC).stat().st_mtime
        return None if late or result["verdict"] in RETRIED else result
    except (InputError, OSError, KeyError, TypeError):
        return None


def _index(root: Path, solver: str) -> dict[str, Entry]:
    """Entries of the store that this solver and our present code would find, by `_identity`."""
    found = {}
    geometries: dict[Path, Any] = {}
    for entry in entries(root):
        try:
            inputs = entry.result["provenance"]["inputs"]
            if (inputs["solver"], inputs["code"]) != (solver, code_fingerprint()):
                continue
            results = root / Path(entry.folder).parts[0]
            variant = results / records.read(root / entry.folder / SPEC, records.RUN_SPEC)["geometry"]
            paths = [variant.parent / build.LAYOUT_SPEC, variant / build.SPEC]
            for path in paths:
                if path not in geometries:
                    geometries[path] = records.read(path, records.ANY)
            geometry = [geometries[path] for path in paths]
            found[_identity(inputs["spec"], geometry, inputs["starts_from_key"])] = entry
        except (InputError, OSError, KeyError, TypeError, IndexError, AttributeError):
            continue
    return found


def _identity(spec: dict[str, Any], geometry: list[dict[str, Any]], origin: str | None) -> str:
    """One text for what a run's numbers depend on, whatever things are named."""
    flow = {name: value for name, value in spec.items() if name not in NAMES}
    made_of = [{name: v for name, v in each.items() if name not in GEOMETRY_NAMES} for each in geometry]
    return json.dumps([flow, made_of, origin], sort_keys=True)
