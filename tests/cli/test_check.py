"""`depthline check`."""

import json
import math
import shutil

import pytest
from small_study import SMALL, run_record

from pipeline.files.atomic import write_json
from pipeline.flow.campaign.prepare import layout_spec, prepare
from pipeline.geometry.build import build_layout
from pipeline.study.file import load_study
from pipeline.study.matrix import runs


def test_demo_is_checked(depthline, demo, tmp_path):
    ended = depthline("check", demo, "--json", "--results", tmp_path / "results")
    assert ended.code == 0
    found = ended.json()
    assert found["study"] == "demo"
    assert found["runs"] == sum(row["runs"] for row in found["patterns"])
    flow = load_study(demo).flow
    assert found["runs"] == found["patterns"][0]["variants"] * len(flow.reynolds) * len(flow.spin_ratios)
    assert found["cold_runs"] == len(flow.reynolds)
    # Of flights outside the matrix, and of a Reynolds number below those that the model was compared at.
    assert all(line.startswith(("flow: ", "Re 68000 lies outside")) for line in found["warnings"])
    assert found["results"] == str(tmp_path / "results" / "demo")
    assert [kept.name for kept in (tmp_path / "results").iterdir()] == [".layouts"]
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
        "ball speed 165.0 mph, launch angle 11.0 deg, backspin 2600 rpm",
        "Share of the flight time by Reynolds number",
        f"results: {tmp_path / 'results' / 'small'}",
    ):
        assert words in ended.out


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
    assert (
        len([line for line in ended.json()["warnings"] if not line.startswith(("flow: ", "patterns["))]) == 2
    )
    assert "warning: ball.mass: 46.50 g is above the 45.93 g" in ended.err
    assert "warning: Re 20000 lies outside" in ended.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "count: 32",
            "count: 33",
            "study.yaml:5: patterns[0].layout",
        ),  # 12 a + 20 b + 30 c + 60 d with a, b, c 0 or 1
        ("count: 32", "count: 92, narrowest_land: 10 mm", "study.yaml:5: patterns[0].layout"),
        ("0.15 mm", "1.9 mm", "patterns[0].depths["),
    ],
)
def test_an_impossible_geometry_ends_with_2(depthline, small, old, new, words):
    small.write_text(small.read_text().replace(old, new))
    ended = depthline("check", small, "--json")
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err
    told = [line for line in ended.err.splitlines() if not line.startswith("laying out")]  # progress
    assert len(told) == 1


def test_every_impossible_pattern_is_told(depthline, small):
    first = small.read_text()
    second = first[first.index("  - name: ico32") : first.index("flow:")].replace("ico32", "other")
    small.write_text(first.replace("flow:", second + "flow:").replace("count: 32", "count: 33"))
    ended = depthline("check", small)
    assert ended.code == 2
    assert f"{small}:5: patterns[0].layout.count: " in ended.err
    assert f"{small}:9: patterns[1].layout.count: " in ended.err


def test_a_depth_too_deep_for_the_chords_found_is_told_with_its_line(depthline, small, tmp_path):
    text = small.read_text().replace("    cavity: {chord_diameter: 3.58 mm}\n", "")
    small.write_text(text.replace("count: 32", "count: 32, classes: 2").replace("0.20 mm]", "0.20 mm, 2 mm]"))
    ended = depthline("check", small, "--results", tmp_path / "results")
    # The two that are flatter than any cavity of such chords too.
    assert ended.code == 2
    for line in ended.err.splitlines():
        assert line.startswith(f"depthline: {small}:6: patterns[0].depths[")
        assert "with chord diameter" in line and "must be above" in line


def counted_packings(monkeypatch):
    """Count how often layouts of classes are looked for."""
    from pipeline.geometry import build

    asked = []

    def pack(*arguments):
        asked.append(arguments)
        return true(*arguments)

    true = build.pack_layout
    monkeypatch.setattr(build, "pack_layout", pack)
    return asked


@pytest.fixture
def classes(tmp_path):
    path = tmp_path / "study.yaml"
    text = SMALL.replace("    cavity: {chord_diameter: 3.58 mm}\n", "").replace(
        "[0.15 mm, 0.20 mm]", "[1.5 mm]"
    )
    path.write_text(text.replace("count: 32", "count: 32, classes: 2"))
    return path


