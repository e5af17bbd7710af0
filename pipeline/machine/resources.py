"""Cores and memory available to this process: of the machine, its container or its queue job."""

import os
from pathlib import Path

CONTROL_GROUP = Path("/sys/fs/cgroup")
OWN_GROUP = Path("/proc/self/cgroup")
MEMORY_INFO = Path("/proc/meminfo")
VIRTUAL_MEMORY = Path("/proc/vmstat")


def cores_allowed() -> int:
    """Cores that this process may use, at least one."""
    usable = len(os.sched_getaffinity(0))
    for quota in _of_groups("cpu.max"):
        if quota[0] != "max":
            usable = min(usable, max(1, int(float(quota[0]) / float(quota[1]))))
    return usable


def memory_available() -> int | None:
    """Bytes of memory that a new process may use, None when the system does not report it."""
    found = []
    try:
        lines = MEMORY_INFO.read_text().splitlines()
        found += [int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")]
    except OSError:
        return None
    for folder in _groups():
        limit, used = _words(folder / "memory.max"), _words(folder / "memory.current")
        if limit and used and limit[0] != "max":
            # Files that were read are counted as used and given up when memory is needed.
            cached = _counter(folder / "memory.stat", "inactive_file") or 0
            found.append(max(0, int(limit[0]) - int(used[0]) + cached))
    return min(found) if found else None


def out_of_memory_kills() -> int | None:
    """Processes that the kernel has killed for lack of memory so far; None when it does not report them.

    Those of this process's control group where it has its own account (`memory.events`), else those of the
    whole machine (`/proc/vmstat`).
    """
    counts = [_counter(group / "memory.events", "oom_kill") for group in _groups()]
    known = [count for count in counts if count is not None]
    return max(known) if known else _counter(VIRTUAL_MEMORY, "oom_kill")


def _groups() -> list[Path]:
    """Folders of this process's control group (version 2) and of those that it is part of, as far as seen."""
    path = next((line[3:] for line in _lines(OWN_GROUP) if line.startswith("0::")), "/")
    own = CONTROL_GROUP / path.strip("/")
    parts = len(Path(path).parts) - 1
    return [own, *own.parents[:parts]] if own.is_dir() else [CONTROL_GROUP]


def _of_groups(name: str) -> list[list[str]]:
    """Words of a file in each of the control groups that has it."""
    return [words for folder in _groups() if (words := _words(folder / name))]


def _words(path: Path) -> list[str]:
    return " ".join(_lines(path)).split()


def _counter(path: Path, name: str) -> int | None:
    """Value of a line `NAME VALUE`."""
    pairs = (line.split() for line in _lines(path))
    return next((int(pair[1]) for pair in pairs if len(pair) == 2 and pair[0] == name), None)


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text().splitlines()
    except OSError:
        return []
