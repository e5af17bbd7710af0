"""Pages of measurements are what the tracked tables say."""

import runpy
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPT = runpy.run_path(str(ROOT / "benchmarks" / "results_page.py"))


@pytest.mark.parametrize("name", sorted(SCRIPT["PAGES"]))
def test_pages_are_up_to_date(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == SCRIPT["page"](name), (
        "run python benchmarks/results_page.py"
    )


def test_a_table_without_its_commit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("# title: x\n# machine: m\n# date: d\n# command: c\na,b\n1,2\n")
    with pytest.raises(ValueError, match="# commit:"):
        SCRIPT["section"](path)
