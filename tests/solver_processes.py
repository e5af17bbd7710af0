"""Which solvers are at work and which runs have ended, for the tests that kill them."""

import os
from pathlib import Path


def solver_processes(results: Path) -> list[int]:
    """Process numbers of solvers started in a results folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            words = (entry / "cmdline").read_bytes().split(b"\0")
            folder = (entry / "cwd").resolve(strict=True)
        except OSError:
            continue
        # One that is only asked for its version has no case.
        if words[0].endswith(b"simpleFoam") and b"-case" in words and folder == results.resolve():
            found.append(int(entry.name))
    return found


def run_files(results: Path) -> dict[str, int]:
    """When the result of each run was written, in nanoseconds, by the run's folder below the results.

    Not with `rglob`, which fails on a folder that a solver removes meanwhile (Python 3.11).
    """
    return {
        os.path.relpath(place, results): (Path(place) / "run.json").stat().st_mtime_ns
        for place, _, names in os.walk(results)
        if "run.json" in names
    }
