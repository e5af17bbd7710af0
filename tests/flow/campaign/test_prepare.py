"""Specs that the workflow compares by time, and depths refused before anything is written."""

import json
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import check_cavities, prepare
from pipeline.study.file import load_study

TEXT = """
name: small
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: ico
    layout: {symmetry: icosahedral, count: 332}
    cavity: {chord_diameter: 3.6 mm}
    DEPTHS
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4, 1.8e5], spin_ratios: [0.08, 0.2]}
golfers:
  - name: one
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


def study(folder: Path, depths: str = "depths: [0.2 mm, 0.25 mm]", text: str = TEXT):
    path = folder / "study.yaml"
    path.write_text(text.replace("DEPTHS", depths))
    return load_study(path)


def files(results: Path) -> dict[str, int]:
    return {
        str(path.relative_to(results)): path.stat().st_mtime_ns
        for path in results.rglob("*")
        if path.is_file()
    }


def test_a_second_preparation_touches_nothing(tmp_path: Path) -> None:
    prepare(study(tmp_path), tmp_path / "r")
    before = files(tmp_path / "r")
    assert len(before) == 1 + 1 + 2 + 8
    prepare(study(tmp_path), tmp_path / "r")
    assert files(tmp_path / "r") == before


@pytest.mark.parametrize(
    ("old", "new", "touched"),
    [
        ("70 m/s", "71 m/s", {"study.json"}),
        ("coarse", "medium", {"study.json", "geometry", "runs"}),
        ("3.6 mm", "3.5 mm", {"study.json", "geometry/ico/layout.json"}),
    ],
)
def test_a_change_touches_what_depends_on_it(tmp_path: Path, old: str, new: str, touched: set[str]) -> None:
    prepare(study(tmp_path), tmp_path / "r")
    before = files(tmp_path / "r")
    prepare(study(tmp_path, text=TEXT.replace(old, new)), tmp_path / "r")
    after = files(tmp_path / "r")
    changed = {name for name in after if after[name] != before.get(name)}
    assert all(any(name.startswith(start) for start in touched) for name in changed)
    assert all(any(name.startswith(start) for name in changed) for start in touched)


def test_a_run_knows_its_geometry_and_its_start(tmp_path: Path) -> None:
    prepare(study(tmp_path), tmp_path / "r")
    spec = json.loads((tmp_path / "r/runs/ico/d0.250mm/re180000/s0.200/spec.json").read_text())
    assert spec["geometry"] == "geometry/ico/d0.250mm"
    assert spec["starts_from"] == "runs/ico/d0.200mm/re180000/s0.200"
    geometry = json.loads((tmp_path / "r/geometry/ico/d0.250mm/spec.json").read_text())
    assert geometry["depth_m"] == pytest.approx(0.25e-3)
    # First cell from the highest Reynolds number, the same for all runs of the study.
    assert 1e-4 < geometry["first_cell"] < 3e-4


def test_an_impossible_depth_is_refused_with_its_place(tmp_path: Path) -> None:
    bad = study(tmp_path, "depths: [0.2 mm, 0.02 mm]")
    with pytest.raises(InputError, match=r"study.yaml:8: patterns\[0\].depths\[1\]: .*mm"):
        check_cavities(bad, tmp_path / "study.yaml")


def test_an_impossible_edge_angle_is_refused_with_its_place(tmp_path: Path) -> None:
    bad = study(tmp_path, "edge_angles: [3 deg]")
    with pytest.raises(InputError, match=r"study.yaml:8: patterns\[0\].edge_angles\[0\]: .*deg"):
        check_cavities(bad, tmp_path / "study.yaml")
