"""Provenance of a run: its inputs as one key, its case files, versions, machine and times."""

import csv
import datetime
import functools
import hashlib
import importlib.metadata
import io
import json
import os
import platform
import socket
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from pipeline import __version__
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.records.flow import Machine, Provenance, RunInputs, RunResult, SourceInputs
from pipeline.records.record import read
from pipeline.records.tree import MESH, PROVENANCE, RESULT

PACKAGE = Path(__file__).resolve().parents[2]

CODE = ("flow", "geometry")
"""Folders of our code that a run's numbers depend on, besides its spec and its mesh."""


@dataclass(frozen=True)
class Origin:
    """Row of provenance.csv, in the order of its columns, which are only ever added; None where not known."""

    run: str
    key: str | None
    verdict: str
    solver: str
    code: str | None
    depthline: str | None
    host: str | None
    cpu: str | None
    job: str | None
    started_at: str | None
    finished_at: str | None
    core_seconds: float
    case_files: str | None
    geometry: str | None
    starts_from_key: str | None
    reused_from: str | None
    edges_fitted: bool | None


COLUMNS = tuple(column.name for column in fields(Origin))


def inputs(results: Path, spec: RunInputs, solver: str) -> SourceInputs:
    """Everything that the numbers of a run depend on.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    spec : RunInputs
        The run's spec.json.
    solver : str
        Name and version of the solver.

    Returns
    -------
    SourceInputs
        With fingerprints of the mesh's points and of our code for flow and geometry.
    """
    return SourceInputs(
        spec=spec.numbers(),
        geometry=_digest((results / spec.geometry / MESH / "points").read_bytes()),
        starts_from_key=_origin_key(results, spec.starts_from),
        solver=solver,
        code=code_fingerprint(),
    )


def key_of(found: SourceInputs) -> str:
    """One key for what `inputs` returned; equal keys mean equal inputs."""
    return _digest(json.dumps(found.model_dump(), sort_keys=True).encode())


def provenance(
    results: Path, spec: RunInputs, solver: str, case_files: dict[str, str], started: datetime.datetime
) -> tuple[str, Provenance]:
    """Key of a run's inputs, and what run.json says of its origin.

    Parameters
    ----------
    results, spec, solver
        As for `inputs`.
    case_files : dict of str
        Fingerprints of the case's files, by path below the case.
    started : datetime
        When this leg of the run began.

    Returns
    -------
    key : str
        As of `key_of`.
    provenance : Provenance
        Inputs, case files, versions, machine, job (of the queue, None without one) and times.
    """
    found = inputs(results, spec, solver)
    return key_of(found), Provenance(
        inputs=found,
        case_files=case_files,
        versions={
            "depthline": __version__,
            "python": platform.python_version(),
            "numpy": importlib.metadata.version("numpy"),
        },
        machine=Machine(host=socket.gethostname(), cpu=_cpu(), system=platform.platform()),
        job=os.environ.get("SLURM_JOB_ID"),
        started_at=started.isoformat(timespec="seconds"),
        finished_at=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    )


@functools.cache
def code_fingerprint() -> str:
    """Fingerprint of our sources that a run's numbers depend on."""
    digest = hashlib.blake2b(digest_size=12)
    for folder in CODE:
        for path in sorted((PACKAGE / folder).rglob("*.py")):
            digest.update(f"{path.relative_to(PACKAGE)}\0".encode() + path.read_bytes())
    return digest.hexdigest()


def rows(results: Path, run_ids: Iterable[str]) -> list[Origin]:
    """Rows of provenance.csv: one a run that has a result."""
    found = []
    for run_id in run_ids:
        try:
            found.append(origin_of(read(results / run_id / RESULT, RunResult)))
        except InputError:
            continue
    return found


def origin_of(result: RunResult) -> Origin:
    """Row of provenance.csv from a run's run.json."""
    origin = result.provenance or Provenance()
    files = origin.case_files
    return Origin(
        run=result.run,
        key=result.key,
        verdict=result.verdict,
        solver=result.solver,
        code=origin.inputs.code,
        depthline=origin.versions.get("depthline"),
        host=result.host or origin.machine.host,
        cpu=origin.machine.cpu,
        job=origin.job,
        started_at=result.started_at or origin.started_at,
        finished_at=origin.finished_at,
        core_seconds=result.core_seconds,
        case_files=_digest(json.dumps(files, sort_keys=True).encode()) if files else None,
        geometry=origin.inputs.geometry,
        starts_from_key=origin.inputs.starts_from_key,
        reused_from=result.reused_from,
        edges_fitted=None if result.mesh is None else result.mesh.edges_fitted,
    )


def write_provenance(results: Path, run_ids: Iterable[str]) -> None:
    """Write provenance.csv, which says of every row of coefficients.csv where it comes from, by its run."""
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    table.writeheader()
    table.writerows(asdict(origin) for origin in rows(results, run_ids))
    write_text(results / PROVENANCE, text.getvalue())


def mixed(found: Iterable[Origin]) -> str | None:
    """Say so in one line when the runs of a study do not have the same solver, code and kind of mesh.

    Parameters
    ----------
    found : iterable of Origin
        From `origin_of`.
    """
    found = list(found)
    lines = []
    counts = Counter((each.solver, each.code) for each in found)
    if len(counts) > 1:
        versions = ", ".join(
            f"{count} by {solver} with code {code or 'not known'}"
            for (solver, code), count in counts.most_common()
        )
        lines.append(
            f"the runs were computed by different versions: {versions} (provenance.csv); differences between "
            "them hold those of the versions. Remove the run.json of the ones to compute anew, and run again"
        )
    plain = sum(each.edges_fitted is False for each in found)
    if 0 < plain < sum(each.edges_fitted is not None for each in found):
        lines.append(
            f"{plain} of {len(found)} runs have no mesh nodes on the dimples' edges and the others have "
            "(provenance.csv): differences between them hold those of the meshes"
        )
    return "; ".join(lines) or None


def _origin_key(results: Path, origin: str | None) -> str | None:
    """Key of the run to start from; None when there is none, or it has failed."""
    if origin is None:
        return None
    try:
        result = read(results / origin / RESULT, RunResult)
    except InputError:  # none, or broken
        return None
    return result.key if result.cd is not None else None


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=16).hexdigest()


@functools.cache
def _cpu() -> str | None:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return None
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), None)
