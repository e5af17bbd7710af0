"""Resources of a run: MPI ranks, memory and time, and which runs share a queue job."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.errors import InputError
from pipeline.flow.campaign.cost import cells, core_seconds, memory_bytes
from pipeline.study.matrix import runs
from pipeline.study.model import Study

TIME_MARGIN = 3.0
"""Minutes asked for over those expected at the first attempt: machines differ, and so do flows. Asking for
too little loses nothing but a place in the queue, since a run goes on from its last state."""

MEMORY_MARGIN = 1.3
"""Memory asked for over what was measured at most, at the first attempt."""

LONGER, LARGER = 2.0, 1.5
"""Factors of time and memory from one attempt to the next."""

PROGRAM_MB = 400.0
"""Memory of the station itself, besides the solver's."""

LEAST_MINUTES = 10


@dataclass(frozen=True)
class Policy:
    """How a profile wants runs submitted: the `config` of profiles/NAME/config.yaml.

    Attributes
    ----------
    cells_per_core : int or None
        MPI ranks follow from it and the mesh; None: those of the study.
    attempts : int
        How often a run that is killed or crashes is started, each time with more memory and time.
    small_minutes : float
        Runs that are expected to take less are submitted together, by pattern and Reynolds number.
    longest_minutes : int or None
        Time limit of the partition.
    leave_seconds : int or None
        Seconds before its time limit at which a run writes its state and ends; None: there is no limit.
    """

    cells_per_core: int | None = None
    attempts: int = 1
    small_minutes: float = 0.0
    longest_minutes: int | None = None
    leave_seconds: int | None = None

    @classmethod
    def from_config(cls, config: Mapping[str, Any]) -> "Policy":
        """Check a profile's `config`.

        Raises
        ------
        InputError
            Naming a key that is unknown or has no positive number.
        """
        for key, value in config.items():
            if key not in cls.__dataclass_fields__:
                known = ", ".join(cls.__dataclass_fields__)
                raise InputError(f"profile: config: {key}: no such key; use one of {known}")
            kind: Any = int | float if key == "small_minutes" else int
            if isinstance(value, bool) or not isinstance(value, kind) or not value > 0:
                number = "a number" if kind is not int else "a whole number"
                raise InputError(f"profile: config: {key}: {value}: must be {number} above 0")
        return cls(**config)


@dataclass(frozen=True)
class Request:
    """What one run asks for.

    Attributes
    ----------
    ranks : int
        MPI ranks, one a core.
    group : str or None
        Runs of the same group are submitted as one job.
    cells : int
        Of its mesh.
    seconds : float
        Wall time that it is expected to take.
    longest_minutes : int or None
        Ceiling of `minutes`.
    """

    ranks: int
    group: str | None
    cells: int
    seconds: float
    longest_minutes: int | None

    def memory_mb(self, attempt: int) -> int:
        """Memory to ask for at an attempt (1, 2, ...), in MB of 1e6 bytes."""
        needed = MEMORY_MARGIN * memory_bytes(self.cells, self.ranks) / 1e6 + PROGRAM_MB
        return math.ceil(needed * LARGER ** (attempt - 1))

    def minutes(self, attempt: int) -> int:
        """Wall time to ask for at an attempt, in minutes."""
        wanted = max(LEAST_MINUTES, math.ceil(TIME_MARGIN * self.seconds / 60.0)) * LONGER ** (attempt - 1)
        return int(wanted if self.longest_minutes is None else min(wanted, self.longest_minutes))


def requests(study: Study, policy: Policy) -> dict[str, Request]:
    """What every run of a study asks for, by run.

    Parameters
    ----------
    study : Study
        The study.
    policy : Policy
        Of the profile in use.
    """
    found = {}
    mirrored = {pattern.name: pattern.layout.mirror for pattern in study.patterns}
    for run in runs(study):
        level = run.level or study.flow.level
        count = cells(study.flow.fidelity, level, mirrored[run.pattern])
        ranks = study.flow.ranks
        if policy.cells_per_core is not None:
            ranks = max(1, round(count / policy.cells_per_core))
        seconds = core_seconds(study.flow.fidelity, level, count, run.starts_from is not None)
        seconds /= ranks
        small = seconds < 60.0 * policy.small_minutes
        group = "/".join(run.run_id.split("/")[1::2]) if small else None
        found[run.run_id] = Request(ranks, group, count, seconds, policy.longest_minutes)
    return found


def prices(study: Study) -> dict[str, float]:
    """Core seconds of every run of a study, by run.

    Layouts from a file are priced as whole balls; should they have the mirror plane, they cost half.
    """
    mirrored = {pattern.name: pattern.layout.mirror for pattern in study.patterns}
    return {
        run.run_id: price(study, mirrored[run.pattern], run.level, run.starts_from is not None)
        for run in runs(study)
    }


def price(study: Study, mirrored: bool, level: str | None, warm: bool) -> float:
    """Core seconds of a run of a pattern, with a mirror plane or not, on a mesh level (None: the study's)."""
    of, level = study.flow.fidelity, level or study.flow.level
    return core_seconds(of, level, cells(of, level, mirrored), warm)
