"""Which solvers are at work, for the tests that kill them."""

from pathlib import Path


def solver_processes(results: Path) -> list[int]:
    """Process numbers of solvers started in a results folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            program = (entry / "cmdline").read_bytes().split(b"\0")[0]
            folder = (entry / "cwd").resolve(strict=True)
        except OSError:
            continue
        if program.endswith(b"simpleFoam") and folder == results.resolve():
            found.append(int(entry.name))
    return found
