"""What the workflow engine is asked for at a time."""

import os
import subprocess
import time
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from small_study import SMALL

from pipeline.flow.campaign.prepare import prepare
from pipeline.study.file import load_study
from pipeline.study.matrix import RunSpec, runs, variants
from pipeline.workflow.engine import MOST_RUNS, batches, command, environment, load_profile


def matrix(sizes: list[int]) -> list[RunSpec]:
    """Runs of patterns with so many runs each."""
    return [
        RunSpec(f"p{place}", "d0.200mm", 1e5, 0.01 * number, f"runs/p{place}/{number}", None)
        for place, size in enumerate(sizes)
        for number in range(size)
    ]


@given(st.lists(st.integers(1, 2 * MOST_RUNS), min_size=1, max_size=8))
def test_batches_are_whole_patterns_of_so_many_runs(sizes: list[int]) -> None:
    *some, rest = batches(matrix(sizes))
    assert rest == []
    asked = [target for batch in some for target in batch]
    if some:
        assert asked == [f"{run.run_id}/run.json" for run in matrix(sizes)]
    for batch in some:
        patterns = {target.split("/")[1] for target in batch}
        assert len(batch) <= MOST_RUNS or len(patterns) == 1
        assert sum(sizes[int(name[1:])] for name in patterns) == len(batch)


def test_a_study_of_one_batch_is_asked_for_as_a_whole() -> None:
    assert batches(matrix([16, 20])) == [[]]


def test_launches_that_have_changed_are_flown_anew_and_nothing_else(tmp_path: Path) -> None:
    """The file's content decides, not its time: it may come from a machine whose clock is behind."""
    launches = tmp_path / "mon{day}.csv"
    launches.write_text("ball_speed_mph,launch_angle_deg,backspin_rpm\n165,11,2600\n")
    file = tmp_path / "study.yaml"
    lines = SMALL.splitlines()[:-1]
    file.write_text("\n".join([*lines, f'    measured: {{file: "{launches.name}", use: drawn}}']) + "\n")
    study, results = load_study(file), tmp_path / "results"
    prepare(study, results)
    made = [f"geometry/{pattern.name}/layout.csv" for pattern in study.patterns]
    made += [f"geometry/{variant.pattern}/{variant.key}/totals.json" for variant in variants(study)]
    made += [f"{run.run_id}/run.json" for run in runs(study)]
    made += ["coefficients.csv", "flights.csv", "decision.csv", "decision.json", "report.html"]
    for name in made:
        (results / name).parent.mkdir(parents=True, exist_ok=True)
        (results / name).write_text("")
    now = time.time()
    for path in results.rglob("*"):
        age = 100.0 if str(path.relative_to(results)) in made else 200.0
        os.utime(path, (now - age, now - age))

    def planned() -> str:
        prepare(study, results)
        words = command(load_profile(None), results, 1, [])
        at = words.index("--")
        done = subprocess.run(
            [*words[:at], "--dry-run", *words[at:]],
            capture_output=True, text=True, check=False, env=environment(), cwd=results,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout + done.stderr

    assert "rule decision" not in planned()
    launches.write_text("ball_speed_mph,launch_angle_deg,backspin_rpm\n160,11,2600\n")
    os.utime(launches, (now - 300.0, now - 300.0))
    found = planned()
    assert "rule decision" in found and "rule report" in found
    assert "rule flow" not in found and "rule coefficients" not in found
