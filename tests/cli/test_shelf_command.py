"""`depthline shelf`: balls put on a shelf from a tunnel, a range and a study, shown, and ranked."""

import json

import pytest
from shelf.balls import ball
from small_study import SMALL

from pipeline.cli.app import main
from pipeline.shelf.folder import add_balls, read_shelf


def run(monkeypatch, *words):
    monkeypatch.setattr("sys.argv", ["depthline", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    return ended.value.code


def test_a_reduction_goes_on_the_shelf(tmp_path, monkeypatch, capsys):
    assert run(monkeypatch, "range", "simulate", tmp_path / "invented.csv", "--balls", 3) == 0
    assert run(monkeypatch, "range", "reduce", tmp_path / "invented.csv", "--out", tmp_path / "out") == 0
    shelf = tmp_path / "shelf"
    add = ("shelf", "add", tmp_path / "out", "--shelf", shelf)
    assert run(monkeypatch, *add) == 2
    assert "--place: is missing; name the range" in capsys.readouterr().err and not shelf.exists()
    assert run(monkeypatch, *add, "--place", "range A", "--pattern", "ico332", "--depth", "0.2 mm") == 0
    (found,) = read_shelf(shelf)
    assert (found.name, found.pattern, found.depth_m) == ("quoted-range-A", "ico332", pytest.approx(2e-4))
    assert found.balls == 3 and found.shots == 36 and 0.3 < found.inside.mean() < 1.0
    # The modes are the reduction's joint errors: their squares add up to the table's standard errors.
    inside = found.inside
    for place, error in enumerate((found.table.cd_se, found.table.cl_se)):
        summed = (found.modes[..., place] ** 2).sum(axis=0) ** 0.5
        assert summed[inside] == pytest.approx(error[inside], rel=2e-2)
    capsys.readouterr()
    assert run(monkeypatch, *add, "--place", "range A") == 2
    assert "is there already; name another, or --replace it" in capsys.readouterr().err


def test_a_table_is_added_listed_and_shown(tmp_path, monkeypatch, capsys):
    table = tmp_path / "tunnel.csv"
    table.write_text("reynolds;spin_ratio;cd;cl\n8e4;0,1;0,25;0,15\n1,6e5;0,1;0,23;0,13\n")
    shelf = ("--shelf", tmp_path / "shelf")
    words = ("shelf", "add", table, *shelf, "--place", "tunnel B", "--name", "old")
    assert run(monkeypatch, *words, "--depth", "3 kg", "--pattern", "a b") == 2
    told = capsys.readouterr().err
    assert "--depth: 3 kg" in told and "--pattern: a b" in told
    assert run(monkeypatch, *words, "--critical-reynolds", 70000) == 0
    capsys.readouterr()
    assert run(monkeypatch, "shelf", "list", *shelf, "--json") == 0
    (listed,) = json.loads(capsys.readouterr().out)["balls"]
    assert listed["name"] == "old" and listed["critical_reynolds"] == 70000 and listed["depth_m"] is None
    assert run(monkeypatch, "shelf", "show", "old", *shelf) == 0
    assert "tunnel B" in capsys.readouterr().out
    assert run(monkeypatch, "shelf", "show", "odl", *shelf) == 2
    assert 'did you mean "old"?' in capsys.readouterr().err


def test_balls_are_ranked(tmp_path, monkeypatch, capsys):
    add_balls(tmp_path / "shelf", [ball("a", cd=1.1), ball("b", pattern="p", depth_m=2e-4)])
    (tmp_path / "study.yaml").write_text(SMALL)
    words = ("shelf", "rank", tmp_path / "study.yaml", "--results", tmp_path / "results")
    assert run(monkeypatch, *words, "--shelf", tmp_path / "none") == 2
    assert "there is no such folder" in capsys.readouterr().err
    assert run(monkeypatch, *words, "--shelf", tmp_path / "shelf", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert [row["ball"] for row in found["rows"]] == ["b", "a"] and found["rows"][1]["difference_m"] < -1
    assert (tmp_path / "results" / "small" / "shelf-rank.png").stat().st_size > 10_000
    assert len((tmp_path / "results" / "small" / "shelf-rank.csv").read_text().splitlines()) == 3
    assert run(monkeypatch, *words, "--shelf", tmp_path / "shelf", "--units", "SI") == 0
    shown = capsys.readouterr().out
    assert "Each pattern at its best" in shown and "yd" not in shown


def test_a_study_names_balls_of_its_shelf(tmp_path, monkeypatch, capsys):
    add_balls(tmp_path / "shelf", [ball("tour-old")])
    study = tmp_path / "study.yaml"
    study.write_text(SMALL + "references: [tour-odl]\nmeasured: [x, x]\nshelf: shelf\n")
    assert run(monkeypatch, "check", study, "--results", tmp_path / "results") == 2
    told = capsys.readouterr().err
    assert 'references: the shelf has no ball "tour-odl"; did you mean "tour-old"?' in told
    assert 'measured: has "x" twice; keep one' in told
    study.write_text(SMALL + "references: [tour-old]\n")
    assert run(monkeypatch, "check", study, "--results", tmp_path / "results") == 2
    assert 'references: goes with "shelf"' in capsys.readouterr().err
    study.write_text(SMALL + "shelf: nowhere\n")
    assert run(monkeypatch, "check", study, "--results", tmp_path / "results") == 2
    assert "shelf: nowhere: there is no such folder" in capsys.readouterr().err


def test_balls_that_cannot_correct_a_study_are_refused(tmp_path, monkeypatch, capsys):
    add_balls(
        tmp_path / "shelf",
        [
            ball("good", pattern="ico32", depth_m=2e-4),
            ball("computed", kind="computed", pattern="ico32", depth_m=2e-4),
            ball("other", pattern="zz", depth_m=2e-4),
            ball("shallow", pattern="ico32"),
        ],
    )
    study = tmp_path / "study.yaml"
    study.write_text(SMALL + "shelf: shelf\nmeasured: [good, computed, other, shallow]\n")
    assert run(monkeypatch, "check", study, "--results", tmp_path / "results") == 2
    told = capsys.readouterr().err
    assert "computed.csv: kind: is computed" in told
    assert 'other.csv: pattern: "zz" is none of the study, which has ico32' in told
    assert "shallow.csv: depth_mm: is missing" in told and "good.csv" not in told
    study.write_text(SMALL + "shelf: shelf\nmeasured: [good]\n")
    assert run(monkeypatch, "check", study, "--results", tmp_path / "results") == 0
