"""How many cores and how much memory this process may use: of the machine, or of its container or job."""

import os
from pathlib import Path

CONTROL_GROUP = Path("/sys/fs/cgroup")
MEMORY_INFO = Path("/proc/meminfo")


def cores_allowed() -> int:
    """Cores that this process may use, at least one."""
    usable = len(os.sched_getaffinity(0))
    quota = _control_group("cpu.max")
    if quota and quota[0] != "max":
        usable = min(usable, max(1, int(float(quota[0]) / float(quota[1]))))
    return usable


def memory_available() -> int | None:
    """Bytes of memory that a new process may use, None when the system does not tell."""
    try:
        lines = MEMORY_INFO.read_text().splitlines()
    except OSError:
        return None
    found = [int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")]
    limit, used = _control_group("memory.max"), _control_group("memory.current")
    if limit and used and limit[0] != "max":
        found.append(max(0, int(limit[0]) - int(used[0])))
    return min(found) if found else None


def _control_group(name: str) -> list[str]:
    """Words of a file of this process's control group, when it is the root of what it sees; else none."""
    try:
        return (CONTROL_GROUP / name).read_text().split()
    except OSError:
        return []
