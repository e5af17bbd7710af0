"""Benches for tests: flows that are played, or computed one by one in this process."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
from small_study import run_result

from pipeline.validation import run_flow
from pipeline.validation.bench import Bench, Outcome
from pipeline.validation.flows import Flow


def _no_flow(due: list[Flow]) -> None:
    raise AssertionError("a played bench computes nothing")


def no_study(study: Path) -> Path:
    raise AssertionError("no study is computed here")


Play = Callable[[Flow], dict[str, Any]]


class PlayedBench(Bench):
    """Gives `play(flow)`: coefficients, measures, and, under "history", columns of a history."""

    def __init__(self, results: Path, play: Play) -> None:
        super().__init__(results, _no_flow, no_study)
        self._play = play

    def compute(self, flows: Iterable[Flow]) -> dict[Flow, Outcome]:
        return {flow: self._outcome_of(flow) for flow in flows}

    def _outcome_of(self, flow: Flow) -> Outcome:
        folder, played = self.results / flow.run_id, self._play(flow)
        if "history" in played:
            folder.mkdir(parents=True, exist_ok=True)
            columns = played["history"]
            np.savetxt(
                folder / "history.csv", np.column_stack(list(columns.values())), delimiter=",", comments="",
                header=",".join(columns),
            )  # fmt: skip
        numbers = {key: value for key, value in played.items() if key not in ("history", "measures")}
        result = run_result(**({f"{name}_se": 1e-5 for name in ("cd", "cl")} | numbers))
        return Outcome(flow, folder, result, played.get("measures", {}))


def bench_in(results: Path) -> Bench:
    """Bench whose flows are computed one by one, in this process."""

    def one_by_one(due: list[Flow]) -> None:
        for flow in due:
            run_flow.compute_run(results, flow.run_id)

    return Bench(results, one_by_one, no_study)
