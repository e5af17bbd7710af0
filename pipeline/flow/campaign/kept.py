"""What is kept of runs: large states are dropped when no run of the study needs them any more."""

from pathlib import Path

from pipeline.errors import InputError
from pipeline.files import records
from pipeline.flow.solver.state import STATE_FILE

LARGE_STATE = 4e6
"""Bytes above which a state is dropped as soon as it is not needed: less than a run may leave on disk by
default, 5 MB, by what its other files take. A smaller one is kept: the study may ask for more runs later."""


def drop_states(results: Path, run_id: str, result_name: str, unfinished: tuple[str, ...]) -> None:
    """Drop the large states that nobody will start from any more, after a run has finished.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    run_id : str
        The run that has finished: its own state and the one that it started from are looked at.
    result_name : str
        Name of the file that a finished run has.
    unfinished : tuple of str
        Verdicts of runs that will be taken up again.
    """
    try:
        _drop_states(results, run_id, result_name, unfinished)
    except InputError:
        pass  # a broken spec or result: its states are kept, and the next `depthline run` deals with it


def _drop_states(results: Path, run_id: str, result_name: str, unfinished: tuple[str, ...]) -> None:
    followers: dict[str, list[str]] = {}
    # A run starts from one of its own pattern: all depths share one mesh topology.
    pattern = Path(*Path(run_id).parts[:2])
    for path in results.glob(f"{pattern}/*/*/*/spec.json"):
        spec = records.read(path, records.RUN_SPEC)
        followers.setdefault(spec["starts_from"], []).append(spec["run"])
    own = records.read(results / run_id / records.RUN_SPEC.name, records.RUN_SPEC)
    for candidate in (run_id, own["starts_from"]):
        state = results / str(candidate) / STATE_FILE
        if candidate is None or not state.is_file() or state.stat().st_size <= LARGE_STATE:
            continue
        folders = [results / follower for follower in followers.get(candidate, [])]
        if all(_finished(folder / result_name, folder / "spec.json", unfinished) for folder in folders):
            state.unlink(missing_ok=True)


def _finished(result: Path, spec: Path, unfinished: tuple[str, ...]) -> bool:
    """Whether a run has its result, and neither will be taken up again nor is out of date."""
    if not result.is_file() or result.stat().st_mtime < spec.stat().st_mtime:
        return False
    return records.read(result, records.RUN)["verdict"] not in unfinished
