"""Results by key, shared between the studies of a results folder: the same inputs are not computed twice.

Below the folder that holds all studies, `.reuse/` has one small file a finished run, with its result, where
its folder is, and a link to its history. It may be removed at any time: results stay, only nothing is found
again.
"""

import json
import os
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files import read_json, write_json
from pipeline.flow.kept import drop_states
from pipeline.flow.provenance import inputs, key_of
from pipeline.flow.run import FAILED, HISTORY, RESULT, RETRIED
from pipeline.flow.start import CASE, SPEC
from pipeline.flow.state import STATE_FILE
from pipeline.flow.surface import SURFACE_FILE

STORE = ".reuse"

NEEDED = {"numbers": (), "surface": (SURFACE_FILE,), "all": (SURFACE_FILE, CASE)}
"""What must still be there of a run, by what the study keeps."""


def remember(results: Path, run_id: str) -> None:
    """Enter a finished run into the store.

    Runs without numbers are not entered, nor those that a ceiling of wall time cut short, which depends on
    the machine.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        Folder of the run below it.
    """
    results = Path(results).resolve()
    folder = results / run_id
    result = read_json(folder / RESULT)
    if result["verdict"] in FAILED or result["reason"] or not result.get("key"):
        return
    entry = _entry(results, result["key"])
    files = {name: _stamp(folder / name) for name in (STATE_FILE, SURFACE_FILE, CASE)}
    write_json(
        entry,
        {"folder": str(folder.relative_to(results.parent)), "files": files, "result": result},
    )
    _link(folder / HISTORY, entry.with_suffix(".csv"))


def reuse(results: Path, run_id: str, solver: str, keep: str) -> dict[str, Any] | None:
    """Take the result of a run with the same inputs, if there is one.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        Folder of the run below it, with a spec.json.
    solver : str
        Name and version of the solver.
    keep : str
        What the study keeps of a run.

    Returns
    -------
    dict or None
        What was written to the run's run.json, with `reused_from`, the folder of the run that was computed;
        None when it must be computed.
    """
    results = Path(results).resolve()
    folder = results / run_id
    spec = read_json(folder / SPEC)
    entry = _entry(results, key_of(inputs(results, spec, solver)))
    try:
        stored = json.loads(entry.read_text())
        origin, files, result = results.parent / stored["folder"], stored["files"], stored["result"]
    except (OSError, ValueError, KeyError, TypeError):  # not there, or spoilt
        return None
    there = [name for name in files if files[name] and _stamp(origin / name) == files[name]]
    if any(name not in there for name in NEEDED[keep]) or (keep == "all" and origin != folder):
        return None
    if not _link(entry.with_suffix(".csv"), folder / HISTORY):
        return None
    for name in (STATE_FILE, SURFACE_FILE):
        if origin != folder:
            (folder / name).unlink(missing_ok=True)  # an earlier result's must not pass for this one's
            if name in there:
                _link(origin / name, folder / name)
        elif name not in there:
            (folder / name).unlink(missing_ok=True)
    result |= {name: spec[name] for name in ("run", "pattern", "starts_from")}
    result |= {"kept": keep, "reused_from": stored["folder"]}
    write_json(folder / RESULT, result)
    drop_states(results, run_id, RESULT, RETRIED)
    return dict(result)


def _entry(results: Path, key: str) -> Path:
    return results.parent / STORE / key[:2] / f"{key}.json"


def _stamp(path: Path) -> list[int] | None:
    """Size and time of a file, by which it is known again; None when it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return [found.st_size, found.st_mtime_ns]


def _link(source: Path, target: Path) -> bool:
    """Give a file a second name; false when it is gone."""
    temporary = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        temporary.hardlink_to(source)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise InputError(f"{target}: cannot be linked to {source} ({error.strerror})") from None
    os.replace(temporary, target)
    temporary.unlink(missing_ok=True)  # a rename onto the same file does nothing
    return True
