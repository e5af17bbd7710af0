"""`depthline new`: the file that it writes is a study, and says where its launches are from."""

import pytest
import yaml

from pipeline.cli.swings import SWINGS
from pipeline.study.file import load_study


def test_without_options_a_study_that_can_be_checked(depthline, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ended = depthline("new", "spring")
    assert ended.code == 0, ended.err
    study = load_study(tmp_path / "spring.yaml")
    assert (study.name, [golfer.name for golfer in study.golfers]) == ("spring", ["moderate", "tour"])
    assert not study.flow.resolved  # Reynolds numbers and spin ratios follow from the golfers' flights
    text = (tmp_path / "spring.yaml").read_text()
    for part in ("ball:", "patterns:", "flow:", "golfers:", "air:"):
        before = text[: text.index(f"\n{part}")].splitlines()[-1]
        assert before.startswith("#"), part  # every section is explained


def test_options_are_taken(depthline, tmp_path):
    out = tmp_path / "own.yaml"
    ended = depthline("new", "own", "--golfers", "slow, rules", "--symmetry", "octahedral", "--count", 336,
                      "--chord", '0.15"', "--depths", '5 mil, 0.0072"', "--level", "medium", "--out", out,
    )  # fmt: skip
    assert ended.code == 0, ended.err
    study = load_study(out)
    pattern = study.patterns[0]
    assert (pattern.name, pattern.cavity.chord_diameter_m) == ("oct336", pytest.approx(0.15 * 0.0254))
    assert pattern.depths_m == pytest.approx([5 * 25.4e-6, 0.0072 * 0.0254])
    assert study.flow.level == "medium"
    # 176 mph, 10 deg, 2520 rpm: the rules' test of overall distance [quoted].
    rules = study.golfers[1].launch
    assert rules.ball_speed_m_s == pytest.approx(176 * 0.44704)


@pytest.mark.parametrize("swing", SWINGS, ids=[swing.name for swing in SWINGS])
def test_every_swing_makes_a_study_and_names_its_source(depthline, tmp_path, swing):
    out = tmp_path / "one.yaml"
    assert depthline("new", "one", "--golfers", swing.name, "--out", out).code == 0
    text = out.read_text()
    assert swing.source in text and swing.source.endswith(("[memory]", "[quoted]"))
    assert yaml.safe_load(text)["golfers"][0]["name"] == swing.name
    # A ball leaves faster than the clubhead that strikes it, by 1.5 at most (two bodies, restitution 0.83
    # of the Equipment Rules: (1 + 0.83) / (1 + 45.9 / 200) = 1.49 for a head of 200 g [computed]).
    assert 1.35 < swing.ball_speed_mph / swing.clubhead_mph < 1.51


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--golfers", "giant"), "--golfers: giant: must be one of slow, moderate"),
        (("--depths", "0.2"), "--depths: 0.2: has no unit"),
        (("--chord", "4 g"), "--chord: 4 g: is a mass; a length is wanted"),
        (("--level", "huge"), "flow.level: huge"),
        (("--symmetry", "cubic"), "symmetry: cubic"),
    ],
)
def test_wrong_answers_write_nothing(depthline, tmp_path, options, message):
    out = tmp_path / "one.yaml"
    ended = depthline("new", "one", *options, "--out", out)
    assert ended.code == 2 and message in ended.err, ended.err
    assert not out.exists()


def test_a_file_that_is_there_stays(depthline, tmp_path):
    out = tmp_path / "one.yaml"
    out.write_text("mine")
    ended = depthline("new", "one", "--out", out)
    assert ended.code == 2 and "is there already" in ended.err and out.read_text() == "mine"


def test_completion_is_offered(depthline):
    ended = depthline("--help")
    assert "--install-completion" in ended.out
