"""Detects that memory was short while a solver ran: out-of-memory kills, and free memory."""

from pipeline.machine.resources import memory_available, out_of_memory_kills

LITTLE = 0.05
"""Free memory below this share of what the run needs is as good as none."""


class MemoryWatch:
    """Follows free memory and the kernel's count of out-of-memory kills from its making on.

    Parameters
    ----------
    needed : float
        Bytes that the run needs at most.
    """

    def __init__(self, needed: float) -> None:
        self._needed = needed
        self._kills = out_of_memory_kills()
        self._at_start = self._least = memory_available()

    def look(self) -> None:
        """Note how much memory is free now."""
        free = memory_available()
        if free is not None:
            self._least = free if self._least is None else min(free, self._least)

    def shortage(self) -> str:
        """What shows that memory was short, in one line; empty where nothing does.

        A process is killed by the system for lack of memory, but also by people, queues and programs; a
        verdict says "memory" only with one of these: the kernel counted out-of-memory kills meanwhile, less
        than the run needs was free at its start, or next to nothing was left at the last look.
        """
        needs = f"the run needs {self._needed / 1e9:.1f} GB"
        kills = out_of_memory_kills()
        if kills is not None and self._kills is not None and kills > self._kills:
            return f"processes that the system killed for lack of memory: {kills - self._kills}; {needs}"
        if self._at_start is not None and self._at_start < self._needed:
            return f"{self._at_start / 1e9:.1f} GB of memory were free at its start; {needs}"
        if self._least is not None and self._least < LITTLE * self._needed:
            return f"{self._least / 1e9:.2f} GB of memory were left; {needs}"
        return ""
