"""Cost of runs: cells, iterations, core seconds and disk space, from measured rates."""

from pipeline.flow.solver.fidelity import fidelity

SECONDS_PER_CELL_ITERATION = 2.1e-6
"""Core seconds a cell and iteration of steady-rans on `REFERENCE_CELLS`, two runs side by side on two cores;
alone on the machine 1.8e-6 (benchmarks/RESULTS.md)."""

REFERENCE_CELLS = 192_000
CELLS_POWER = 0.35
"""Finer meshes take more seconds a cell: memory is slower than the processor's cache, the pressure takes more
sweeps, means take more iterations. One power of the number of cells holds all of it: fitted to the settled
runs on 192,000 to 1,536,000 cells in benchmarks/results/40_campaign.csv, which it has within 10 %."""

COLD_ITERATIONS = 190
WARM_ITERATIONS = 120
"""Iterations to a settled mean from rest, and from a neighbour's field, on `REFERENCE_CELLS`: 161 to 193 and
112 to 120 were measured (benchmarks/RESULTS.md)."""

SECONDS_PER_CELL_STEP = 6.2e-6
"""Core seconds a cell and time step of a time-accurate run, measured with transient-des on 384,000 cells: 1.2
s a step on two ranks, which is two passes (3.9 core hours for 75 D / U). Not measured on finer meshes."""

PLANNED_SAMPLES = 400
"""Samples of the forces that a time-accurate run is planned with: 40 D / U, which give a mean of the wake's
swaying to about a hundredth. Not measured."""

OVERHEAD_SECONDS = 5.0
"""Start of Python and the solver, writing the case, reading the state."""

MEMORY_BASE = 9e7
MEMORY_PER_CELL = 1500.0
"""Bytes that a solver process takes at most; measured on one rank: 61,440 cells 175 MB, 192,000 359 MB."""


def cells(fidelity_name: str, level: str, mirrored: bool = False) -> int:
    """Cells of a shell at a mesh level; half of them for a mirrored ball whose model allows it."""
    model = fidelity(fidelity_name)
    whole = model.level(level).cells
    return whole // 2 if mirrored and not model.whole else whole


def core_seconds(fidelity_name: str, level: str, cell_count: int, warm: bool) -> float:
    """Core seconds of a settled run, an estimate for planning.

    Parameters
    ----------
    fidelity_name, level : str
        Model and mesh level, which sets the time step of time-accurate runs.
    cell_count : int
        Cells of the mesh.
    warm : bool
        Whether the run starts from a neighbour's field.

    Returns
    -------
    float
        Core seconds; laminar steady flows, which solve for less, cost up to a third less.
    """
    model = fidelity(fidelity_name)
    if model.courant is not None:
        steps = PLANNED_SAMPLES * model.steps_per_sample(model.level(level).n)
        return OVERHEAD_SECONDS + SECONDS_PER_CELL_STEP * cell_count * steps
    iterations = WARM_ITERATIONS if warm else COLD_ITERATIONS
    rate = SECONDS_PER_CELL_ITERATION * (cell_count / REFERENCE_CELLS) ** CELLS_POWER
    return float(OVERHEAD_SECONDS + rate * cell_count * iterations)


def memory_bytes(cell_count: int, ranks: int = 1) -> float:
    """Bytes of memory that a run takes at most."""
    return MEMORY_BASE * ranks + MEMORY_PER_CELL * cell_count


def largest_mesh(memory: float) -> int:
    """Cells of the largest mesh whose run on one rank takes no more than `memory` bytes."""
    return max(0, int((memory - MEMORY_BASE) / MEMORY_PER_CELL))
