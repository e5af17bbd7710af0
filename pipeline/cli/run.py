"""`depthline run`: prepare a study, start the workflow, show how far it is."""

import fcntl
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.cli.ending import PREFIX, complain
from pipeline.cli.progress import Clock, show
from pipeline.errors import DepthlineError, InputError
from pipeline.files import read_json
from pipeline.flow.prepare import check_cavities, prepare
from pipeline.flow.run import FAILED, RESULT, RETRIED, SPEC
from pipeline.flow.solver import find_solver
from pipeline.matrix import runs
from pipeline.study import Study
from pipeline.study_file import load_study

ROOT = Path(__file__).resolve().parents[2]
LOG = "workflow.log"
LOCK = ".lock"


def run_study(study_path: Path, results_root: Path, cores: int, profile: str | None) -> int:
    """Run a study's whole line, or what is left of it.

    Parameters
    ----------
    study_path : Path
        Study file.
    results_root : Path
        Folder in which the study's results folder is made.
    cores : int
        Processor cores to use.
    profile : str, optional
        Workflow profile: a folder below profiles/, or a path.

    Returns
    -------
    int
        0 when all runs gave numbers, 1 when some failed.

    Raises
    ------
    InputError
        If the study is wrong or another `depthline run` holds its results.
    MissingError
        If there is no solver.
    DepthlineError
        If a station other than the flow failed.
    """
    study = load_study(study_path)
    check_cavities(study, study_path)
    find_solver()
    for warning in study.warnings():
        complain(warning)
    results = Path(results_root) / study.name
    results.mkdir(parents=True, exist_ok=True)
    with _held(results):
        prepare(study, results)
        code = _work(study, results, cores, profile, _to_retry(study, results))
        return _ending(study, results, code)


@contextmanager
def _held(results: Path) -> Iterator[None]:
    """Hold a results folder; the lock dies with this process, however it ends."""
    with (results / LOCK).open("a+") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.seek(0)
            raise InputError(
                f"{results}: process {lock.read().strip() or '?'} is at work on this study; "
                "wait for it or stop it"
            ) from None
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
        yield


def _to_retry(study: Study, results: Path) -> list[str]:
    """Results of killed and crashed runs, which the workflow is to compute anew; they are made out of date.

    They stay until their runs start: where a run.json is missing, the workflow would also compute anew what
    had started from that run's fields.
    """
    found = []
    for run in runs(study):
        path = results / run.run_id / RESULT
        if path.is_file() and read_json(path)["verdict"] in RETRIED:
            (path.parent / SPEC).touch()
            found.append(f"{run.run_id}/{RESULT}")
    return found


def _work(study: Study, results: Path, cores: int, profile: str | None, retried: list[str]) -> int:
    """Start the workflow engine and watch it."""
    command = [
        sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile"),
        "--directory", str(results), "--cores", str(cores), "--config", f"python={sys.executable}",
        "--rerun-triggers", "mtime", "--rerun-incomplete", "--keep-going", "--nolock",
        "--workflow-profile", str(_profile(profile)),
    ]  # fmt: skip
    if retried:
        command += ["--forcerun", *retried]
    environment = dict(os.environ)
    environment["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), environment.get("PYTHONPATH")]))
    with (results / LOG).open("wb") as log:
        engine = subprocess.Popen(
            command, stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=environment,
            start_new_session=True,
        )  # fmt: skip
    terminate = signal.signal(signal.SIGTERM, _interrupt)
    try:
        show(Clock(study, results, cores), engine)
    except KeyboardInterrupt:
        # The engine passes it on; each solver writes its state and ends.
        os.killpg(engine.pid, signal.SIGINT)
        engine.wait()
        raise
    finally:
        signal.signal(signal.SIGTERM, terminate)
    return engine.returncode


def _interrupt(_number: int, _frame: Any) -> None:
    raise KeyboardInterrupt


def _profile(name: str | None) -> Path:
    path = ROOT / "profiles" / (name or "default")
    if not path.is_dir() and name is not None:
        path = Path(name)
    if not (path / "config.yaml").is_file():
        known = ", ".join(sorted(entry.name for entry in (ROOT / "profiles").iterdir() if entry.is_dir()))
        raise InputError(
            f"--profile: {name}: no such profile; use one of {known}, or a folder with a config.yaml"
        )
    return path


def _ending(study: Study, results: Path, code: int) -> int:
    """Say what failed and where the results are."""
    complaints = re.findall(rf"^{PREFIX}(.*)$", (results / LOG).read_text(errors="replace"), re.MULTILINE)
    for line in dict.fromkeys(complaints):
        complain(line)
    states = {run.run_id: results / run.run_id / RESULT for run in runs(study)}
    failed = 0
    for run_id, path in states.items():
        if path.is_file() and (result := read_json(path))["verdict"] in FAILED:
            complain(f"{run_id}: {result['verdict']}: {result['reason']}")
            failed += 1
    if code != 0:
        missing = sum(not path.is_file() for path in states.values())
        raise DepthlineError(
            f"{results}: the line did not finish ({missing} of {len(states)} runs missing); "
            f"see {results / LOG}, mend it and run again"
        )
    print(f"report: {results / 'report.html'}")
    if failed:
        complain(
            f"{failed} of {len(states)} runs failed; their rows are marked, and the table goes without them"
        )
    return 1 if failed else 0
