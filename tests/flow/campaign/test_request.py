"""What runs ask a queue for."""

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.flow.campaign.request import Policy, requests
from pipeline.study.file import load_study

DEMO = load_study(Path(__file__).parents[3] / "cases/demo/study.yaml")


def test_ranks_are_those_of_the_study_on_one_machine() -> None:
    assert {request.ranks for request in requests(DEMO, Policy()).values()} == {DEMO.flow.ranks}


@pytest.mark.parametrize(("cells_per_core", "ranks"), [(50_000, 4), (100_000, 2), (10**6, 1)])
def test_ranks_follow_from_the_cells_in_a_queue(cells_per_core: int, ranks: int) -> None:
    # The demo's half shells have 192,000 cells.
    found = requests(DEMO, Policy(cells_per_core=cells_per_core)).values()
    assert {request.ranks for request in found} == {ranks}


def test_each_attempt_asks_for_more() -> None:
    request = next(iter(requests(DEMO, Policy(cells_per_core=50_000)).values()))
    assert request.minutes(2) == 2 * request.minutes(1)
    assert request.memory_mb(2) == pytest.approx(1.5 * request.memory_mb(1), abs=1)
    # More than what such a run was seen to take: 359 MB on one rank.
    assert request.memory_mb(1) > 359


def test_time_stays_within_the_partition() -> None:
    found = requests(DEMO, Policy(longest_minutes=12)).values()
    assert {request.minutes(attempt) for request in found for attempt in (1, 2, 3)} <= {10, 12}


def test_small_runs_go_together_by_pattern_and_reynolds_number() -> None:
    found = requests(DEMO, Policy(small_minutes=60))
    assert {request.group for request in found.values()} == {
        f"ico332/re{reynolds:g}" for reynolds in DEMO.flow.reynolds
    }
    assert {request.group for request in requests(DEMO, Policy(small_minutes=0.01)).values()} == {None}


@pytest.mark.parametrize(
    ("config", "words"),
    [
        ({"cell_per_core": 5}, "cell_per_core: no such key"),
        ({"cells_per_core": 0}, "cells_per_core: 0: must be a whole number above 0"),
        ({"attempts": True}, "attempts: True: must be a whole number above 0"),
        ({"attempts": "3"}, "attempts: 3: must be a whole number"),
        ({"small_minutes": float("nan")}, "small_minutes: nan: must be a number above 0"),
    ],
)
def test_a_wrong_profile_is_told(config: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Policy.from_config(config)
