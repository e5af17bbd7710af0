"""Where a run's numbers come from: its inputs as one key, its case files, versions, machine and times."""

import csv
import datetime
import functools
import hashlib
import importlib.metadata
import io
import json
import operator
import os
import platform
import socket
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.errors import InputError
from pipeline.files import records
from pipeline.files.atomic import write_text
from pipeline.geometry.shell.files import MESH

PACKAGE = Path(__file__).resolve().parents[2]

CODE = ("flow", "geometry")
"""Folders of our code that a run's numbers depend on, besides its spec and its mesh."""

NAMES = ("run", "pattern", "variant", "geometry", "starts_from")
"""Entries of a spec that only name things: two studies may name the same run differently."""

RESULT, PROVENANCE = records.RUN.name, "provenance.csv"

COLUMNS = (
    "run", "key", "verdict", "solver", "code", "depthline", "host", "cpu", "job", "started_at", "finished_at",
    "core_seconds", "case_files", "geometry", "starts_from_key", "reused_from", "edges_fitted",
)  # fmt: skip
"""Columns of provenance.csv, in their order; columns are only ever added."""


def inputs(results: Path, spec: dict[str, Any], solver: str) -> dict[str, Any]:
    """Everything that the numbers of a run depend on.

    Parameters
    ----------
    results : Path
        Results folder of the study.
    spec : dict
        The run's spec.json.
    solver : str
        Name and version of the solver.

    Returns
    -------
    dict
        spec (without names), geometry (fingerprint of the mesh's points), starts_from_key (of the run whose
        fields it starts from, None for a start from rest), solver, code (fingerprint of our code for flow and
        geometry).
    """
    return {
        "spec": {name: value for name, value in spec.items() if name not in NAMES},
        "geometry": _digest((results / spec["geometry"] / MESH / "points").read_bytes()),
        "starts_from_key": _origin_key(results, spec["starts_from"]),
        "solver": solver,
        "code": code_fingerprint(),
    }


def key_of(found: dict[str, Any]) -> str:
    """One key for what `inputs` returned; equal keys mean equal inputs."""
    return _digest(json.dumps(found, sort_keys=True).encode())


def provenance(
    results: Path, spec: dict[str, Any], solver: str, case_files: dict[str, str], started: datetime.datetime
) -> dict[str, Any]:
    """What run.json says of a run's origin.

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
    dict
        key and provenance: inputs, case_files, versions, machine, job (of the queue, None without one) and
        times.
    """
    found = inputs(results, spec, solver)
    return {
        "key": key_of(found),
        "provenance": {
            "inputs": found,
            "case_files": case_files,
            "versions": {
                "depthline": __version__,
                "python": platform.python_version(),
                "numpy": importlib.metadata.version("numpy"),
            },
            "machine": {"host": socket.gethostname(), "cpu": _cpu(), "system": platform.platform()},
            "job": os.environ.get("SLURM_JOB_ID"),
            "started_at": started.isoformat(timespec="seconds"),
            "finished_at": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        },
    }


@functools.cache
def code_fingerprint() -> str:
    """Fingerprint of our sources that a run's numbers depend on."""
    digest = hashlib.blake2b(digest_size=12)
    for folder in CODE:
        for path in sorted((PACKAGE / folder).rglob("*.py")):
            digest.update(f"{path.relative_to(PACKAGE)}\0".encode() + path.read_bytes())
    return digest.hexdigest()


def rows(results: Path, run_ids: Iterable[str]) -> list[dict[str, Any]]:
    """Rows of provenance.csv: one a run that has a result."""
    found = []
    for run_id in run_ids:
        try:
            found.append(origin_of(records.read(results / run_id / RESULT, records.RUN)))
        except InputError:
            continue
    return found


def origin_of(result: dict[str, Any]) -> dict[str, Any]:
    """Row of provenance.csv from a run's run.json: `COLUMNS`, None where not known."""
    origin = result.get("provenance") or {}
    files = origin.get("case_files")
    parts = (origin.get(name) or {} for name in ("inputs", "versions", "machine"))
    known = functools.reduce(operator.or_, parts) | origin | result
    known["edges_fitted"] = (result.get("mesh") or {}).get("edges_fitted")
    known["case_files"] = _digest(json.dumps(files, sort_keys=True).encode()) if files else None
    return {name: known.get(name) for name in COLUMNS}


def write_provenance(results: Path, run_ids: Iterable[str]) -> None:
    """Write provenance.csv, which tells of every row of coefficients.csv where it comes from, by its run."""
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    table.writeheader()
    table.writerows(rows(results, run_ids))
    write_text(results / PROVENANCE, text.getvalue())


def mixed(found: Iterable[dict[str, Any]]) -> str | None:
    """Say so in one line when the runs of a study do not have the same solver, code and kind of mesh.

    Parameters
    ----------
    found : iterable of dict
        From `origin_of`.
    """
    found = list(found)
    lines = []
    counts = Counter((each["solver"], each["code"]) for each in found)
    if len(counts) > 1:
        told = ", ".join(
            f"{count} by {solver} with code {code or 'not known'}"
            for (solver, code), count in counts.most_common()
        )
        lines.append(
            f"the runs were computed by different versions: {told} (provenance.csv); differences between "
            "them hold those of the versions. Remove the run.json of the ones to compute anew, and run again"
        )
    plain = sum(each.get("edges_fitted") is False for each in found)
    if 0 < plain < sum(each.get("edges_fitted") is not None for each in found):
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
        result = records.read(results / origin / RESULT, records.RUN)
    except InputError:  # none, or broken
        return None
    return result.get("key") if result.get("cd") is not None else None


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=16).hexdigest()


@functools.cache
def _cpu() -> str | None:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return None
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), None)