def test_a_layout_of_classes_is_looked_for_once(depthline, classes, tmp_path, monkeypatch):
    asked = counted_packings(monkeypatch)
    root = tmp_path / "results"
    first = depthline("check", classes, "--json", "--results", root).json()
    again = depthline("check", classes, "--json", "--results", root).json()
    assert len(asked) == 1
    for one, other in zip(first["variants"], again["variants"], strict=True):
        assert one["coverage"] == pytest.approx(other["coverage"], rel=1e-9)
        assert (one["symmetry"], one["order"]) == (other["symmetry"], other["order"]) == ("icosahedral", 60)
    # Another study asks for the same; the workflow's station does too.
    classes.write_text(classes.read_text().replace("name: small", "name: other").replace("ico32", "renamed"))
    depthline("check", classes, "--results", root)
    study = load_study(classes)
    folder = root / "other" / "geometry" / "renamed"
    write_json(folder / "layout.json", layout_spec(study, study.patterns[0]).content())
    build_layout(folder, root)
    assert len(asked) == 1
    classes.write_text(classes.read_text().replace("classes: 2", "classes: 1"))
    depthline("check", classes, "--results", root)
    assert len(asked) == 2


@pytest.mark.parametrize("spoilt", ["truncated", "not text", "a folder", "a file in its place"])
def test_a_spoilt_store_of_layouts_fails_nothing(depthline, classes, tmp_path, monkeypatch, spoilt):
    asked = counted_packings(monkeypatch)
    root = tmp_path / "results"
    first = depthline("check", classes, "--json", "--results", root).json()
    (kept,) = (root / ".layouts").rglob("*.csv")
    if spoilt == "truncated":
        kept.write_text(kept.read_text()[:100])
    elif spoilt == "not text":
        kept.write_bytes(b"\xff\x00")
    elif spoilt == "a folder":
        kept.unlink()
        kept.mkdir()
    else:
        shutil.rmtree(root / ".layouts")
        (root / ".layouts").write_text("")
    ended = depthline("check", classes, "--json", "--results", root)
    assert (ended.code, len(asked)) == (0, 2)
    assert ended.json()["variants"] == first["variants"]


def test_a_layout_that_is_there_already_is_used(depthline, small, tmp_path):
    study = load_study(small)
    folder = tmp_path / "results" / "small" / "geometry" / "ico32"
    write_json(folder / "layout.json", layout_spec(study, study.patterns[0]).content())
    build_layout(folder)
    lines = (folder / "layout.csv").read_text().splitlines()
    last = lines[-1].rsplit(",", 1)[0] + ",3.4"  # a smaller dimple: recognisable
    (folder / "layout.csv").write_text("\n".join([*lines[:-1], last]) + "\n")
    arguments = ["check", small, "--json", "--results", tmp_path / "results"]
    smallest = {row["chord_diameter_min_m"] for row in depthline(*arguments).json()["variants"]}
    assert list(smallest) == pytest.approx([0.0034])
    small.write_text(small.read_text().replace("3.58 mm", "3.50 mm"))
    smallest = {row["chord_diameter_min_m"] for row in depthline(*arguments).json()["variants"]}
    assert list(smallest) == pytest.approx([0.0035])


def test_a_golfer_who_flies_outside_the_matrix_is_warned_of(depthline, small):
    """A fast shot slows from Re 210,000 to some 80,000: it cannot stay above 120,000."""
    small.write_text(small.read_text().replace("[9e4, 1.8e5]", "[1.2e5, 1.8e5]"))
    ended = depthline("check", small, "--json")
    found = ended.json()
    outside = max(row["outside"] for row in found["passages"])
    assert outside > 0.5
    worst = max(found["passages"], key=lambda row: row["outside"])
    sides = [worst[f"{name}_{side}"] for name in ("reynolds", "spin_ratio") for side in ("below", "above")]
    assert max(sides) <= worst["outside"] <= sum(sides) + 1e-9
    assert f"warning: flow: the flights of fast swing spend {100 * outside:.0f} % of their time" in ended.err
    for row in found["passages"]:
        for name in ("reynolds", "spin_ratio"):
            assert sum(row[f"{name}_shares"]) == pytest.approx(1.0)
            assert len(row[f"{name}_shares"]) == len(row[f"{name}_edges"]) + 1
            assert row[f"{name}_p5"] < row[f"{name}_p50"] < row[f"{name}_p95"]


