"""What `depthline run` says of a geometry before and after it is there."""

import numpy as np
import pytest
from small_study import SMALL

from pipeline.cli.plausible_geometry import built_warnings, geometry_warnings
from pipeline.files.atomic import write_json
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.build import make_ball
from pipeline.geometry.layout.layout import Layout
from pipeline.records.geometry import BallInputs
from pipeline.study.file import load_study

CAVITY = "    cavity: {chord_diameter: 3.58 mm}\n"


@pytest.fixture
def warned(tmp_path):
    def of(text):
        (tmp_path / "study.yaml").write_text(text)
        return geometry_warnings(load_study(tmp_path / "study.yaml"), tmp_path / "results" / "small")

    return of


def test_a_spread_layout_is_judged_without_looking_for_it(warned, tmp_path):
    coverage, volume = warned(SMALL)
    # 32 (1 - cos b) / 2, sin b = 3.58 / 42.7 [closed form]
    assert coverage.startswith("patterns[0] (ico32): coverage 5.63 % is outside 40 to 95 %: dimples are few")
    assert volume.startswith("patterns[0] (ico32): dimple volume 0.0593 to 0.0791 % is outside 0.3 to 2.5 %")
    assert not (tmp_path / "results").exists()
    assert warned(SMALL.replace("count: 32}", "count: 332}")) == []
    assert warned(SMALL.replace("count: 32}", "count: 332}").replace("3.58 mm}", "3.3 mm, sides: 6}")) == []


def test_a_layout_file_in_inches_under_a_heading_of_mm_is_named(warned, tmp_path):
    rows = "".join(
        f"{polar},{azimuth},0.14\n" for polar in range(10, 171, 10) for azimuth in range(0, 360, 20)
    )
    (tmp_path / "layout.csv").write_text("polar_deg,azimuth_deg,chord_diameter_mm\n" + rows)
    text = SMALL.replace("{symmetry: icosahedral, count: 32}", "{file: layout.csv}").replace(CAVITY, "")
    found = warned(text.replace("[0.15 mm, 0.20 mm]", "[0.02 mm]"))
    assert "chord diameters look like inches under a heading or unit of mm" in found[0]


def test_classes_are_judged_when_their_geometry_is_there(warned, tmp_path):
    text = SMALL.replace("count: 32", "count: 32, classes: 2").replace(CAVITY, "")
    assert warned(text) == []
    study, results = load_study(tmp_path / "study.yaml"), tmp_path / "results" / "small"
    assert built_warnings(study, results) == []
    ball = make_ball(
        Layout(np.array([[0.0, 0.0, 1.0]]), np.array([3.6e-3]), "none", 1),
        BallInputs(ball_diameter_m=42.7e-3, depth_m=0.2e-3, edge_angle_rad=None),
    )
    measured = totals(ball).content() | {"coverage": 0.8, "dimple_volume_share": 0.03}
    measured |= {
        "edge_angle_min_deg": 9.0,
        "edge_angle_max_deg": 30.0,
        "skin": {},
        "cells_across_dimple": 4.0,
    }
    write_json(results / "geometry/ico32/d0.150mm/totals.json", measured)
    (results / "geometry/ico32/d0.200mm").mkdir()
    (results / "geometry/ico32/d0.200mm/totals.json").write_text("[")
    angle, volume = built_warnings(study, results)
    assert angle.startswith(
        "patterns[0] (ico32): edge angle 9 to 30 deg is outside 4 to 25 deg: depths are large"
    )
    assert volume.startswith("patterns[0] (ico32): dimple volume 3 % is outside 0.3 to 2.5 %")
