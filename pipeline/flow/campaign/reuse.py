"""Results by key, shared between the studies of a results folder: the same inputs are not computed twice.

Below the folder that holds all studies, `.reuse/` has one small file a finished run, with its result, where
its folder is, and a link to its history, or a copy where the file system has no links. It may be removed at
any time: results stay, only nothing is found again. Whatever is wrong with it, no run fails for it.
"""

import contextlib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Broken, InputError
from pipeline.files.atomic import atomic_open, set_aside, write_json
from pipeline.flow.campaign.kept import drop_states
from pipeline.flow.campaign.provenance import inputs, key_of
from pipeline.records.flow import FAILED, ReuseEntry, RunInputs, RunResult
from pipeline.records.record import read, write
from pipeline.records.tree import CASE, HISTORY, RESULT, REUSE, SPEC, STATE, SURFACE

NEEDED = {"numbers": (), "surface": (SURFACE,), "all": (SURFACE, CASE)}
"""What must still be there of a run, by what the study keeps."""


@dataclass(frozen=True)
class Entry:
    """A finished run in the store.

    Attributes
    ----------
    path : Path
        File of the entry.
    folder : str
        Folder of the run below the folder that holds all studies.
    files : dict
        Size and time of its state, surface and case, None for what it did not keep.
    result : RunResult
        Its run.json.
    """

    path: Path
    folder: str
    files: dict[str, list[int] | None]
    result: RunResult

    def has_what(self, root: Path, keep: str) -> bool:
        """Whether what a study keeps of a run is still there of this one."""
        return all(name in self.still_there(root) for name in NEEDED[keep])

    def still_there(self, root: Path) -> list[str]:
        """Names of the files that are there as they were when the run was entered."""
        return [
            name for name, stamp in self.files.items() if stamp and _stamp(root / self.folder / name) == stamp
        ]


def remember(results: Path, run_id: str) -> str:
    """Enter a finished run into the store.

    Runs without numbers are not entered, nor those that a ceiling of wall time cut short, which depends on
    the machine.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        Folder of the run below it.

    Returns
    -------
    str
        One line on why the run could not be entered; empty when it was, or when it does not belong there.
    """
    results = Path(results).resolve()
    folder = results / run_id
    try:
        result = read(folder / RESULT, RunResult)
        if result.verdict in FAILED or result.reason or not result.key:
            return ""
        path = _path(results, result.key)
        files = {name: _stamp(folder / name) for name in (STATE, SURFACE, CASE)}
        if not _link(folder / HISTORY, path.with_suffix(".csv")):
            return f"{run_id}: not entered for reuse: {HISTORY} is missing"
        entry = ReuseEntry(folder=str(folder.relative_to(results.parent)), files=files, result=result)
        write_json(path, entry.content())
    except (OSError, InputError) as error:
        return f"{run_id}: not entered for reuse: {error}"
    return ""


def reuse(results: Path, run_id: str, solver: str, keep: str) -> RunResult | None:
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
    RunResult or None
        What was written to the run's run.json, with `reused_from`, the folder of the run that was computed;
        None when it must be computed.
    """
    results = Path(results).resolve()
    folder = results / run_id
    spec = read(folder / SPEC, RunInputs)
    entry = _read_or_set_aside(_path(results, key_of(inputs(results, spec, solver))))
    if entry is None or not entry.has_what(results.parent, keep):
        return None
    origin, there = results.parent / entry.folder, entry.still_there(results.parent)
    if keep == "all" and origin != folder:
        return None
    try:
        if not _link(entry.path.with_suffix(".csv"), folder / HISTORY):
            return None
        for name in (STATE, SURFACE):
            if origin != folder:
                (folder / name).unlink(missing_ok=True)  # an earlier result's must not pass for this one's
                if name in there:
                    _link(origin / name, folder / name)
            elif name not in there:
                (folder / name).unlink(missing_ok=True)
    except OSError:
        return None  # whatever stops us here is met by the run itself, if it matters
    result = entry.result.changed(
        run=spec.run,
        pattern=spec.pattern,
        starts_from=spec.starts_from,
        kept=keep,
        reused_from=entry.folder,
    )
    write(folder / RESULT, result)
    drop_states(results, run_id)
    return result


def entries(root: Path) -> list[Entry]:
    """Read every entry of the store below the folder that holds all studies; spoilt ones are left out."""
    paths = sorted((Path(root) / REUSE).glob("*/*.json"))
    return [entry for path in paths if (entry := read_entry(path)) is not None]


def read_entry(path: Path) -> Entry | None:
    """Read an entry of the store; None when it is not there or spoilt."""
    try:
        return _read(path)
    except InputError:
        return None


def _read_or_set_aside(path: Path) -> Entry | None:
    """Read an entry; a spoilt one is set aside, and its run is computed and entered anew."""
    try:
        return _read(path)
    except Broken:
        with contextlib.suppress(OSError):
            set_aside(path)
    except InputError:  # not there
        pass
    return None


def _read(path: Path) -> Entry:
    stored = read(path, ReuseEntry)
    if stored.result.key != path.stem or stored.result.verdict in FAILED:
        raise Broken(path, "another run's, or of one that failed", ReuseEntry.remedy)
    return Entry(path, stored.folder, stored.files, stored.result)


def _path(results: Path, key: str) -> Path:
    return results.parent / REUSE / key[:2] / f"{key}.json"


def _stamp(path: Path) -> list[int] | None:
    """Size and time of a file, by which it is known again; None when it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return [found.st_size, found.st_mtime_ns]


def _link(source: Path, target: Path) -> bool:
    """Give a file a second name, or copy it where there are no hard links; false when it is gone."""
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        temporary.unlink(missing_ok=True)
        temporary.hardlink_to(source)
        os.replace(temporary, target)
    except FileNotFoundError:
        return False
    except OSError:
        return _copy(source, target)
    finally:
        temporary.unlink(missing_ok=True)  # a rename onto the same file does nothing
    return True


def _copy(source: Path, target: Path) -> bool:
    try:
        with source.open("rb") as original, atomic_open(target) as stream:
            shutil.copyfileobj(original, stream)
    except FileNotFoundError:
        return False
    return True
