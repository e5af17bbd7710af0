"""`depthline range`: files in, results, page and pictures out."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from shelf.balls import table
from small_study import SMALL

from pipeline.aero.export import write_tidy
from pipeline.cli.app import main
from pipeline.range.shelf_balls import _WITH_DEPTH
from pipeline.records.decision import Decision, ProductAdvice, Prototype
from pipeline.records.record import write


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
    assert run(monkeypatch, "reduce", firings, "--out", out, "--units", "SI", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found == json.loads((out / "reduction.json").read_text()) | {"report": str(out / "report.html")}
    assert found["shots"] == 48 and found["patterns"][0]["balls"] == 4
    (carried,) = found["carry"]
    assert carried["carry_lo_m"] < carried["carry_m"] < carried["carry_hi_m"]
    page = (out / "report.html").read_text()
    assert not re.search(
        r"\b(yd|mph)\b", re.sub(r"<svg.*?</svg>|<style>.*?</style>", "", page, flags=re.DOTALL)
    )
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
    assert run(monkeypatch, "reduce", firings, "--out", tmp_path / "out", "--units", "SI") == 0
    shown = capsys.readouterr().out
    assert "carry, m" in shown and "yd" not in shown
    launch = ["--speed", "70 m/s", "--angle", "11 deg", "--spin", "2700 rpm", "--json"]
    monkeypatch.setattr("sys.argv", ["depthline", "fly", str(tmp_path / "out" / "table-quoted.csv"), *launch])
    with pytest.raises(SystemExit):
        main()
    assert 180 < json.loads(capsys.readouterr().out)["carry_m"] < 250


def write_decision(path, short_list):
    """Write a decision with this short list and nothing else."""
    product = ProductAdvice(short_list=short_list)
    path.parent.mkdir(parents=True, exist_ok=True)
    write(path, Decision(golfers=[], patterns=[], rows=[], curves=[], advice=[], product=product, notes=[]))


def study_with_a_short_list(folder):
    """Results of a study as far as `range plan` reads them: a decision with a short list, and its tables."""
    (folder / "study.yaml").write_text(SMALL)
    results = folder / "results" / "small"
    listed = [
        Prototype(pattern="ico32", depth_m=depth, p_within_yard=0.5, p_so_far=0.5)
        for depth in (1.5e-4, 2.0e-4)
    ]
    write_decision(results / "decision.json", listed)
    frames = []
    for depth, drag in ((1.5e-4, 1.0), (2.0e-4, 1.02)):
        of = table(cd=drag)
        re, s = (axis.ravel() for axis in np.meshgrid(of.reynolds, of.spin_ratio, indexing="ij"))
        columns = {"reynolds": re, "spin_ratio": s, "cd": of.cd.ravel(), "cl": of.cl.ravel()}
        columns |= dict.fromkeys(("cd_se", "cl_se"), 0.001) | dict.fromkeys(("cm", "cm_se"), np.nan)
        frames.append(pd.DataFrame({"pattern": "ico32", "depth_m": depth, "tripped_share": 1.0} | columns))
    write_tidy(pd.concat(frames), results / "tables.csv")
    return folder / "study.yaml", folder / "results"


def test_a_firing_is_planned(tmp_path, monkeypatch, capsys):
    study, results = study_with_a_short_list(tmp_path)
    words = ("plan", study, "--results", results, "--error", "8 yd", "--units", "SI")
    assert run(monkeypatch, *words, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["reached"] and found["wanted_se_m"] == pytest.approx(8 * 0.9144)
    assert set(found["se_m"]) == {"ico32 0.15 mm", "ico32 0.20 mm"}
    assert max(found["se_m"].values()) <= found["wanted_se_m"]
    sheet = (results / "small" / "firing" / "sheet.html").read_text()
    assert not re.search(r"\b(yd|mph)\b", sheet)
    assert "guarded range" in sheet and "ico32 0.20 mm-1" in sheet
    rows = (results / "small" / "firing" / "firings.csv").read_text().splitlines()
    assert len(rows) == 2 + 9 * found["shots"]  # caution, headings, nine screens a shot
    assert found["shots"] == 12 * 3 * found["balls"]  # speeds x spins, three kinds of ball
    shelved = _WITH_DEPTH.fullmatch("ico32 0.20 mm")
    assert (shelved[1], shelved[2]) == ("ico32", "0.20")  # so that the shelf knows pattern and depth again


def test_a_plan_without_what_it_needs_is_refused(tmp_path, monkeypatch, capsys):
    study, results = study_with_a_short_list(tmp_path)
    assert run(monkeypatch, "plan", study, "--results", results, "--error", "4 kg") == 2
    assert "--error: 4 kg" in capsys.readouterr().err
    assert run(monkeypatch, "plan", study, "--results", results, "--arrangement", "radar") == 2
    assert "write screens or baselines" in capsys.readouterr().err
    write_decision(results / "small" / "decision.json", [])
    assert run(monkeypatch, "plan", study, "--results", results) == 2
    assert "has no short list of prototypes; compute the study first" in capsys.readouterr().err
    assert not (results / "small" / "firing").exists()
