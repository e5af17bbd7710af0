"""`depthline search`: lists a family, prints a candidate for a study, and nothing else takes a family."""

import csv

import pandas as pd
import pytest
import yaml
from small_study import SMALL

from pipeline.aero.collect import COLUMNS, write_coefficients
from pipeline.aero.published import smits_smith_1994
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


def test_runs_that_are_there_rank_the_candidates(depthline, searched, tmp_path):
    found = depthline("search", searched, "--results", tmp_path / "r", "--json").json()["candidates"]
    rows = []
    for number, one in enumerate(found[:2]):
        for depth in (one["depth_lo_m"], one["depth_hi_m"]):
            for re, s in ((9e4, 0.1), (9e4, 0.2), (1.8e5, 0.1)):
                fit = smits_smith_1994(re, s)  # [memory]
                values = {
                    "cd": float(fit.cd) + 0.004 * number,
                    "cd_se": 0.001,
                    "cl": float(fit.cl),
                    "cl_se": 0.002,
                }
                at = {"pattern": one["pattern"], "depth_m": depth, "reynolds": re, "spin_ratio": s}
                of = {"cm": -0.001, "cm_se": 1e-5, "verdict": "settled", "solver": "none"}
                run = {"fidelity": "steady-rans", "run": f"runs/{one['pattern']}/{depth}/{re}/{s}"}
                rows.append(dict.fromkeys(COLUMNS, 0.0) | at | values | of | run)
    write_coefficients(pd.DataFrame(rows)[list(COLUMNS)], tmp_path / "r" / "small" / "coefficients.csv")
    ended = depthline("search", searched, "--results", tmp_path / "r", "--json", "--units", "SI")
    ranked = ended.json()["candidates"]
    assert [row["rank"] for row in ranked] == [1, 2, 3]
    place = {row["pattern"]: row["rank"] for row in ranked}
    assert place[found[0]["pattern"]] < place[found[1]["pattern"]]
    assert (tmp_path / "r" / "small" / "search.png").stat().st_size > 5000
    shown = depthline("search", searched, "--results", tmp_path / "r").out
    assert "carry, yd" in shown and ranked[0]["pattern"] in shown


def test_other_commands_refuse_a_family_and_search_a_list(depthline, searched, small, tmp_path):
    for command in ("run", "check", "status"):
        ended = depthline(command, searched, "--results", tmp_path / "r")
        assert ended.code == 2 and ended.err.count("\n") == 1
        assert "patterns.search: is a family of patterns, which depthline search lists" in ended.err
    ended = depthline("search", small, "--results", tmp_path / "r")
    assert ended.code == 2 and "patterns: is a list, which depthline check shows" in ended.err
    assert not (tmp_path / "r").exists()
