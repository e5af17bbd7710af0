"""Computes the flows of the validation that are due by the workflow engine that computes studies."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from pipeline.errors import DepthlineError
from pipeline.flow.campaign.cost import SECONDS_PER_CELL_ITERATION, memory_bytes
from pipeline.flow.campaign.request import MEMORY_MARGIN, PROGRAM_MB
from pipeline.flow.solver.fidelity import fidelity
from pipeline.records.flow import DueFlow, FlowPlan
from pipeline.records.record import write
from pipeline.records.tree import FLOW_PLAN, WORKFLOW_LOG
from pipeline.validation.flows import Flow
from pipeline.workflow.engine import command, load_profile
from pipeline.workflow.progress import Clock, Expected
from pipeline.workflow.supervise import complaints, supervise

SNAKEFILE = Path(__file__).with_name("Snakefile")

EXPECTED_ITERATIONS = 150
"""Of a steady laminar run to its mean, measured from 90 to 250."""


def compute_flows(results: Path, cores: int, lock: TextIO, due: Sequence[Flow]) -> None:
    """Compute flows whose meshes and spec files are there, side by side, and show how far they are.

    Parameters
    ----------
    results : Path
        Folder of the validation.
    cores : int
        Cores to fill.
    lock : file
        From `pipeline.workflow.results_lock.locked_results`.
    due : sequence of Flow
        What to compute, each after the one that it starts from.

    Raises
    ------
    DepthlineError
        The workflow did not end well; what it had computed is kept.
    """
    results = results.absolute()  # the engine works in that folder
    write(results / FLOW_PLAN, plan(due, cores))
    clock = Clock({flow.run_id: expected(flow) for flow in due}, results, cores)
    arguments = command(load_profile(None), results, cores, [], snakefile=SNAKEFILE)
    with (results / WORKFLOW_LOG).open("wb") as log:
        code = supervise(arguments, results, log, clock, lock)
    if code != 0:
        said = "".join(f"{line}; " for line in complaints(results / WORKFLOW_LOG))
        raise DepthlineError(f"{results}: flows are missing: {said}see {results / WORKFLOW_LOG}, run again")


def plan(due: Sequence[Flow], cores: int) -> FlowPlan:
    """Plan flows: with fewer chains of starts than cores, each flow gets several MPI ranks."""
    followed = {flow.starts_from for flow in due if flow.starts_from in due}
    abreast = min(cores, len(due) - len(followed))
    ranks = cores // abreast
    return FlowPlan(
        due={
            flow.run_id: DueFlow(
                after=flow.starts_from.run_id if flow.starts_from and flow.starts_from in due else None,
                ranks=ranks,
                memory_mb=math.ceil(MEMORY_MARGIN * memory_bytes(flow.mesh.cells, ranks) / 1e6 + PROGRAM_MB),
            )
            for flow in due
        }
    )


def expected(flow: Flow) -> Expected:
    """Samples of the history of a flow, and its price: a time step costs as much as an iteration."""
    model = fidelity(flow.fidelity)
    samples = float(EXPECTED_ITERATIONS if model.courant is None else flow.spec().iterations)
    steps = model.steps_per_sample(flow.mesh.level.n)
    return Expected(SECONDS_PER_CELL_ITERATION * flow.mesh.cells * samples * steps, samples)