@pytest.mark.parametrize("how", ["absent", "auto"])
def test_the_matrix_follows_from_the_golfers_when_it_is_left_to_them(depthline, small, how):
    text = small.read_text()
    if how == "auto":
        text = text.replace("[9e4, 1.8e5]", "auto").replace("[0.1, 0.2]", "auto")
    else:
        text = text.replace(", reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]", "")
    small.write_text(text)
    ended = depthline("check", small, "--json")
    found = ended.json()
    # flights go below the Reynolds numbers at which the flow model was compared with published balls
    of_flow = [line for line in found["warnings"] if not line.startswith("patterns[")]
    assert all("the range that steady-rans is valid for" in line for line in of_flow)
    assert found["auto"] == ["reynolds", "spin_ratios"]
    (row,) = found["patterns"]
    assert row["runs"] == 2 * len(row["reynolds"]) * len(row["spin_ratios"]) == found["runs"]
    assert max(of["outside"] for of in found["passages"]) < 0.05
    slower = small.with_name("slower.yaml")
    slower.write_text(small.read_text().replace("165 mph", "115 mph"))
    other = depthline("check", slower, "--json").json()["patterns"][0]
    assert max(other["reynolds"]) < max(row["reynolds"])
    assert min(other["spin_ratios"]) > min(row["spin_ratios"])


def measured(small, text):
    """Give the study's golfer a file of measured launches in place of his launch."""
    lines = small.read_text().splitlines()
    small.write_text("\n".join([*lines[:-1], "    measured: {file: launches.csv}"]) + "\n")
    (small.parent / "launches.csv").write_text(text)


HEAD = "ball_speed_mph,launch_angle_deg,backspin_rpm\n"


def test_a_measured_golfer_is_shown_as_he_will_be_flown(depthline, small):
    measured(small, HEAD + "".join(f"{speed},11,2600\n" for speed in (160, 162, 164, 166, 168)))
    (row,) = depthline("check", small, "--json").json()["golfers"]
    assert (row["source"], row["count"]) == ("fitted", 5)
    assert row["file"] == str(small.parent / "launches.csv")
    assert row["ball_speed_m_s"] == pytest.approx(164 * 0.44704)
    assert row["ball_speed_sd_m_s"] == pytest.approx(10**0.5 * 0.44704)
    assert row["backspin_rpm"] == pytest.approx(2600)
    words = depthline("check", small).out
    assert "5 launches of launches.csv: ball speed 164.0 ± 3.2 mph" in words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello,world\n", "is needed"),
        (HEAD + "165,11,2600\n165,eleven,2600\n", "launches.csv:3: launch_angle_deg"),
        (HEAD + "165,11,2600\n", "5 are needed for a fit"),
    ],
)
@pytest.mark.parametrize("command", ["check", "run"])
def test_bad_measured_launches_end_with_2_before_anything_is_computed(
    depthline, small, tmp_path, text, words, command
):
    measured(small, text)
    ended = depthline(command, small, "--results", tmp_path / "results")
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err and "golfers[0] (fast swing): " in ended.err
    assert not (tmp_path / "results").exists()


def test_results_that_are_elsewhere_than_the_store_of_runs_are_told(depthline, small, tmp_path, monkeypatch):
    (tmp_path / "checkout" / "results" / ".reuse").mkdir(parents=True)
    monkeypatch.setattr("pipeline.cli.study_input.REPOSITORY", tmp_path / "checkout")
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    ended = depthline("check", small, "--json")
    assert ended.json()["results"] == str(folder / "results" / "small")
    assert f"--results {tmp_path / 'checkout' / 'results'} uses them" in ended.err
    for root in (tmp_path / "checkout" / "results", "../checkout/results"):
        assert "uses them" not in depthline("check", small, "--results", root).err
    for part in ("find_solver", "_work", "_ending"):
        monkeypatch.setattr(f"pipeline.cli.run.{part}", lambda *_: 0)
    first, second, *implausible = depthline("run", small).err.splitlines()
    assert all(line.startswith("depthline: warning: patterns[0] (ico32): ") for line in implausible)
    assert first == f"depthline: results: {folder / 'results' / 'small'}"
    assert second.startswith(
        f"depthline: results go to {folder / 'results'}, where no run of another study is"
    )
    assert second.endswith(f"--results {tmp_path / 'checkout' / 'results'} uses them")
    (folder / "results" / ".reuse").mkdir(parents=True)  # runs are found again here
    assert "uses them" not in depthline("check", small).err


