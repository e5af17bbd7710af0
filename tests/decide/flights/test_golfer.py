"""Shots of a golfer follow the stated mean and spread."""

import numpy as np
import pytest

from pipeline.decide.flights.golfer import as_flown, draw_shots, in_words, read_launches
from pipeline.errors import InputError
from pipeline.study.model import Golfer

LAUNCH = {"ball_speed_m_s": 70.0, "launch_angle_rad": 0.2, "backspin_rad_s": 280.0, "axis_tilt_rad": 0.05}
SPREAD = {"ball_speed_m_s": 1.0, "launch_angle_rad": 0.02, "backspin_rad_s": 25.0, "axis_tilt_rad": 0.04}


def golfer(launch=LAUNCH, spread=SPREAD) -> Golfer:
    return Golfer.model_validate({"name": "invented", "launch": launch, "spread": spread}, by_name=True)


def test_mean_spread_and_independence():
    shots = draw_shots(golfer(), 512, seed=1).as_array()
    mean, spread = np.array(list(LAUNCH.values())), np.array(list(SPREAD.values()))
    assert shots.shape == (512, 4)
    # Even points settle faster than the 1 / sqrt(n) of independent ones, here 4 %.
    assert np.abs((shots.mean(axis=0) - mean) / spread).max() < 0.02
    assert shots.std(axis=0) / spread == pytest.approx(np.ones(4), abs=0.03)
    assert np.abs(np.corrcoef(shots.T) - np.eye(4)).max() < 0.05
    # Gaussian: 68.3 % within one and 95.4 % within two standard deviations.
    inside = np.abs((shots - mean) / spread)
    assert (inside < 1).mean(axis=0) == pytest.approx(np.full(4, 0.683), abs=0.02)
    assert (inside < 2).mean(axis=0) == pytest.approx(np.full(4, 0.954), abs=0.01)


def test_the_seed_decides():
    one, same, other = (draw_shots(golfer(), 64, seed).as_array() for seed in (1, 1, 2))
    assert np.array_equal(one, same) and not np.array_equal(one, other)


def test_without_spread_there_is_the_mean_shot():
    still = golfer(spread={})
    assert draw_shots(still, 100, 1).as_array().tolist() == [list(LAUNCH.values())]


def test_a_wide_spread_gives_no_impossible_shot():
    wild = golfer(LAUNCH | {"ball_speed_m_s": 10.0, "backspin_rad_s": 50.0},
                  {"ball_speed_m_s": 15.0, "backspin_rad_s": 300.0})  # fmt: skip
    shots = draw_shots(wild, 200, 1).as_array()
    assert shots[:, 0].min() == 1.0 and shots[:, 2].min() == 0.0
    assert (shots[:, 1] == 0.2).all() and (shots[:, 3] == 0.05).all()


def test_correlations_are_met():
    spread = SPREAD | {"correlations": [{"between": ["launch_angle", "backspin"], "value": -0.6},
                                        {"between": ["ball_speed", "backspin"], "value": 0.3}]}  # fmt: skip
    found = np.corrcoef(draw_shots(golfer(spread=spread), 512, 1).as_array().T)
    wanted = np.eye(4)
    wanted[1, 2] = wanted[2, 1] = -0.6
    wanted[0, 2] = wanted[2, 0] = 0.3
    assert found == pytest.approx(wanted, abs=0.06)


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        ([("backspin", "backspin", 0.5)], "between a quantity and itself"),
        (
            [("backspin", "ball_speed", 0.5), ("ball_speed", "backspin", 0.5)],
            "two correlations between the same",
        ),
        (
            [
                ("backspin", "ball_speed", 0.9),
                ("ball_speed", "launch_angle", 0.9),
                ("launch_angle", "backspin", -0.9),
            ],
            "no scatter can have",
        ),
    ],
)
def test_impossible_correlations_are_refused(entries, message):
    given = [{"between": [one, other], "value": value} for one, other, value in entries]
    with pytest.raises(ValueError, match=message):
        golfer(spread=SPREAD | {"correlations": given})


def measured(path, use="fitted") -> Golfer:
    return Golfer.model_validate(
        {"name": "invented", "launch": LAUNCH, "measured": {"file": path, "use": use}}, by_name=True
    )


