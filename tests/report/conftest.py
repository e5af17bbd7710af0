"""Results that the tests of the report share."""

from typing import Any

import pytest
from report_studies import ONE_PATTERN, TWO_PATTERNS, Results, failed, make_results

from pipeline.report.page import write_report
from pipeline.study.matrix import RunSpec


def _with_faults(run: RunSpec, found: dict[str, Any]) -> dict[str, Any] | None:
    if run.run_id == "runs/ico32/d0.250mm/re90000/s0.200":
        return failed(found, "diverged", "Cd beyond its bound at iteration 57")
    if run.run_id == "runs/ico32/d0.300mm/re90000/s0.200":
        return found | {"verdict": "noisy", "cd_se": 0.0042, "warnings": ["started cold: <no state> left"]}
    if run.run_id == "runs/oct14/e12.00deg/re90000/s0.200":
        return None
    return found


@pytest.fixture(scope="session")
def two_patterns(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Two golfers, two patterns, a run that diverged, one that is noisy and one that is missing."""
    return make_results(tmp_path_factory.mktemp("two"), TWO_PATTERNS, _with_faults)


@pytest.fixture(scope="session")
def page(two_patterns: Results) -> str:
    """The report of `two_patterns`."""
    return write_report(*two_patterns).read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """One golfer, one pattern, three depths, one flow; all settled. To be copied before it is altered."""
    return make_results(tmp_path_factory.mktemp("small"), ONE_PATTERN, lambda run, found: found)
