"""What runs cost: cells, iterations, core seconds and disk, from measured rates."""

from pipeline.flow.fidelity import fidelity

SECONDS_PER_CELL_ITERATION = 2.0e-6
"""Core seconds a cell and iteration, measured with 221,184 cells on one of two cores: 0.43 s an iteration
(steady-rans), of a machine with 24 GiB; larger meshes leave the cache and cost up to a third more."""

COLD_ITERATIONS = 260
WARM_ITERATIONS = 150
"""Iterations to a settled mean from rest, and from a neighbour's field, measured on the demo study."""

OVERHEAD_SECONDS = 5.0
"""Start of Python and the solver, writing the case, reading the state."""


def cells(fidelity_name: str, level: str) -> int:
    """Cells of a shell at a mesh level."""
    return fidelity(fidelity_name).level(level).cells


def core_seconds(fidelity_name: str, cell_count: int, warm: bool) -> float:
    """Core seconds of a settled run, an estimate for planning.

    Parameters
    ----------
    fidelity_name : str
        Fidelity; all of today's are steady and cost the same a cell and iteration within a factor 1.5.
    cell_count : int
        Cells of the mesh.
    warm : bool
        Whether the run starts from a neighbour's field.

    Returns
    -------
    float
        Core seconds.
    """
    fidelity(fidelity_name)  # refuses an unknown one
    iterations = WARM_ITERATIONS if warm else COLD_ITERATIONS
    return OVERHEAD_SECONDS + SECONDS_PER_CELL_ITERATION * cell_count * iterations
