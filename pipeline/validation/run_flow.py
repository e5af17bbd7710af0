"""Computes one flow of the validation and measures its final state.

The workflow calls `python -m pipeline.validation.run_flow RUN` in the results folder.
"""

import argparse
import sys
from pathlib import Path

from pipeline.ending import ended_well
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.kept import drop_states
from pipeline.flow.campaign.run import run
from pipeline.flow.campaign.run_lock import locked_run
from pipeline.flow.solver.case import remove_case
from pipeline.flow.solver.state import load_state
from pipeline.geometry.shell.files import load_shell
from pipeline.records.flow import RETRIED, FlowMeasures, RunInputs
from pipeline.records.record import read, write
from pipeline.records.tree import CASE, MEASURES, RESULT, SPEC, STATE
from pipeline.validation.wake import wake_measures
from pipeline.workflow.engine_watch import leave_with_engine


def compute_run(results: Path, run_id: str, ranks: int = 1) -> None:
    """Compute one run and measure its final state; what nothing starts from is dropped after that.

    Parameters
    ----------
    results, run_id, ranks
        As for `pipeline.flow.campaign.run.run`.
    """
    folder = results / run_id
    with locked_run(folder):
        spec = read(folder / SPEC, RunInputs)
        result = run(results, run_id, ranks, keep="all")
        measures: dict[str, float | None] = {}
        if (folder / STATE).is_file():
            shell = load_shell(results / spec.geometry)
            velocity = load_state(folder / STATE)["U"]
            measures = wake_measures(shell, velocity, spec.reynolds, spec.spin_ratio)
        if result.verdict not in RETRIED:
            remove_case(folder / CASE)
            write(folder / RESULT, result.changed(kept="surface"))
        write_json(folder / MEASURES, FlowMeasures(spec=spec, measures=measures).content())
        drop_states(results, run_id)


def _called() -> None:
    parser = argparse.ArgumentParser(prog="run_flow", description="One flow of the validation.")
    parser.add_argument("run")
    parser.add_argument("--ranks", type=int, default=1)
    words = parser.parse_args()
    leave_with_engine()
    compute_run(Path("."), words.run, words.ranks)


if __name__ == "__main__":
    sys.exit(ended_well(_called))
