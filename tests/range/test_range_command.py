"""`depthline range`: files in, results, page and pictures out."""

import json

import pytest

from pipeline.cli.app import main


def run(monkeypatch, *words):
    monkeypatch.setattr("sys.argv", ["depthline", "range", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    return ended.value.code


def test_simulated_firings_are_reduced(tmp_path, monkeypatch, capsys):
    firings, out = tmp_path / "invented.csv", tmp_path / "out"
    assert run(monkeypatch, "simulate", firings, "--balls", 4, "--seed", 3) == 0
    assert firings.read_text().startswith("# INVENTED firings")
    capsys.readouterr()
    assert run(monkeypatch, "reduce", firings, "--out", out, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found == json.loads((out / "reduction.json").read_text()) | {"report": str(out / "report.html")}
    assert found["shots"] == 48 and found["patterns"][0]["balls"] == 4
    (carried,) = found["carry"]
    assert carried["carry_lo_m"] < carried["carry_m"] < carried["carry_hi_m"]
    page = (out / "report.html").read_text()
    for words in ("guarded range", "eye protection", "governing body"):
        assert words in page and words in found["caution"]
    for name in ("values.csv", "table-quoted.csv", "shots.csv", "balls.csv", "gates.csv"):
        assert (out / name).stat().st_size > 0
    assert {path.name for path in (out / "figures").iterdir()} >= {"coefficients.png", "residuals.png"}


def test_bad_input_is_told_and_nothing_is_written(tmp_path, monkeypatch, capsys):
    bad = tmp_path / "bad.csv"
    bad.write_text("shot,ball\n1,b\n")
    assert run(monkeypatch, "reduce", bad, "--out", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "bad.csv:1: column pattern is missing" in told and "column position_m is missing" in told
    assert not (tmp_path / "out").exists()
    assert run(monkeypatch, "reduce", bad, "--drag", "1 Q") == 2
    assert "--drag: Q: is no term" in capsys.readouterr().err
    assert run(monkeypatch, "simulate", tmp_path / "x.csv", "--speeds", "30 300", "--spins", "a") == 2
    told = capsys.readouterr().err
    assert "--speeds: 300" in told and "--spins: a" in told and not (tmp_path / "x.csv").exists()


def test_a_table_of_a_reduction_can_be_flown(tmp_path, monkeypatch, capsys):
    firings = tmp_path / "invented.csv"
    assert run(monkeypatch, "simulate", firings, "--balls", 2) == 0
    assert run(monkeypatch, "reduce", firings, "--out", tmp_path / "out") == 0
    capsys.readouterr()
    launch = ["--speed", "70 m/s", "--angle", "11 deg", "--spin", "2700 rpm", "--json"]
    monkeypatch.setattr("sys.argv", ["depthline", "fly", str(tmp_path / "out" / "table-quoted.csv"), *launch])
    with pytest.raises(SystemExit):
        main()
    assert 180 < json.loads(capsys.readouterr().out)["carry_m"] < 250
