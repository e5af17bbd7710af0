"""Files of a results folder that are broken in every way: one line each, set aside, made again."""

import dataclasses
import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from report.report_studies import ONE_PATTERN, Results, make_results

from pipeline.aero.collect import checked_coefficients, read_coefficients
from pipeline.cli.run import _to_retry
from pipeline.cli.status import run_state
from pipeline.errors import Broken, InputError
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.reuse import read_entry
from pipeline.flow.solver.start import Task, begin
from pipeline.flow.solver.state import load_state, save_state
from pipeline.geometry import build
from pipeline.geometry.shell.files import load_shell
from pipeline.records.decision import Decision
from pipeline.records.flow import CaseStart, FlowMeasures, RunInputs, RunProgress, RunResult
from pipeline.records.geometry import BallTotals, MeshQuality, VariantInputs
from pipeline.records.record import Record, read
from pipeline.report.inputs import read_flights
from pipeline.study.matrix import runs
from pipeline.study.model import Study
from pipeline.workflow.progress import Clock, expected_of
from pipeline.workflow.repair import bring_back_from_the_future, outdate_what_differs, set_broken_aside

RUN, VARIANT = "runs/ico32/d0.200mm/re90000/s0.080", "geometry/ico32/d0.200mm"

READERS: dict[str, Callable[[Path], object]] = {
    "study.json": Study.from_json,
    "geometry/ico32/layout.json": lambda path: build.read_layout_spec(path.parent),
    "geometry/ico32/layout.csv": lambda path: build.load_layout(path.parent),
    f"{VARIANT}/spec.json": lambda path: read(path, VariantInputs),
    f"{VARIANT}/totals.json": lambda path: read(path, BallTotals),
    f"{VARIANT}/shell/quality.json": lambda path: read(path, MeshQuality),
    f"{VARIANT}/shell/shell.npz": lambda path: load_shell(path.parents[1]),
    f"{RUN}/spec.json": lambda path: read(path, RunInputs),
    f"{RUN}/run.json": lambda path: read(path, RunResult),
    f"{RUN}/state.npz": load_state,
    "coefficients.csv": read_coefficients,
    "flights.csv": read_flights,
    "decision.json": lambda path: read(path, Decision),
}
"""Every file that `depthline run` looks at before it starts, with what reads it."""

OF_THE_SOLVER: dict[str, type[Record]] = {
    f"{RUN}/case/start.json": CaseStart,
    f"{RUN}/case/progress.json": RunProgress,
    "measures.json": FlowMeasures,
}
"""Files beside them, that are made anew when they are broken."""


def _text(content: bytes) -> Callable[[Path], None]:
    return lambda path: path.write_bytes(content) and None  # type: ignore[return-value]


