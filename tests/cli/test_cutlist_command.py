"""`depthline cutlist` and `depthline draw`."""

import csv
import re

import matplotlib.image
import meshio
import pytest

from pipeline.files.atomic import write_json


def test_cut_list_of_a_depth_that_is_not_studied(depthline, small, tmp_path):
    out = tmp_path / "cut"
    ended = depthline(
        "cutlist", small, "--depth", "0.23 mm", "--shrinkage", "0.5 %", "--land-finish", "10 um",
        "--dimple-finish", "0.015 mm", "--out", out, "--json", "--results", tmp_path / "none",
    )  # fmt: skip
    assert ended.code == 0, ended.err
    found = ended.json()
    assert (found["pattern"], found["variant"]) == ("ico32", "d0.230mm")
    # (42.7 - 2 x 0.010) / 0.995 [computed]
    assert found["cavity_diameter_mm"] == pytest.approx(42.68 / 0.995, rel=1e-12)
    assert found["tolerances"] == []
    assert found["classes"][0]["count"] == 32
    assert found["classes"][0]["cavity_surface_depth_mm"] == pytest.approx(0.235 / 0.995, rel=1e-9)
    rows = list(csv.DictReader((out / "cutlist.csv").open()))
    assert len(rows) == 32 and {row["surface_depth_mm"] for row in rows} == {"0.2300"}
    page = (out / "cutlist.html").read_text()
    assert page.count("<svg") == 3 and "http" not in re.sub(r'xmlns[^"]*"[^"]*"', "", page)
    assert re.search(r"<h1>Cut list: ico32, surface depth 0\.230 mm \(edge angle [\d.]+ deg\)</h1>", page)
    assert "42.8945" in page and "0.500 %" in page and "has not been decided" in page
    surface = meshio.read(out / "finished_ball.stl")
    assert surface.points[:, 2].max() == pytest.approx(21.35, abs=0.25)
    # The body that fills the cavity, split at z = 0: heights from 0 to the cavity's radius, less dimples.
    for half, sign in (("upper", 1), ("lower", -1)):
        height = sign * meshio.read(out / f"cavity_{half}.stl").points[:, 2]
        assert height.min() == pytest.approx(0.0, abs=1e-6)
        assert height.max() == pytest.approx(42.8945 / 2, abs=0.25)
    assert (out / "finished_ball.step").exists() or "no STEP files" in ended.err
    assert [kept.name for kept in (tmp_path / "none").iterdir()] == [".layouts"]


def test_tolerance_comes_from_the_decision(depthline, small, tmp_path):
    row = {"golfer": "fast swing", "best_depth_m": 0.18e-3, "best_depth_lo_m": None, "best_depth_hi_m": None}
    row |= {"carry_m": 230.0, "carry_se_m": 1.0, "peak_height_m": 30.0, "in_window": None, "p_best": 1.0}
    row |= {"at_edge": False, "p_edge": 0.0, "state": "decided"}
    rows = [
        row | {"pattern": "ico32", "tolerance_m": 0.012e-3},
        row | {"pattern": "other", "tolerance_m": 1.0},
    ]
    decision = {
        "golfers": ["fast swing"],
        "patterns": ["ico32", "other"],
        "notes": [],
        "rows": rows,
        "version": 2,
    }
    decision |= {"curves": [], "advice": []}
    write_json(tmp_path / "results" / "small" / "decision.json", decision)
    ended = depthline("cutlist", small, "--edge-angle", "14 deg", "--json", "--results", tmp_path / "results")
    assert ended.code == 0, ended.err
    assert [r["tolerance_m"] for r in ended.json()["tolerances"]] == [0.012e-3]
    page = (tmp_path / "results/small/cutlist/ico32/e14.00deg/cutlist.html").read_text()
    assert "fast swing" in page and "(0.00047 in)" in page
    assert re.search(r"<h1>Cut list: ico32, edge angle 14\.00 deg \(surface depth [\d.]+ mm\)</h1>", page)


def test_pictures_are_written(depthline, small, tmp_path):
    ended = depthline("draw", small, "--depth", "0.2 mm", "--out", tmp_path / "drawn")
    assert ended.code == 0, ended.err
    for name in ("map.png", "sections.png"):
        assert matplotlib.image.imread(tmp_path / "drawn" / name).std() > 0.02


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "--depth: give one of --depth"),
        (("--depth", "0.2 mm", "--edge-angle", "14 deg"), "--depth: give one of --depth"),
        (("--depth", "0.2"), "--depth: 0.2: has no unit"),
        (("--depth", "0.01 mm"), "surface depth 0.01 mm with chord diameter 3.58 mm: must be above"),
        (("--depth", "0.2 mm", "--pattern", "oct"), "--pattern: oct: must be one of ico32"),
        (("--depth", "0.2 mm", "--shrinkage", "20 %"), "shrinkage 20 %: must be 0 % to 10 %"),
    ],
)
def test_wrong_options_give_one_line_and_write_nothing(depthline, small, tmp_path, options, message):
    ended = depthline("cutlist", small, *options, "--out", tmp_path / "cut")
    assert ended.code == 2
    assert message in ended.err and ended.err.count("\n") == 1
    assert not (tmp_path / "cut").exists()
