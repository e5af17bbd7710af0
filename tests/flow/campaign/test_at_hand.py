"""Which runs of a study are there already. The solver is a stub: only inputs and files matter."""

import json
from pathlib import Path

import pytest
from small_study import laminar_study

import pipeline.flow.solver.execute
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.at_hand import FINISHED, REUSED, at_hand
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.reuse import remember
from pipeline.flow.campaign.run import run
from pipeline.geometry.build import build_layout, build_variant
from pipeline.records.tree import RESULT
from pipeline.study.file import load_study
from pipeline.study.matrix import runs, variants
from pipeline.study.model import Study

STUB = Path(__file__).parents[2] / "stub_solver"
LABEL = "OpenFOAM 1912_stub"

STUDY = laminar_study("first", spin_ratios="0.1, 0.2")

SECOND = {"name: first": "name: second"}


def study(folder: Path, **changes: str) -> Study:
    text = STUDY
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "study.yaml").write_text(text)
    return load_study(folder / "study.yaml")


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of all results with a study that is finished."""
    folder = tmp_path_factory.mktemp("at_hand")
    first = study(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", str(STUB), prepend=":")
        patch.setenv("WM_PROJECT_DIR", str(STUB))
        patch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.02)
        prepare(first, folder / "first")
        build_layout(folder / "first/geometry/ico")
        for variant in variants(first):
            build_variant(folder / "first/geometry/ico" / variant.key)
        for one in runs(first):
            run(folder / "first", one.run_id)
            assert remember(folder / "first", one.run_id) == ""
    return folder


def test_finished_runs_are_at_hand_and_others_are_not(root: Path) -> None:
    first = study(root)
    assert at_hand(first, root / "first", LABEL) == {one.run_id: FINISHED for one in runs(first)}
    assert at_hand(first, root / "first", None) == {one.run_id: FINISHED for one in runs(first)}
    more = study(root, **{"[60]": "[60, 70]"})
    # One shell serves all Reynolds numbers: a higher one makes it anew, and the old runs with it.
    assert at_hand(more, root / "first", LABEL) == {}
    more = study(root, **{"[0.1, 0.2]": "[0.1, 0.2, 0.3]"})
    assert len(runs(more)) == 6
    assert at_hand(more, root / "first", LABEL) == {one.run_id: FINISHED for one in runs(first)}


def test_runs_of_a_new_study_are_found_by_their_inputs(root: Path) -> None:
    again = study(root, **{"name: first": "name: second", "name: ico": "name: renamed"})
    assert at_hand(again, root / "second", LABEL) == {one.run_id: REUSED for one in runs(again)}
    assert not (root / "second").exists()  # nothing is written
    assert at_hand(again, root / "second", None) == {}
    assert at_hand(again, root / "second", "OpenFOAM 2312") == {}
    assert at_hand(study(root, **SECOND, **{"cd: 0.01": "cd: 0.02"}), root / "second", LABEL) == {}
    deeper = study(root, **SECOND, **{"0.5 mm": "0.6 mm"})
    # The middle of the depths, from which the others start, is 0.4 mm as before.
    known = at_hand(deeper, root / "second", LABEL)
    assert set(known) == {one.run_id for one in runs(deeper) if "d0.400mm" in one.run_id}


def test_runs_that_will_be_taken_up_again_are_not_at_hand(root: Path) -> None:
    first = study(root)
    one, *_ = (each.run_id for each in runs(first))
    path = root / "first" / one / RESULT
    before = path.read_text()
    write_json(path, json.loads(path.read_text()) | {"verdict": "killed", "cd": None})
    assert at_hand(first, root / "first", LABEL)[one] == REUSED  # the store has it still
    assert at_hand(first, root / "first", None).get(one) is None
    path.write_text("{}")
    assert at_hand(first, root / "first", None).get(one) is None
    path.write_text(before)
    assert json.loads(before)["verdict"] == "settled"