def test_measured_launches_fitted_and_drawn(tmp_path):
    rng = np.random.default_rng(8)
    covariance = [[4.0, -1.5], [-1.5, 1.0]]
    speed, angle = rng.multivariate_normal([150.0, 12.0], covariance, 400).T
    rows = [f"{s},{a},2600,note" for s, a in zip(speed, angle, strict=True)]
    path = tmp_path / "launches.csv"
    path.write_text("\n".join(["ball_speed_mph,launch_angle_deg,backspin_rpm,remark", *rows]) + "\n")
    read = read_launches(path)
    assert read[:, 0] == pytest.approx(speed * 0.44704) and read[:, 1] == pytest.approx(np.radians(angle))
    assert read[0, 2] == pytest.approx(2600 * 2 * np.pi / 60) and not read[:, 3].any()
    fitted = draw_shots(measured(path), 512, 1).as_array()
    assert np.cov(fitted[:, :2].T) == pytest.approx(np.cov(read[:, :2].T), rel=0.08)
    assert fitted.mean(axis=0) == pytest.approx(read.mean(axis=0), rel=0.005, abs=1e-9)
    drawn = draw_shots(measured(path, "drawn"), 128, 1).as_array()
    assert len(np.unique(drawn, axis=0)) == 128
    assert set(map(tuple, drawn)) <= set(map(tuple, read))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "one column ball_speed_m_s or ball_speed_mph is needed"),
        ("ball_speed_mph,launch_angle_deg\n1,2\n", "one column backspin_rpm is needed"),
        ("ball_speed_mph,launch_angle_deg,backspin_rpm\n", "has no launches"),
        ("ball_speed_mph,launch_angle_deg,backspin_rpm\n150,11,2600\n900,x,2600\n", ":3: launch_angle_deg"),
        ("ball_speed_mph,launch_angle_deg,backspin_rpm\n150,11,2600\n", "5 are needed for a fit"),
    ],
)
def test_bad_launch_files(tmp_path, text, message):
    path = tmp_path / "launches.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        draw_shots(measured(path), 10, 1)


def test_launches_as_a_german_spreadsheet_writes_them(tmp_path):
    path = tmp_path / "launches.csv"
    path.write_text(
        "Nr;ball_speed_m_s;launch_angle_deg;backspin_rpm;Bemerkung\n1;70,5;11,25;2600;gut, weit\n"
        "2;71;10,5;2700;\n"
    )
    read = read_launches(path)
    assert read[:, 0].tolist() == [70.5, 71.0]
    assert np.degrees(read[:, 1]) == pytest.approx([11.25, 10.5])


def test_of_many_wrong_launches_fifty_are_listed(tmp_path):
    path = tmp_path / "launches.csv"
    path.write_text("ball_speed_mph,launch_angle_deg,backspin_rpm\n" + "900,11,2600\n" * 70)
    with pytest.raises(InputError) as caught:
        read_launches(path)
    lines = str(caught.value).splitlines()
    assert len(lines) == 51 and lines[50].endswith("and 20 more values like these")


@pytest.mark.parametrize("use", ["fitted", "drawn"])
def test_a_measured_golfer_needs_no_launch_and_shows_his_file(tmp_path, use):
    """Mean and standard deviation of 150, 152, 154, 156, 158 mph are 154 and 3.1623 [by hand]."""
    path = tmp_path / "monday.csv"
    rows = [
        f"{speed},{angle},2600,1" for speed, angle in zip(range(150, 160, 2), (9, 11, 10, 12, 8), strict=True)
    ]
    path.write_text("\n".join(["ball_speed_mph,launch_angle_deg,backspin_rpm,axis_tilt_deg", *rows]) + "\n")
    given = {"name": "invented", "measured": {"file": path, "use": use}}
    for false in ({}, {"launch": LAUNCH}):  # a launch beside the file is not what is flown
        of = as_flown(Golfer.model_validate(given | false, by_name=True))
        assert (of.source, of.file, of.count) == (use, path, 5)
        assert of.mean / [0.44704, np.pi / 180, np.pi / 30, np.pi / 180] == pytest.approx([154, 10, 2600, 1])
        assert of.spread[:2] / [0.44704, np.pi / 180] == pytest.approx([10**0.5, 2.5**0.5])
        assert of.spread[2:] == pytest.approx([0.0, 0.0])
        words = in_words(of).replace("\u00a0", " ")
        assert "5 launches of monday.csv: ball speed 154.0 ± 3.2 mph, launch angle 10.0 ± 1.6 deg, " in words
        assert "backspin 2600 rpm, axis tilt 1.0 deg" in words


def test_a_golfer_without_launch_and_file_is_refused():
    with pytest.raises(
        ValueError, match='is missing; write "launch:" and its keys below it, indented, or "mea'
    ):
        Golfer.model_validate({"name": "invented"}, by_name=True)


def test_one_measured_launch_can_be_flown_as_it_is(tmp_path):
    path = tmp_path / "one.csv"
    path.write_text("ball_speed_m_s,launch_angle_deg,backspin_rpm\n70,11,2600\n")
    of = Golfer.model_validate({"name": "invented", "measured": {"file": path, "use": "drawn"}}, by_name=True)
    assert not as_flown(of).spread.any()
    assert draw_shots(of, 3, 1).as_array()[:, 0].tolist() == [70.0] * 3