def _cut(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _directory(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "inside").write_text("something")


WAYS: dict[str, Callable[[Path], None]] = {
    "not UTF-8": _text(b"\xff\xfe{\x80}\n"),
    "empty": _text(b""),
    "an empty object": _text(b"{}\n"),
    "a list": _text(b"[]\n"),
    "a number": _text(b"7\n"),
    "null": _text(b"null\n"),
    "not a number": _text(b'{"cd": NaN}\n'),
    "nested deeply": _text(b"[" * 100_000),
    "digits": _text(b"1" * 5000),
    "zeros": _text(bytes(300)),
    "cut off": _cut,
    "a directory": _directory,
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """A finished study with all its files; numbers are invented."""
    results = make_results(tmp_path_factory.mktemp("whole"), ONE_PATTERN, lambda run, found: found)
    for variant in (results.folder / "geometry/ico32").glob("d*"):
        (variant / "shell").mkdir()
        quality = {"max_non_orthogonality_deg": 30.0, "max_skewness": 0.5, "min_volume": 1e-9}
        (variant / "shell/quality.json").write_text(json.dumps(quality))
        quads = np.array([[0, 1, 2, 3], [2, 3, 4, 5]])
        arrays = {"points": np.ones((12, 3)), "quads": quads, "layers": 1, "mirrored": False}
        np.savez(variant / "shell/shell.npz", **arrays)
    for run in runs(results.study):
        save_state(results.folder / run.run_id / "state.npz", {"U": np.ones((5, 3)), "p": np.zeros(5)})
    assert set_broken_aside(results.study, results.folder) == []
    return results


@pytest.fixture
def results(whole: Results, tmp_path: Path) -> Results:
    shutil.copytree(whole.folder, tmp_path / "results")
    return Results(whole.study, tmp_path / "results")


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", READERS)
def test_a_broken_file_is_set_aside_in_one_line(name: str, way: str, results: Results) -> None:
    path = results.folder / name
    READERS[name](path)
    WAYS[way](path)
    broken = path.read_bytes() if path.is_file() else None
    with pytest.raises(InputError) as error:
        READERS[name](path)
    assert str(path) in str(error.value) and "\n" not in str(error.value) and len(str(error.value)) < 600
    (line,) = set_broken_aside(results.study, results.folder)
    assert line.startswith(f"{path}: was broken (") and "made again" in line and "\n" not in line
    aside = path.with_name(f"{path.name}.broken")
    assert aside.is_dir() if broken is None else aside.read_bytes() == broken
    assert set_broken_aside(results.study, results.folder) == []  # not for ever
    prepare(results.study, results.folder)
    outdate_what_differs(results.study, results.folder)
    again = _to_retry(results.study, results.folder)
    assert again == ([f"{RUN}/run.json"] if name == f"{RUN}/run.json" else [])
    if name.endswith(("quality.json", "shell.npz")):
        totals = results.folder / VARIANT / "totals.json"
        assert totals.exists()  # no run needs the mesh
        (results.folder / RUN / "run.json").unlink()
        outdate_what_differs(results.study, results.folder)
        assert not totals.exists()


@pytest.mark.parametrize("way", WAYS)
def test_what_the_solver_leaves_is_read_with_care(way: str, results: Results) -> None:
    for name, record in OF_THE_SOLVER.items():
        path = results.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text('{"spec": {"a": 1}, "half of this": 1.0}')
        WAYS[way](path)
        with pytest.raises(InputError) as error:
            read(path, record)
        assert str(path) in str(error.value) and "\n" not in str(error.value)
    run = next(run for run in runs(results.study) if run.run_id == RUN)
    (results.folder / RUN / "run.json").unlink()
    (results.folder / RUN / "case/solver.log").write_text("Time = 1\n")
    assert run_state(results.folder, run)["state"] == "running"
    assert Clock(expected_of(results.study), results.folder, 1).look().running == []


@pytest.mark.parametrize("way", WAYS)
def test_a_broken_entry_for_reuse_is_no_entry(way: str, tmp_path: Path, whole: Results) -> None:
    result = json.loads((whole.folder / RUN / "run.json").read_text()) | {"key": "abc"}
    path = tmp_path / "abc.json"
    path.write_text(json.dumps({"folder": "small/" + RUN, "files": {"state.npz": None}, "result": result}))
    assert read_entry(path) is not None
    WAYS[way](path)
    assert read_entry(path) is None


@dataclasses.dataclass
class _Shell:
    cells: int = 5


@pytest.mark.parametrize("way", WAYS)
def test_a_run_starts_cold_where_a_state_is_broken(
    way: str, results: Results, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.flow.solver import start
    from pipeline.flow.solver.fidelity import fidelity

    origin = runs(results.study)[0].run_id
    follower = next(run.run_id for run in runs(results.study) if run.starts_from == origin)
    folder = results.folder / follower
    spec = read(folder / "spec.json", RunInputs).changed(starts_from=origin)
    task = Task(
        results.folder, folder, spec, fidelity("steady-rans"), results.folder / VARIANT, _Shell(), None
    )  # type: ignore[arg-type]
    (folder / "case").mkdir()
    (folder / "case/start.json").write_text('{"spec": {}, "half of this": 1}')
    WAYS[way](folder / "case/start.json")
    WAYS[way](results.folder / origin / "state.npz")
    written: dict[str, Any] = {}
    monkeypatch.setattr(
        start, "_write", lambda task, solver, ranks, attempt, fields, warnings, account: written.update(
            fields=fields, warnings=warnings
        )
    )  # fmt: skip
    begin(task, None, 1)  # type: ignore[arg-type]
    assert written["fields"] is None
    account, state = written["warnings"]
    assert account.startswith("start.json was broken (") and "set aside as start.json.broken" in account
    assert state.startswith(f"started cold: state.npz of {origin} was broken (") and "set aside" in state
    assert (folder / "start.json.broken").exists()
    assert (results.folder / origin / "state.npz.broken").exists()


def change_json(path: Path, change: Callable[[dict[str, Any]], object]) -> None:
    value = json.loads(path.read_text())
    change(value)
    path.write_text(json.dumps(value))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cd": None}, "cd is not a number from 0 to 10"),
        ({"cd": -25.0}, "cd is not a number from 0 to 10"),
        ({"cl": 46.0}, "cl is not a number from -3 to 3"),
        ({"cd_se": None}, "cd_se is not a number from 0 up"),
        ({"cl_se": -0.001}, "cl_se: should be greater than or equal to 0"),
        ({"cm_se": None}, "cm has no standard error"),
        ({"verdict": "fine"}, "verdict: should be 'settled', "),
        ({"reynolds": "9e4"}, "reynolds: should be a valid number"),
        ({"warnings": "none"}, "warnings: should be a valid list"),
        ({"provenance": {"versions": []}}, "provenance.versions: should be a valid dictionary"),
        ({"version": 2}, "version 2, this Depthline knows 1"),
        ({"iterations": True}, "iterations: should be a valid integer"),
    ],
)
def test_a_result_with_impossible_values_is_refused(
    change: dict[str, Any], message: str, results: Results
) -> None:
    path = results.folder / RUN / "run.json"
    change_json(path, lambda run: run.update(change))
    with pytest.raises(Broken) as error:
        read(path, RunResult)
    assert message in str(error.value)


@pytest.mark.parametrize("part", ["rows", "curves", "advice", "equipment_rules"])
@pytest.mark.parametrize("value", [None, "text", [], {}, 7])
def test_parts_of_a_decision_are_checked(part: str, value: object, results: Results) -> None:
    path = results.folder / "decision.json"
    change_json(path, lambda found: found[part].__setitem__(0, value))
    with pytest.raises(Broken, match=rf"decision\.json: is broken \(.*{part}\[0\]"):
        read(path, Decision)


def test_rows_lost_are_made_again_from_the_runs(results: Results) -> None:
    path, ids = results.folder / "coefficients.csv", [run.run_id for run in runs(results.study)]
    lines = path.read_text().splitlines(keepends=True)
    whole = read_coefficients(path)
    assert checked_coefficients(results.folder, ids)[1] is None
    for spoilt, words in (
        (lines[:2], "11 of 12 runs have no row (runs/ico32/d0."),
        ([*lines, lines[1]], "1 of 12 runs have several rows"),
        ([*lines[:-1], lines[-1][: len(lines[-1]) // 2]], "coefficients.csv"),
        ([lines[0], *[line.replace("settled", "noisy") for line in lines[1:]]], "not those of the runs"),
        ([lines[0], lines[1].replace("0.0004", "inf"), *lines[2:]], "is not a number"),
    ):
        path.write_text("".join(spoilt))
        frame, note = checked_coefficients(results.folder, ids)
        assert note is not None and words in note and "made again from the runs" in note
        assert frame.equals(whole) and path.read_text() == "".join(lines)
        assert path.with_name("coefficients.csv.broken").read_text() == "".join(spoilt)


def test_rows_lost_with_their_runs_are_named(results: Results) -> None:
    path, ids = results.folder / "coefficients.csv", [run.run_id for run in runs(results.study)]
    shutil.rmtree(results.folder / "runs")
    assert checked_coefficients(results.folder, ids)[1] is None  # tables alone were sent
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))
    with pytest.raises(InputError, match=r"1 of 12 runs have no row .* put the rows back"):
        checked_coefficients(results.folder, ids)


def test_files_from_the_future_do_not_hide_a_change(results: Results) -> None:
    now = time.time()
    ordered = ["geometry/ico32/layout.csv", f"{VARIANT}/totals.json", f"{RUN}/run.json", "decision.json"]
    for place, name in enumerate(ordered):
        os.utime(results.folder / name, (now + 300 + place, now + 300 + place))
    (line,) = bring_back_from_the_future(results.folder)
    assert "4 files are dated in the future (decision.json most)" in line
    times = [(results.folder / name).stat().st_mtime for name in ordered]
    assert times == sorted(times) and times[-1] <= time.time()
    others = [path.stat().st_mtime for path in results.folder.rglob("*.json")]
    assert times[0] >= max(time for time in others if time not in times)
    assert bring_back_from_the_future(results.folder) == []
    colder = results.study.model_copy(
        update={"air": results.study.air.model_copy(update={"temperature_k": 278.15})}
    )
    prepare(colder, results.folder)
    assert (results.folder / "study.json").stat().st_mtime_ns > times[-1] * 1e9


def test_what_was_made_of_another_study_is_made_again(results: Results) -> None:
    from pipeline.aero.collect import fingerprint as of_rows
    from pipeline.study.matrix import fingerprint

    study, folder = results
    rows = of_rows(read_coefficients(folder / "coefficients.csv"))
    made_of = {"study": fingerprint(study), "coefficients": rows}
    change_json(folder / "decision.json", lambda found: found.update(made_of=made_of))
    spec = json.loads((folder / RUN / "spec.json").read_text())
    inputs = {
        key: value for key, value in spec.items() if key not in ("run", "pattern", "variant", "geometry")
    }
    del inputs["starts_from"]
    change_json(folder / RUN / "run.json", lambda run: run.update(provenance={"inputs": {"spec": inputs}}))
    watched = [folder / "study.json", folder / RUN / "spec.json"]
    before = [path.stat().st_mtime_ns for path in watched]
    outdate_what_differs(study, folder)
    assert [path.stat().st_mtime_ns for path in watched] == before
    inputs["iterations"] = 7
    change_json(folder / RUN / "run.json", lambda run: run.update(provenance={"inputs": {"spec": inputs}}))
    windy = study.model_copy(update={"air": study.air.model_copy(update={"humidity": 0.9})})
    outdate_what_differs(windy, folder)
    assert all(path.stat().st_mtime_ns > time for path, time in zip(watched, before, strict=True))
