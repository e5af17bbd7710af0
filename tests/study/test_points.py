"""Runs that lie anywhere: names, starts, and a study that carries them through its files."""

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from small_study import SMALL

from pipeline.files.atomic import write_json
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.request import prices
from pipeline.records.flow import RunInputs
from pipeline.records.geometry import VariantInputs
from pipeline.records.record import read
from pipeline.study.file import load_study
from pipeline.study.matrix import fingerprint, runs, variants
from pipeline.study.model import Study
from pipeline.study.points import RunPoint, starts

POINTS = [
    RunPoint.rounded("ico32", 1.5004e-4, 91234.0, 0.1004),
    RunPoint.rounded("ico32", 2.0e-4, 1.5e5, 0.15),
    RunPoint.rounded("ico32", 1.9e-4, 1.4e5, 0.15, None, 1),
    RunPoint.rounded("ico32", 1.9e-4, 1.4e5, 0.15, "medium", 1),
]

points = st.builds(
    RunPoint.rounded,
    st.sampled_from(["a", "b"]),
    st.floats(1e-4, 3e-4),
    st.floats(6e4, 2e5),
    st.floats(0.05, 0.3),
    st.sampled_from([None, "medium"]),
    st.integers(0, 3),
)


def small(folder: Path) -> Study:
    path = folder / "study.yaml"
    path.write_text(SMALL)
    return load_study(path)


def test_names_and_starts_of_runs_anywhere(tmp_path: Path) -> None:
    plan = runs(small(tmp_path).with_points(POINTS))
    assert [run.run_id for run in plan] == [
        "runs/ico32/d0.150mm/re91200/s0.100",
        "runs/ico32/d0.200mm/re150000/s0.150",
        "runs/ico32/d0.190mm/re140000/s0.150",
        "runs/ico32/d0.190mm-medium/re140000/s0.150",
    ]
    # On another mesh level no field fits, so that the last starts from rest.
    assert [run.starts_from for run in plan] == [None, plan[0].run_id, plan[1].run_id, None]
    assert [of.key for of in variants(small(tmp_path).with_points(POINTS))] == [
        "d0.150mm",
        "d0.190mm",
        "d0.190mm-medium",
        "d0.200mm",
    ]


def test_a_study_with_points_is_read_back_as_it_was(tmp_path: Path) -> None:
    study = small(tmp_path).with_points(POINTS)
    write_json(tmp_path / "study.json", study.to_json())
    again = Study.from_json(tmp_path / "study.json")
    assert again.points == study.points
    assert [point.round for point in again.points or ()] == [0, 0, 1, 1]
    assert runs(again) == runs(study)
    assert fingerprint(again) == fingerprint(study) != fingerprint(study.with_points(POINTS[:2]))
    assert study.with_points(None).to_json() == small(tmp_path).to_json()


def test_specs_name_the_mesh_level_of_each_run(tmp_path: Path) -> None:
    study = small(tmp_path).with_points(POINTS)
    prepare(study, tmp_path / "r")
    specs = [read(tmp_path / "r" / run.run_id / "spec.json", RunInputs) for run in runs(study)]
    assert [spec.level for spec in specs] == ["coarse", "coarse", "coarse", "medium"]
    meshes = [read(tmp_path / "r" / spec.geometry / "spec.json", VariantInputs).n for spec in specs]
    assert meshes == [40, 40, 40, 56]
    price = list(prices(study).values())
    assert price[3] > 2 * price[0] > 2 * price[1] == 2 * price[2]


@given(st.lists(points, max_size=12), points)
def test_a_point_that_is_added_changes_no_start_before_it(known: list[RunPoint], new: RunPoint) -> None:
    known.sort(key=lambda point: point.round)
    last = known[-1].round if known else 0
    new = RunPoint(new.pattern, new.depth_m, new.reynolds, new.spin_ratio, new.level, last + 1)
    found = starts([*known, new])
    assert found[:-1] == starts(known)
    for place, start in enumerate(found):
        if start is not None:
            one, other = [*known, new][place], [*known, new][start]
            assert start < place
            assert (one.pattern, one.level) == (other.pattern, other.level)
