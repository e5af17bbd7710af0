"""Results shared between studies by the key of their inputs; the solver is a stub: only files matter."""

import dataclasses
import errno
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from tunnel import Tunnel

import pipeline.flow.solver.execute
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.provenance import COLUMNS, mixed, rows, write_provenance
from pipeline.flow.campaign.reuse import entries, remember, reuse
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry.shell.mesh import Level
from pipeline.records.flow import RunResult
from pipeline.records.record import read

STUB = Path(__file__).parents[2] / "stub_solver"
LABEL = "OpenFOAM 1912_stub"


class Study(Tunnel):
    """A tunnel whose ball is there already."""

    def __init__(self, results: Path) -> None:
        self.results, self.model = results, fidelity("laminar")


@pytest.fixture(scope="module")
def computed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study with a run and one that started from it, and a second with the same ball and no runs."""
    folder = tmp_path_factory.mktemp("computed")
    first, _ = (Tunnel(folder / name, "laminar", Level(8, 16), 100.0) for name in ("first", "second"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", str(STUB), prepend=":")
        patch.setenv("WM_PROJECT_DIR", str(STUB))
        patch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.02)
        for spin_ratio, start in ((0.1, None), (0.2, "runs/smooth/re100/s0.1")):
            run_id = first.prepare("smooth", 100.0, spin_ratio, starts_from=start)
            run(first.results, run_id)
            remember(first.results, run_id)
    return folder


@pytest.fixture
def studies(computed: Path, tmp_path: Path) -> list[Study]:
    """A copy of both."""
    shutil.copytree(computed, tmp_path, dirs_exist_ok=True)
    return [Study(tmp_path / name) for name in ("first", "second")]


def again(tunnel: Study, spin_ratio: float, **options: Any) -> RunResult | None:
    return reuse(tunnel.results, tunnel.prepare("smooth", 100.0, spin_ratio, **options), LABEL, "numbers")


def test_the_same_inputs_are_not_computed_twice(studies: list[Study]) -> None:
    first, second = studies
    taken = again(second, 0.1, pattern="renamed")
    assert taken is not None
    folder, origin = (tunnel.results / "runs/smooth/re100/s0.1" for tunnel in (second, first))
    computed = json.loads((origin / "run.json").read_text())
    assert read(folder / "run.json", RunResult) == taken
    assert taken.reused_from == "first/runs/smooth/re100/s0.1"
    assert taken.pattern == "renamed"
    assert {name: getattr(taken, name) for name in ("cd", "cl", "key", "core_seconds")} == {
        name: computed[name] for name in ("cd", "cl", "key", "core_seconds")
    }
    assert (folder / "state.npz").samefile(origin / "state.npz")  # shared, not copied
    assert (folder / "history.csv").read_text() == (origin / "history.csv").read_text()


def test_a_chain_is_taken_in_its_order(studies: list[Study]) -> None:
    start = {"starts_from": "runs/smooth/re100/s0.1"}
    assert again(studies[1], 0.2, **start) is None  # what it starts from is not there yet
    assert again(studies[1], 0.1) is not None
    assert again(studies[1], 0.2, **start) is not None
    assert again(studies[1], 0.2) is None  # from rest is another run


@pytest.mark.parametrize(
    "change", [{"iterations": 500}, {"templates": "other"}, {"standard_error": {"cd": 1e-3, "cl": 5e-4}}]
)
def test_changed_inputs_are_computed(studies: list[Study], change: dict[str, Any]) -> None:
    assert again(studies[1], 0.1, **change) is None


def test_another_ball_solver_or_reynolds_number_is_computed(studies: list[Study]) -> None:
    second = studies[1]
    run_id = second.prepare("smooth", 100.0, 0.1)
    assert reuse(second.results, run_id, "OpenFOAM 2312", "numbers") is None
    assert reuse(second.results, second.prepare("smooth", 101.0, 0.1), LABEL, "numbers") is None
    points = second.results / "geometry/smooth/shell/polyMesh/points"
    points.write_bytes(points.read_bytes()[:-1] + b"\n\n")
    assert reuse(second.results, run_id, LABEL, "numbers") is None


def test_a_changed_state_is_not_taken(studies: list[Study]) -> None:
    state = studies[0].results / "runs/smooth/re100/s0.1/state.npz"
    state.write_bytes(b"of another run")
    assert again(studies[1], 0.1) is not None
    assert not (studies[1].results / "runs/smooth/re100/s0.1/state.npz").exists()


def test_a_result_that_the_engine_removed_comes_back(studies: list[Study]) -> None:
    # When one run of several that were submitted together fails, the engine removes the results of all.
    path = studies[0].results / "runs/smooth/re100/s0.1/run.json"
    before = json.loads(path.read_text())
    path.unlink()
    assert again(studies[0], 0.1) is not None
    assert json.loads(path.read_text())["cd"] == before["cd"]
    assert (path.parent / "state.npz").is_file()


def test_what_is_kept_must_be_there(studies: list[Study]) -> None:
    run_id = studies[1].prepare("smooth", 100.0, 0.1)
    assert reuse(studies[1].results, run_id, LABEL, "surface") is None
    assert reuse(studies[1].results, run_id, LABEL, "all") is None


def test_failed_runs_are_not_remembered(studies: list[Study]) -> None:
    folder = studies[0].results / "runs/smooth/re100/s0.1"
    result = json.loads((folder / "run.json").read_text())
    write_json(folder / "run.json", result | {"key": "0" * 32, "verdict": "crashed", "cd": None})
    remember(studies[0].results, "runs/smooth/re100/s0.1")
    write_json(
        folder / "run.json", result | {"key": "0" * 32, "reason": "ceiling of wall time reached (9 s)"}
    )
    remember(studies[0].results, "runs/smooth/re100/s0.1")
    assert not list(studies[0].results.parent.rglob("0" * 32 + "*"))


def test_every_row_can_be_traced(studies: list[Study]) -> None:
    results, run_ids = studies[0].results, ["runs/smooth/re100/s0.1", "runs/smooth/re100/s0.2", "runs/none"]
    write_provenance(results, run_ids)
    lines = (results / "provenance.csv").read_text().splitlines()
    assert lines[0] == ",".join(COLUMNS)
    assert [line.split(",")[0] for line in lines[1:]] == run_ids[:2]
    first, second = rows(results, run_ids)
    assert second.starts_from_key == first.key
    for row in (first, second):
        needed = (
            "key",
            "verdict",
            "solver",
            "code",
            "host",
            "started_at",
            "finished_at",
            "case_files",
            "geometry",
        )
        assert all(getattr(row, name) for name in needed)
    assert first.case_files != second.case_files


def test_versions_are_not_mixed_silently(studies: list[Study]) -> None:
    found = rows(studies[0].results, ["runs/smooth/re100/s0.1", "runs/smooth/re100/s0.2"])
    assert mixed(found) is None
    assert "1 by OpenFOAM 2312" in str(
        mixed([found[0], dataclasses.replace(found[1], solver="OpenFOAM 2312")])
    )
    assert "code not known" in str(mixed([found[0], dataclasses.replace(found[1], code=None)]))


def no_links(self: Path, _source: Path) -> None:
    raise OSError(
        errno.EPERM, "Operation not permitted", str(self)
    )  # as a FAT or some network file systems say


def test_a_file_system_without_hard_links(studies: list[Study], monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = studies
    run_id = "runs/smooth/re100/s0.1"
    monkeypatch.setattr(Path, "hardlink_to", no_links)
    assert remember(first.results, run_id) == ""
    taken = again(second, 0.1)
    assert taken is not None and taken.cd is not None
    origin, copy = (tunnel.results / run_id for tunnel in studies)
    for name in ("state.npz", "history.csv"):
        assert (copy / name).read_bytes() == (origin / name).read_bytes()
        assert not (copy / name).samefile(origin / name)


def test_a_store_that_cannot_be_written_fails_no_run(studies: list[Study]) -> None:
    results = studies[0].results
    shutil.rmtree(results.parent / ".reuse")
    (results.parent / ".reuse").write_text("in the way")
    said = remember(results, "runs/smooth/re100/s0.1")
    assert said.startswith("runs/smooth/re100/s0.1: not entered for reuse: ") and "\n" not in said
    assert again(studies[1], 0.1) is None


@pytest.mark.parametrize(
    "content",
    [b"", b"{}", b"[]", b"7", b"\xff", b'{"folder": "first", "files": [], "result": {}}',
     b'{"folder": 1, "files": {}, "result": []}', b'{"folder": "first/runs", "files": {}, "result": {}}'],
)  # fmt: skip
def test_a_spoilt_entry_is_no_entry(studies: list[Study], content: bytes) -> None:
    results = studies[0].results
    assert len(entries(results.parent)) == 2
    path = results.parent / ".reuse" / f"{str(rows(results, ['runs/smooth/re100/s0.1'])[0].key)[:2]}"
    (entry,) = [found for found in entries(results.parent) if found.result.spin_ratio == 0.1]
    assert entry.path.parent == path
    entry.path.write_bytes(content)
    assert again(studies[1], 0.1) is None
    assert len(entries(results.parent)) == 1
    assert entry.path.with_name(f"{entry.path.name}.broken").read_bytes() == content
    entry.path.mkdir()
    assert again(studies[1], 0.1) is None
