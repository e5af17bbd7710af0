"""Removal of large solver states that no run of the study will start from any more."""

from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import InputError
from pipeline.records.flow import RETRIED, RunInputs, RunResult
from pipeline.records.record import read
from pipeline.records.tree import RESULT, ROUNDS, SPEC, STATE

LARGE_STATE = 4e6
"""Bytes above which a state is dropped as soon as it is not needed: less than a run may leave on disk by
default, 5 MB, by what its other files take. A smaller one is kept: the study may ask for more runs later."""


def drop_states(results: Path, run_id: str) -> None:
    """Drop the large states that no run will start from any more, after a run has finished.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        The run that has finished: its own state and the one that it started from are looked at.
    """
    try:
        _drop_states(results, run_id)
    except InputError:
        pass  # a broken spec or result: its states are kept, and the next `depthline run` deals with it


def drop_all_states(results: Path, run_ids: Iterable[str]) -> None:
    """Drop the large states of finished runs of a study whose rounds have ended."""
    for run_id in run_ids:
        state = results / run_id / STATE
        if state.is_file() and state.stat().st_size > LARGE_STATE and _finished(results / run_id):
            state.unlink(missing_ok=True)


def _drop_states(results: Path, run_id: str) -> None:
    if (results / ROUNDS).is_file():
        return  # a later round may start from any of its runs
    followers: dict[str | None, list[str]] = {}
    # A run starts from one of its own pattern: all depths share one mesh topology.
    pattern = Path(*Path(run_id).parts[:2])
    for path in results.glob(f"{pattern}/*/*/*/{SPEC}"):
        spec = read(path, RunInputs)
        followers.setdefault(spec.starts_from, []).append(spec.run)
    own = read(results / run_id / SPEC, RunInputs)
    for candidate in (run_id, own.starts_from):
        state = results / str(candidate) / STATE
        if candidate is None or not state.is_file() or state.stat().st_size <= LARGE_STATE:
            continue
        if all(_finished(results / follower) for follower in followers.get(candidate, [])):
            state.unlink(missing_ok=True)


def _finished(folder: Path) -> bool:
    """Whether a run has its result, and neither will be taken up again nor is out of date."""
    result, spec = folder / RESULT, folder / SPEC
    if not result.is_file() or result.stat().st_mtime < spec.stat().st_mtime:
        return False
    return read(result, RunResult).verdict not in RETRIED
