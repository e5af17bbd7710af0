"""Reads the residuals from the solver's log."""

import math
import re
from pathlib import Path

TAIL_BYTES = 20_000
"""Of a log; an iteration has about a thousand."""

RESIDUAL = re.compile(r"Solving for (\w+), Initial residual = ([-+.\deE]+|nan|inf)")


def log_tail(log: Path) -> str:
    """Return the end of a log."""
    with log.open("rb") as stream:
        stream.seek(0, 2)
        stream.seek(max(0, stream.tell() - TAIL_BYTES))
        return stream.read().decode(errors="replace")


def residuals(log: Path) -> dict[str, float | None]:
    """Initial residuals of the last iteration, by field (Ux, Uy, Uz, p and what the model has).

    They are scaled by the solver: 1 is as wrong as a uniform field.

    Parameters
    ----------
    log : Path
        The solver's log.

    Returns
    -------
    dict of float or None
        Where a field is solved for several times an iteration, the first of the last iteration that is
        there in full, None when it is not finite; empty when there is no iteration.
    """
    # An iteration begins with its time; the last one may be cut off.
    iterations = re.split(r"^Time = ", log_tail(log), flags=re.MULTILINE)[1:]
    for text in reversed(iterations):
        found: dict[str, float | None] = {}
        for name, value in RESIDUAL.findall(text):
            found.setdefault(name, float(value) if math.isfinite(float(value)) else None)
        if "ExecutionTime" in text and found:
            return found
    return {}
