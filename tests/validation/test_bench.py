"""The bench: what it computes, in which order, and what it does not compute again. The solver is played."""

import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from played_bench import bench_in, no_study
from small_study import run_result

from pipeline.flow.campaign import kept
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.solver.state import save_state
from pipeline.geometry.shell.mesh import Level
from pipeline.records.flow import RunResult
from pipeline.records.record import write
from pipeline.study.file import load_study
from pipeline.validation import run_flow
from pipeline.validation.bench import Bench, Outcome, computed
from pipeline.validation.flows import SPHERE, Flow, Mesh
from pipeline.validation.workflow import compute_flows, plan
from pipeline.workflow.results_lock import locked_results

DEMO = Path(__file__).parents[2] / "cases/demo/study.yaml"

MESH = Mesh(SPHERE, Level(4, 16), 0.05, mirrored=True)
REST = Flow(MESH, "laminar", 100.0, 0.0)
SPUN = Flow(MESH, "laminar", 100.0, 0.5, starts_from=REST)


class Solver:
    """Plays `pipeline.flow.campaign.run.run`: notes what is asked, gives what it is told to."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.verdicts: dict[str, str] = {}

    def run(
        self,
        results: Path,
        run_id: str,
        ranks: int = 1,
        keep: str = "numbers",
    ) -> RunResult:
        self.asked.append(run_id)
        verdict = self.verdicts.get(run_id, "settled")
        result = run_result(
            run=run_id, verdict=verdict, reason="as played", cd=1.09, cd_se=1e-4, cl=0.0, cl_se=1e-4
        )
        if verdict == "settled":
            # A recirculation of length 1 behind the ball.
            state = {"U": np.zeros((MESH.cells, 3)), "p": np.zeros(MESH.cells)}
            state["U"][:, 0] = np.tile(np.arange(16) - 7.5, 48)
            save_state(results / run_id / "state.npz", state)
        write(results / run_id / "run.json", result)
        return result


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch) -> Solver:
    played = Solver()
    monkeypatch.setattr(run_flow, "run", played.run)
    return played


def test_a_flow_is_computed_after_its_start_and_once(tmp_path: Path, solver: Solver) -> None:
    bench = bench_in(tmp_path)
    outcomes = bench.compute([SPUN])
    assert solver.asked == [REST.run_id, SPUN.run_id]
    assert list(outcomes) == [SPUN]
    assert outcomes[SPUN].result.cd == 1.09
    assert outcomes[SPUN].measures["wake_length"] is not None
    assert list(bench.compute([REST, SPUN])) == [REST, SPUN]
    assert len(solver.asked) == 2
    assert list(computed(tmp_path, [REST, SPUN, replace(SPUN, spin_ratio=1.0)])) == [REST, SPUN]


def test_cores_that_no_other_run_can_take_become_ranks() -> None:
    chain, other = plan([REST, SPUN], 2).due, replace(REST, label="other")
    assert {run: (of.after, of.ranks) for run, of in chain.items()} == {
        REST.run_id: (None, 2), SPUN.run_id: (REST.run_id, 2),
    }  # fmt: skip
    assert {of.ranks for of in plan([REST, SPUN, other], 2).due.values()} == {1}
    # A start that is there is not waited for.
    assert plan([SPUN], 1).due[SPUN.run_id].after is None


def test_what_has_another_spec_is_computed_anew(tmp_path: Path, solver: Solver) -> None:
    bench = bench_in(tmp_path)
    bench.compute([SPUN])
    bench.compute([replace(SPUN, options={"iterations": 700})])
    assert solver.asked == [REST.run_id, SPUN.run_id, SPUN.run_id]
    # What is there needs no start any more, whatever that has become.
    other_start = replace(REST, options={"iterations": 50})
    bench.compute([replace(SPUN, starts_from=other_start, options={"iterations": 700})])
    assert len(solver.asked) == 3
    spec = json.loads((tmp_path / SPUN.run_id / "spec.json").read_text())
    assert (spec["iterations"], spec["starts_from"]) == (700, REST.run_id)


def test_the_spec_has_what_a_study_writes(tmp_path: Path) -> None:
    study = load_study(DEMO)
    prepare(study, tmp_path)
    written = json.loads(next((tmp_path / "runs").rglob("spec.json")).read_text())
    assert set(SPUN.spec().content()) == set(written)


def test_a_diverged_run_is_told_and_left_alone_a_killed_one_is_taken_up(
    tmp_path: Path, solver: Solver
) -> None:
    bench = bench_in(tmp_path)
    solver.verdicts = {REST.run_id: "diverged"}
    assert list(bench.compute([REST, SPUN])) == [SPUN]
    assert bench.failures == {REST.run_id: "diverged: as played"}
    bench.compute([REST])
    assert len(solver.asked) == 2
    solver.verdicts = {SPUN.run_id: "killed"}
    changed = replace(SPUN, options={"iterations": 700})
    assert bench.compute([changed]) == {}
    solver.verdicts = {}
    assert list(bench.compute([changed])) == [changed]


def test_states_go_when_they_are_measured_and_nothing_starts_from_them(
    tmp_path: Path, solver: Solver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "LARGE_STATE", 0.0)
    seen = {}

    def look(results: Path, run_id: str, *rest: Any, **more: Any) -> RunResult:
        seen[run_id] = (tmp_path / REST.run_id / "state.npz").is_file()
        return solver.run(results, run_id, *rest, **more)

    monkeypatch.setattr(run_flow, "run", look)
    outcome = bench_in(tmp_path).compute([SPUN])[SPUN]
    assert seen == {REST.run_id: False, SPUN.run_id: True}
    assert list(tmp_path.rglob("state.npz")) == []
    assert outcome.measures["wake_length"] is not None


def test_flows_that_would_share_a_folder_are_refused(tmp_path: Path, solver: Solver) -> None:
    other = replace(SPUN, options={"iterations": 700})
    with pytest.raises(ValueError, match="two different flows; give one a label"):
        bench_in(tmp_path).compute([SPUN, other])
    bench_in(tmp_path).compute([SPUN, replace(other, label="long")])
    assert solver.asked[-1] == f"{SPUN.run_id}-long"


@pytest.mark.solver
def test_the_workflow_computes_flows_side_by_side_as_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    tiny = {"iterations": 120, "standard_error": {"cd": -1.0, "cl": -1.0}}
    mesh = Mesh(SPHERE, Level(8, 16), 0.01, mirrored=True)
    flows = [Flow(mesh, "laminar", 100.0, spin_ratio, None, tiny) for spin_ratio in (0.0, 0.5)]
    after = Flow(mesh, "laminar", 100.0, 0.25, flows[0], tiny)

    def by_workflow(cores: int) -> dict[Flow, Outcome]:
        folder = Path(str(cores))
        folder.mkdir()
        with locked_results(folder) as lock:
            execute = partial(compute_flows, folder, cores, lock)
            return Bench(folder, execute, no_study).compute([*flows, after])

    together = by_workflow(2)
    assert list(together) == [*flows, after]
    alone = bench_in(tmp_path / "alone").compute([*flows, after])
    for flow in (*flows, after):
        np.testing.assert_allclose(together[flow].history()["cd"], alone[flow].history()["cd"])
        assert together[flow].measures == pytest.approx(alone[flow].measures)
