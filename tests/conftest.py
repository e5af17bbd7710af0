"""Settings of all tests."""

import os

# Matrices of tests are small: threads of BLAS only wait for each other, eight times as long where workers
# share cores. Set before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

LONGEST_FIRST = (
    "test_dimpled_ball.py",
    "test_calibration.py",
    "test_run_rounds.py",
    "test_run_study.py",
)
"""Files of minutes: started first, so that no worker is left with one when the others have ended."""

SLOW = ("solver", "long", "browser")
"""Marks of tests whose files come next."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: number for number, name in enumerate(LONGEST_FIRST)}
    slow = {item.path for item in items if any(item.get_closest_marker(mark) for mark in SLOW)}
    items.sort(key=lambda item: (place.get(item.path.name, len(place)), item.path not in slow))


# The same examples at each run, so that a change is judged by what it does and not by luck. New ones are
# looked for with `./run test --hypothesis-profile=search`.
# Without a deadline: a machine that others use is no fault of the code.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", max_examples=1000, deadline=None)
settings.load_profile("same")
