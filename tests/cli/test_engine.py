"""What the workflow engine is asked for at a time."""

from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli.engine import MOST_RUNS, batches
from pipeline.matrix import RunSpec


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
