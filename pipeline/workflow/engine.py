"""Starts the workflow engine with a profile, and ends the jobs that earlier ones left in the queue."""

import importlib.util
import itertools
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from pipeline.ending import complain
from pipeline.errors import DepthlineError, InputError, MissingError
from pipeline.flow.campaign.request import Policy
from pipeline.machine.resources import memory_available
from pipeline.records.tree import RESULT
from pipeline.study.matrix import RunSpec
from pipeline.workflow.engine_watch import STARTED_BY_ENGINE

ROOT = Path(__file__).resolve().parents[2]

CANCEL_SECONDS = 300.0
"""How long jobs of the queue may take to end after they were cancelled."""

MOST_RUNS, MOST_IN_QUEUE = 500, 5000
"""Runs that one engine is given on one machine and with a queue, where their pattern has no more: its time
for a job grows with the jobs it has (`benchmarks/bench_scale.py`), but a queue should not run dry."""


@dataclass(frozen=True)
class Profile:
    """A workflow profile.

    Attributes
    ----------
    folder : Path
        Where its config.yaml stands.
    executor : str
        "local", or a plugin's name.
    policy : Policy
        How runs are submitted.
    """

    folder: Path
    executor: str
    policy: Policy


def load_profile(name: str | None) -> Profile:
    """Find and check a profile.

    Parameters
    ----------
    name : str, optional
        A folder below profiles/, or a path; "default" when absent.

    Raises
    ------
    InputError
        If there is none of that name, or its config.yaml is wrong.
    MissingError
        If the executor's plugin is not installed.
    """
    folder = ROOT / "profiles" / (name or "default")
    if not folder.is_dir() and name is not None:
        folder = Path(name).absolute()
    path = folder / "config.yaml"
    if not path.is_file():
        known = ", ".join(sorted(entry.name for entry in (ROOT / "profiles").iterdir() if entry.is_dir()))
        raise InputError(
            f"--profile: {name}: no such profile; use one of {known}, or a folder with a config.yaml"
        )
    try:
        settings: Any = yaml.safe_load(path.read_text(encoding="utf-8")) or {}
        policy = Policy.from_config(settings.get("config") or {})
    except (yaml.YAMLError, UnicodeDecodeError, AttributeError) as error:
        what = " ".join(str(error).split())
        raise InputError(f"{path}: is not a profile ({what}); see {ROOT / 'profiles/slurm'}") from None
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    executor = str(settings.get("executor", "local"))
    module = f"snakemake_executor_plugin_{executor.replace('-', '_')}"
    if executor != "local" and importlib.util.find_spec(module) is None:
        raise MissingError(
            f"{path}: executor: {executor}: its plugin is not installed; "
            f"{sys.executable} -m pip install -r {ROOT / 'requirements-cluster.txt'}"
        )
    return Profile(folder, executor, policy)


def batches(matrix: list[RunSpec], most: int = MOST_RUNS) -> list[list[str]]:
    """Results that the engine is asked for at a time, whole patterns each; the last batch is all there is.

    Parameters
    ----------
    matrix : list of RunSpec
        Runs of a study, those of a pattern one after the other.
    most : int
        Runs of a batch of several patterns.

    Returns
    -------
    list of list of str
        Targets; the last list is empty, which stands for the report and all runs.
    """
    found: list[list[str]] = []
    for _, group in itertools.groupby(matrix, lambda run: run.pattern):
        targets = [f"{run.run_id}/{RESULT}" for run in group]
        if found and len(found[-1]) + len(targets) <= most:
            found[-1] += targets
        else:
            found.append(targets)
    return [*found, []] if len(found) > 1 else [[]]


def command(
    profile: Profile,
    results: Path,
    cores: int | None,
    retried: list[str],
    targets: Iterable[str] = (),
    snakefile: Path = ROOT / "Snakefile",
) -> list[str]:
    """Arguments that start the engine.

    Parameters
    ----------
    profile : Profile
        From `load_profile`.
    results : Path
        Results folder of the study.
    cores : int, optional
        Cores to use on this machine. With a queue, None leaves the size of a node to the profile.
    retried : list of str
        Outputs to make anew.
    targets : iterable of str
        Outputs that are wanted; the report and all runs when there are none.
    snakefile : Path
        Rules; those of a study by default.
    """
    # Every output is renamed into place when it is whole, so none is ever incomplete: a result that was
    # finished after its engine was killed is good.
    found = [
        sys.executable, "-m", "snakemake", "--snakefile", str(snakefile),
        "--directory", str(results), "--rerun-triggers", "mtime", "--ignore-incomplete", "--keep-going",
        "--nolock", "--retries", str(profile.policy.attempts - 1), "--workflow-profile", str(profile.folder),
    ]  # fmt: skip
    if cores is not None:
        found += ["--cores", str(cores)]
    if profile.executor == "local" and (memory := memory_available()) is not None:
        found += ["--resources", f"mem_mb={memory // 10**6}"]
    if retried:
        found += ["--forcerun", *retried]
    # After a `--`, since options that take several words stand before.
    return [*found, "--", *targets]


def environment() -> dict[str, str]:
    """Environment of the engine and its stations: our package on the path, the mark by which they watch it.

    Linear algebra gets one thread where the user does not say otherwise: stations share the cores with
    solvers, and threads on small matrices wait for each other.
    """
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    return {"OPENBLAS_NUM_THREADS": "1"} | os.environ | {"PYTHONPATH": path, STARTED_BY_ENGINE: "1"}


def clear_queue(profile: Profile, results: Path) -> None:
    """Cancel the jobs that an engine which was killed left in the queue, and wait until they have ended.

    They write their states and end; otherwise a run could be computed twice at a time, in one folder.

    Raises
    ------
    DepthlineError
        If the queue cannot be asked, or they do not end.
    """
    if profile.executor != "slurm":
        return
    left = _queued(results)
    if not left:
        return
    complain(f"{len(left)} jobs of an earlier call are still in the queue; cancelling them first")
    subprocess.run(["scancel", *left], check=False, stdin=subprocess.DEVNULL, capture_output=True)
    end = time.monotonic() + CANCEL_SECONDS
    while left := _queued(results):
        if time.monotonic() > end:
            raise DepthlineError(f"jobs {', '.join(left)}: do not end; stop them (scancel) and run again")
        time.sleep(1.0)


def _queued(results: Path) -> list[str]:
    """Numbers of the jobs in the queue that work in a results folder."""
    if shutil.which("squeue") is None:
        raise MissingError("squeue: not on PATH; --profile slurm needs the commands of a Slurm cluster")
    asked = subprocess.run(
        ["squeue", "--noheader", "--user", str(os.getuid()), "--format", "%A %Z"],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    if asked.returncode != 0:
        said = (asked.stderr.strip().splitlines() or ["it printed nothing"])[-1]
        raise DepthlineError(f"squeue: the queue does not answer ({said}); run again when it does")
    jobs = [line.split(maxsplit=1) for line in asked.stdout.splitlines()]
    return [job[0] for job in jobs if len(job) == 2 and Path(job[1]) == results]
