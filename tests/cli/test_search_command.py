"""`depthline search`: lists a family, prints a candidate for a study, and nothing else takes a family."""

import csv

import pytest
import yaml
from small_study import SMALL

from pipeline.study.file import study_of

LIST = SMALL[SMALL.index("patterns:") : SMALL.index("flow:")]
FAMILY = SMALL.replace(
    LIST,
    """\
patterns:
  search:
    candidates: 3
    layout:
      symmetry: [icosahedral]
      count: {lowest: 300, highest: 340}
      narrowest_land: {lowest: 0.05 mm, highest: 0.60 mm}
    coverage: {lowest: 60 %, highest: 75 %}
    depths: {shallowest: 0.12 mm, deepest: 0.30 mm}
""",
)


@pytest.fixture
def searched(tmp_path):
    path = tmp_path / "family.yaml"
    path.write_text(FAMILY)
    return path


def test_lists_candidates_and_writes_them(depthline, searched, tmp_path):
    ended = depthline("search", searched, "--results", tmp_path / "r", "--json")
    assert ended.code == 0
    found = ended.json()
    rows = list(csv.DictReader((tmp_path / "r" / "small" / "search.csv").read_text().splitlines()))
    assert [row["pattern"] for row in rows] == [row["pattern"] for row in found["candidates"]]
    assert len(rows) == 3 and all(0.6 <= float(row["coverage"]) <= 0.7501 for row in rows)
    shown = depthline("search", searched, "--results", tmp_path / "r")
    assert rows[0]["pattern"] in shown.out and "3 patterns can be made" in shown.out
    name = rows[1]["pattern"]
    entry = depthline("search", searched, "--results", tmp_path / "r", "--show", name).out
    text = SMALL.replace(LIST, yaml.safe_dump({"patterns": yaml.safe_load(entry)}))
    (pattern,) = study_of(tmp_path / "study.yaml", text).patterns
    assert pattern.name == name
    assert pattern.cavity.chord_diameter_m == pytest.approx(float(rows[1]["chord_diameter_m"]))
    none = depthline("search", searched, "--results", tmp_path / "r", "--show", "ico1")
    assert none.code == 2 and "ico1: is no candidate" in none.err


def test_other_commands_refuse_a_family_and_search_a_list(depthline, searched, small, tmp_path):
    for command in ("run", "check", "status"):
        ended = depthline(command, searched, "--results", tmp_path / "r")
        assert ended.code == 2 and ended.err.count("\n") == 1
        assert "patterns.search: is a family of patterns, which depthline search lists" in ended.err
    ended = depthline("search", small, "--results", tmp_path / "r")
    assert ended.code == 2 and "patterns: is a list, which depthline check shows" in ended.err
    assert not (tmp_path / "r").exists()
