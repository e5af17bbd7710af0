"""Which solvers are at work, for the tests that kill them."""

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
