"""`depthline check`."""

import math
import time

import pytest

from pipeline.files import write_json
from pipeline.flow.prepare import layout_spec
from pipeline.geometry.build import build_layout
from pipeline.study_file import load_study


def test_demo_is_checked_in_seconds(depthline, demo, tmp_path):
    begun = time.monotonic()
    ended = depthline("check", demo, "--json", "--results", tmp_path / "results")
    assert time.monotonic() - begun < 30.0
    assert ended.code == 0
    found = ended.json()
    assert found["study"] == "demo"
    assert found["runs"] == sum(row["runs"] for row in found["patterns"])
    flow = load_study(demo).flow
    assert found["runs"] == found["patterns"][0]["variants"] * len(flow.reynolds) * len(flow.spin_ratios)
    assert found["cold_runs"] == len(flow.reynolds)
    assert found["warnings"] == []
    assert not (tmp_path / "results").exists()
    study = load_study(demo)
    pattern = study.patterns[0]
    for row in found["variants"]:
        assert row["count"] == pattern.layout.count
        assert row["narrowest_land_m"] >= pattern.layout.narrowest_land_m
        # area of a spherical cap over the sphere's: (1 - cos b) / 2 each, sin b = chord / D [closed form]
        half_angle = math.asin(pattern.cavity.chord_diameter_m / study.ball.diameter_m)
        share = (1 - math.cos(half_angle)) / 2
        assert row["coverage"] == pytest.approx(pattern.layout.count * share, rel=1e-9)


def test_tables_name_every_variant_and_the_price(depthline, small, tmp_path):
    ended = depthline("check", small, "--results", tmp_path / "results")
    assert ended.code == 0
    for words in (
        "ico32",
        "d0.150mm",
        "d0.200mm",
        "90000, 180000",
        "0.1, 0.2",
        "8 runs (2 from rest",
        "core hours",
    ):
        assert words in ended.out
    assert ended.err == ""


def test_price_grows_with_the_mesh_and_with_the_runs(depthline, small, tmp_path):
    hours = depthline("check", small, "--json").json()["core_hours"]
    finer = tmp_path / "finer.yaml"
    finer.write_text(small.read_text().replace("coarse", "fine"))
    assert depthline("check", finer, "--json").json()["core_hours"] > 4 * hours
    fewer = tmp_path / "fewer.yaml"
    fewer.write_text(small.read_text().replace("[9e4, 1.8e5]", "[9e4]"))
    # the runs of each Reynolds number cost the same: one from rest, the others from a neighbour
    assert depthline("check", fewer, "--json").json()["core_hours"] == pytest.approx(hours / 2)


def test_warnings_go_to_standard_error(depthline, small):
    text = small.read_text().replace("45.9 g", "46.5 g").replace("1.8e5", "2e4")
    small.write_text(text)
    ended = depthline("check", small, "--json")
    assert ended.code == 0
    assert len(ended.json()["warnings"]) == 2
    assert "warning: ball.mass: 46.50 g is above the 45.93 g" in ended.err
    assert "warning: Re 20000 lies outside" in ended.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("count: 32", "count: 33", "patterns[0] (ico32): "),  # 12 a + 20 b + 30 c + 60 d with a, b, c 0 or 1
        ("count: 32", "count: 92, narrowest_land: 10 mm", "patterns[0] (ico32): "),
        ("0.15 mm", "1.9 mm", "patterns[0].depths["),
    ],
)
def test_an_impossible_geometry_ends_with_2(depthline, small, old, new, words):
    small.write_text(small.read_text().replace(old, new))
    ended = depthline("check", small, "--json")
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err
    assert len(ended.err.splitlines()) == 1


def test_every_impossible_pattern_is_told(depthline, small):
    first = small.read_text()
    second = first[first.index("  - name: ico32") : first.index("flow:")].replace("ico32", "other")
    small.write_text(first.replace("flow:", second + "flow:").replace("count: 32", "count: 33"))
    ended = depthline("check", small)
    assert ended.code == 2
    assert "patterns[0] (ico32): " in ended.err
    assert "patterns[1] (other): " in ended.err


def test_a_layout_that_is_there_already_is_used(depthline, small, tmp_path):
    study = load_study(small)
    folder = tmp_path / "results" / "small" / "geometry" / "ico32"
    write_json(folder / "layout.json", layout_spec(study, study.patterns[0]))
    build_layout(folder)
    lines = (folder / "layout.csv").read_text().splitlines()
    (folder / "layout.csv").write_text("\n".join(lines[:-2]) + "\n")  # two dimples fewer: recognisable
    arguments = ["check", small, "--json", "--results", tmp_path / "results"]
    assert {row["count"] for row in depthline(*arguments).json()["variants"]} == {30}
    small.write_text(small.read_text().replace("3.58 mm", "3.50 mm"))
    assert {row["count"] for row in depthline(*arguments).json()["variants"]} == {32}