def test_runs_that_are_there_are_not_priced(depthline, small, tmp_path) -> None:
    results = tmp_path / "results"
    study = load_study(small)
    before = depthline("check", small, "--results", results, "--json").json()
    assert (before["runs_finished"], before["runs_reused"]) == (0, 0)
    assert before["core_hours"] == before["core_hours_of_all"]
    prepare(study, results / study.name)
    every = [run.run_id for run in runs(study)]
    for run_id in every[: len(every) // 2]:
        write_json(results / study.name / run_id / "run.json", run_record(run=run_id, key="a"))
    after = depthline("check", small, "--results", results, "--json").json()
    assert after["runs_finished"] == len(every) // 2
    assert after["core_hours_of_all"] == before["core_hours_of_all"]
    assert 0.3 * before["core_hours"] < after["core_hours"] < 0.7 * before["core_hours"]
    said = depthline("check", small, "--results", results).out
    assert f"{len(every) // 2} of them are there already ({len(every) // 2} finished, 0 with" in " ".join(
        said.split()
    )


def test_a_golfer_s_name_is_no_markup(depthline, small):
    small.write_text(small.read_text().replace("fast swing", '"[red]fast[/] :golf:"'))
    assert depthline("check", small).out.count("[red]fast[/] :golf:") == 3


def test_run_and_status_resolve_a_study_as_check_does(depthline, small, tmp_path, monkeypatch):
    """study.json has numbers, so that the workflow and its stations see the same runs every time."""
    small.write_text(small.read_text().replace(", reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]", ""))
    for part in ("find_solver", "_work", "_ending"):
        monkeypatch.setattr(f"pipeline.cli.run.{part}", lambda *_: 0)
    root = tmp_path / "results"
    assert depthline("run", small, "--results", root).code == 0
    flow = json.loads((root / "small" / "study.json").read_text())["flow"]
    (asked,) = depthline("check", small, "--results", root, "--json").json()["patterns"]
    assert (flow["reynolds"], flow["spin_ratios"]) == (asked["reynolds"], asked["spin_ratios"])
    states = depthline("status", small, "--results", root, "--json").json()["runs"]
    assert len(states) == asked["runs"]
    assert all((root / "small" / state["run"] / "spec.json").is_file() for state in states)


def test_implausible_geometry_is_warned_of(depthline, small, tmp_path):
    """32 dimples of 3.58 mm cover 5.6 %: 32 (1 - cos b) / 2, sin b = 3.58 / 42.7 [closed form]."""
    ended = depthline("check", small, "--json", "--results", tmp_path / "results")
    coverage, volume = [line for line in ended.json()["warnings"] if line.startswith("patterns[0] (ico32)")]
    assert "coverage 5.63 % is outside 40 to 95 %: dimples are few" in coverage
    assert "dimple volume 0.0593 to 0.0791 % is outside 0.3 to 2.5 %" in volume
    assert f"warning: {coverage}" in ended.err


def test_patterns_below_the_mesh_are_warned_of(depthline, tmp_path):
    first = SMALL.index("  - name: ico32")
    pattern = SMALL[first : SMALL.index("flow:")]
    second = pattern.replace("ico32", "catenary").replace("{chord", "{profile: catenary, chord")
    study = tmp_path / "study.yaml"
    study.write_text(SMALL.replace(pattern, pattern + second))
    ended = depthline("check", study, "--json", "--results", tmp_path)
    (pair,) = ended.json()["unresolved"]
    assert (pair["pattern"], pair["other"], pair["resolved_at"]) == ("ico32", "catenary", None)
    assert "warning: ico32 and catenary are not ranked against each other" in ended.err
