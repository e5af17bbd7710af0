"""`depthline compare`: balls of a study, a table and the shelf, paired."""

import re

import numpy as np
import pandas as pd
import pytest
from report_studies import ONE_PATTERN, Results, make_results

from pipeline.cli.compare import _print
from pipeline.study.trade_units import shown_in

TABLE = """reynolds,spin_ratio,cd,cd_se,cl,cl_se
60000,0.08,0.27,0.002,0.13,0.003
60000,0.20,0.29,0.002,0.22,0.003
200000,0.08,0.25,0.002,0.14,0.003
200000,0.20,0.27,0.002,0.23,0.003
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Results:
    results = make_results(tmp_path_factory.mktemp("compare"), ONE_PATTERN, lambda run, found: found)
    results.folder.rename(results.folder.parent / results.study.name)
    for name in ("tunnel", "other"):
        (results.folder.parent / f"{name}.csv").write_text(TABLE)
    return Results(results.study, results.folder.parent / results.study.name)


@pytest.fixture(scope="module")
def pairs(made: Results) -> pd.DataFrame:
    from pipeline.cli.compare import compare

    out = made.folder.parent
    sources = [str(out / "study.yaml"), str(out / "tunnel.csv"), str(out / "other.csv")]
    compare(sources, None, None, out / "none", out, out / "compared", as_json=False, units="SI")
    return pd.read_csv(out / "compared" / "comparison.csv")


def row(pairs: pd.DataFrame, ball: str, against: str) -> pd.Series:
    (found,) = pairs[(pairs["ball"] == ball) & (pairs["against"] == against)].to_dict("records")
    return pd.Series(found)


def test_carries_are_those_of_the_study(made, pairs):
    flights = pd.read_csv(made.folder / "flights.csv")
    for depth, carry, error in zip(
        flights["depth_m"], flights["carry_m"], flights["carry_se_m"], strict=True
    ):
        ball = f"small ico32 {1e3 * depth:.3f}mm"
        own = pairs[pairs["ball"] == ball].iloc[0]
        assert own["carry_m"] == pytest.approx(carry, rel=1e-9)
        # The same errors by other draws: 400 of them know a standard deviation to 4 % [computed].
        assert own["carry_se_m"] == pytest.approx(error, rel=0.15)


def test_depths_of_one_study_differ_with_far_smaller_errors_than_they_have(pairs):
    one = row(pairs, "small ico32 0.200mm", "small ico32 0.150mm")
    assert one["carry_difference_se_m"] < 0.2 * one["carry_se_m"]
    other = row(pairs, "small ico32 0.150mm", "small ico32 0.200mm")
    assert other["carry_difference_m"] == pytest.approx(-one["carry_difference_m"])
    assert other["carry_difference_se_m"] == pytest.approx(one["carry_difference_se_m"])


def test_tables_are_independent_of_each_other(pairs):
    """Errors add as squares; the same table twice differs by nothing, give or take both errors."""
    one = row(pairs, "tunnel", "other")
    assert one["carry_difference_m"] == 0.0
    expected = np.sqrt(2.0) * one["carry_se_m"]
    assert one["carry_difference_se_m"] == pytest.approx(expected, rel=0.15)  # 400 draws
    assert one["carry_se_m"] > 0.2


def test_page_shows_every_ball_and_stands_alone(made, pairs):
    page = (made.folder.parent / "compared" / "comparison.html").read_text()
    assert page.count("<svg") == 1 and "http" not in page and "<script" not in page
    assert not re.search(r"\byd\b", page)  # compared in SI
    for name in ("small ico32 0.150mm", "small ico32 0.250mm", "tunnel"):
        assert name in page


@pytest.mark.parametrize(("units", "size_m"), [("SI", 1.0), ("trade", 0.9144)])  # the international yard
def test_terminal_shows_the_units_asked_for(pairs, capsys, units, size_m):
    with shown_in(units):
        _print(pairs, "tunnel")
    shown = capsys.readouterr().out
    assert ("yd" in shown) == (units == "trade")
    assert f"{row(pairs, 'other', 'tunnel')['carry_m'] / size_m:.1f} ±" in shown


@pytest.mark.parametrize(
    ("sources", "options", "message"),
    [
        (("tunnel.csv",), (), "--golfers: is missing"),
        (("tunnel.csv",), ("--golfers", "study.yaml"), "is one ball; a comparison needs two"),
        (("study.yaml", "nowhere"), (), "nowhere: is no study file"),
        (("study.yaml",), ("--against", "x"), "--against: x: must be one of small ico32 0.150mm"),
        (("tunnel.csv", "tunnel.csv"), ("--golfers", "study.yaml"), "tunnel: is there twice"),
    ],
)
def test_wrong_calls_get_one_line(depthline, made, monkeypatch, tmp_path, sources, options, message):
    monkeypatch.chdir(made.folder.parent)
    ended = depthline("compare", *sources, *options, "--results", ".", "--out", tmp_path / "out")
    assert ended.code == 2 and message in ended.err and ended.err.count("\n") == 1
    assert not (tmp_path / "out").exists()
