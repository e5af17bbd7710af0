"""`depthline order` and `depthline cutlist --decided`: what a decision asks to be made."""

import csv
import json
from pathlib import Path

import pytest
from report_studies import ONE_PATTERN, Results, make_results

from pipeline.files.atomic import write_json
from pipeline.study.points import RunPoint

LISTED = [
    {"pattern": "ico32", "depth_m": 0.2e-3, "p_within_yard": 0.7, "p_so_far": 0.7},
    {"pattern": "ico32", "depth_m": 0.2304e-3, "p_within_yard": 0.6, "p_so_far": 0.95},
]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Results:
    results = make_results(tmp_path_factory.mktemp("order"), ONE_PATTERN, lambda run, found: found)
    results.folder.rename(results.folder.parent / results.study.name)
    return Results(results.study, results.folder.parent / results.study.name)


def decide(made: Results, state: str, listed: list[dict]) -> list[object]:
    """Write a state of the decision; the options of a command that reads it."""
    path = made.folder / "decision.json"
    decision = json.loads(path.read_text())
    decision["state"] = state
    for one in (decision["advice"][0], decision["product"]):
        one |= {
            "state": state,
            "short_list": listed,
            "pattern": "ico32",
            "depth_m": 0.2e-3,
            "p_within_yard": 0.93,
        }
    decision["rows"][0] |= {"tolerance_m": 12.3e-6, "tolerance_edge_angle_deg": 0.71}
    write_json(path, decision)
    return [made.folder.parent / "study.yaml", "--results", made.folder.parent]


def test_every_ball_of_a_short_list_is_a_line_of_the_order(depthline, made, tmp_path):
    options = decide(made, "prototypes", LISTED)
    ended = depthline("order", *options, "--quantity", 6, "--number", "P 7", "--out", tmp_path, "--json")
    assert ended.code == 0, ended.err
    rows = list(csv.DictReader((tmp_path / "order.csv").open()))
    assert [(row["depth_m"], row["quantity"], row["tolerance_m"]) for row in rows] == [
        ("0.0002", "6", "1.23e-05"),
        ("0.0002304", "6", "1.23e-05"),
    ]
    assert (
        "short list for fast swing, place 1: within a yard of the best with probability 0.70"
        in rows[0]["purpose"]
    )
    assert [row["name"] for row in ended.json()["order"]] == ["ico32 0.20 mm", "ico32 0.23 mm"]
    page = (tmp_path / "order.html").read_text()
    assert "P 7" in page and "0.012" in page and "0.230" in page and "<td>12</td>" in page
    assert "surface depth 0.230 mm<" in page and "(0.0091)" in page  # 0.2304 mm / 25.4
    # The edge angle is that between the depths computed, read off coefficients.csv.
    coefficients = list(csv.DictReader((made.folder / "coefficients.csv").open()))
    of_depth = {row["depth_m"]: float(row["edge_angle_deg"]) for row in coefficients}
    assert float(rows[0]["edge_angle_deg"]) == pytest.approx(of_depth["0.0002"], abs=1e-3)


def test_balls_of_a_study_that_chose_its_runs_are_ordered(depthline, made, tmp_path):
    options = decide(made, "decided", [])
    path = made.folder / "study.json"
    before = path.read_text()
    write_json(path, made.study.with_points([RunPoint("ico32", 0.2e-3, 1e5, 0.1)]).to_json())
    try:
        ended = depthline("order", *options, "--out", tmp_path, "--json")
    finally:
        path.write_text(before)
    assert ended.code == 0, ended.err


def test_a_decided_depth_is_ordered_alone(depthline, made, tmp_path):
    ended = depthline("order", *decide(made, "decided", []), "--units", "SI", "--out", tmp_path, "--json")
    assert ended.code == 0, ended.err
    assert "(in)" not in (tmp_path / "order.html").read_text()
    (row,) = ended.json()["order"]
    assert row["purpose"] == "decided for fast swing: within a yard of the best with probability 0.93"
    assert row["quantity"] == 12


@pytest.mark.parametrize("state", ["run more", "nothing to decide"])
def test_nothing_is_ordered_before_the_decision_asks_for_it(depthline, made, tmp_path, state):
    ended = depthline("order", *decide(made, state, []), "--out", tmp_path / "order")
    assert ended.code == 2
    assert f'the state of the decision is "{state}"' in ended.err and ended.err.count("\n") == 1
    assert not (tmp_path / "order").exists()


def test_cut_lists_of_the_balls_ordered(depthline, made, tmp_path):
    options = decide(made, "prototypes", LISTED)
    ended = depthline(
        "cutlist", *options, "--decided", "--number", "C9", "--revision", "B", "--out", tmp_path, "--json"
    )
    assert ended.code == 0, ended.err
    lists = ended.json()["cut_lists"]
    assert [one["number"] for one in lists] == ["C9-1", "C9-2"]
    assert {path.parent.name for path in tmp_path.glob("ico32/*/cutlist.csv")} == {"d0.200mm", "d0.230mm"}
    # 32 alike dimples on an icosahedral layout, the poles two of them: as many in each half.
    (cuts,) = lists[0]["cuts"]
    assert cuts["count"] == 32 and cuts["upper"] == cuts["lower"]
    # An arc: the cutter's radius is that of the cavity's dimple.
    assert cuts["cutter_radius_mm"] == pytest.approx(lists[0]["classes"][0]["cavity_bottom_radius_mm"])
    page = Path(tmp_path / "ico32/d0.200mm/cutlist.html").read_text()
    for words in ("C9-1", "Revision</th><td>B", "signature", "Datum", "± 0.012 mm", "± 0.71 deg", "45.90 g"):
        assert words in page, words


def test_one_ball_and_decided_exclude_each_other(depthline, made):
    ended = depthline("cutlist", *decide(made, "prototypes", LISTED), "--decided", "--depth", "0.2 mm")
    assert ended.code == 2 and "--depth: 0.2 mm: goes with one ball" in ended.err
