"""The geometry station: its files, and what a killed one left."""

from pathlib import Path

from small_study import SMALL

from pipeline.files.atomic import TEMPORARY, read_json
from pipeline.flow.campaign.prepare import prepare
from pipeline.geometry.build import SKIN_STL, TOTALS, build_layout, build_variant
from pipeline.geometry.shell.files import QUALITY
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
    assert read_json(folder / TOTALS)["skin"]["edges_fitted"] is True
    assert read_json(folder / QUALITY)["edges_fitted"] is True
