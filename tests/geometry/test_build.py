"""The geometry station: its files, and what a killed one left."""

import json
from pathlib import Path

from small_study import SMALL

from pipeline.files.atomic import TEMPORARY
from pipeline.flow.campaign.prepare import prepare
from pipeline.geometry.build import build_layout, build_variant
from pipeline.records.tree import QUALITY, SKIN_STL, TOTALS
from pipeline.study.file import load_study
from pipeline.study.matrix import variants


def test_skins_of_a_killed_station_are_removed(tmp_path: Path) -> None:
    (tmp_path / "study.yaml").write_text(SMALL)
    study = load_study(tmp_path / "study.yaml")
    prepare(study, tmp_path)
    variant = variants(study)[0]
    folder = tmp_path / "geometry" / variant.pattern / variant.key
    build_layout(folder.parent)
    left = [folder / ".skin.stl.ab_12xyz", folder / "shell/polyMesh/.points.k3k3k3k3"]
    for path in left:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes(1000))
    build_variant(folder)
    assert list(folder.rglob(TEMPORARY)) == []
    assert (folder / SKIN_STL).stat().st_size > 1e6
    assert json.loads((folder / TOTALS).read_text())["skin"]["edges_fitted"] is True
    assert json.loads((folder / QUALITY).read_text())["edges_fitted"] is True
