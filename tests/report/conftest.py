"""Results that the tests of the report share."""

import pytest
from report_studies import ONE_PATTERN, TWO_PATTERNS, Results, make_results, with_faults

from pipeline.report.page import write_report


@pytest.fixture(scope="session")
def two_patterns(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Two golfers, two patterns, a run that diverged, one that is noisy and one that is missing."""
    return make_results(tmp_path_factory.mktemp("two"), TWO_PATTERNS, with_faults)


@pytest.fixture(scope="session")
def page(two_patterns: Results) -> str:
    """The report of `two_patterns`."""
    return write_report(*two_patterns).read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """One golfer, one pattern, three depths, one flow; all settled. To be copied before it is altered."""
    return make_results(tmp_path_factory.mktemp("small"), ONE_PATTERN, lambda run, found: found)
