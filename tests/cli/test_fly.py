"""`depthline fly`: shots with tables."""

import re

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

SHOT = ["--speed", "58 m/s", "--angle", "10 deg", "--spin", "3500 rpm"]


@pytest.fixture
def table(tmp_path):
    """Cd 0.25 and Cl 0.15 whatever the flow."""
    path = tmp_path / "table.csv"
    rows = [f"{reynolds},{spin},0.25,0.15" for reynolds in (1e4, 1e6) for spin in (0.0, 2.0)]
    path.write_text("\n".join(["reynolds,spin_ratio,cd,cl", *rows]) + "\n")
    return path


def test_a_flight_with_fixed_coefficients(depthline, table):
    """An independent integration (m 0.04593 kg, D 0.04267 m, rho 1.225 kg/m3, g 9.81) [computed elsewhere].

    Cd 0.25, Cl 0.15, 58 m/s, 10 deg: 147.435 m, 10.709 m, 3.8362 s, 21.966 deg. Dry air at 15 degC and
    1013.25 hPa has 1.2250 kg/m3 in the standard atmosphere [computed], within 1e-3 of it by CIPM-2007, and
    standard gravity is 9.80665: together they shift the flight by under 0.2 %.
    """
    dry = ["--temperature", "15 degC", "--pressure", "1013.25 hPa", "--humidity", "0 %"]
    ended = depthline("fly", table, *SHOT, *dry, "--json")
    assert ended.code == 0
    assert ended.err == ""
    found = ended.json()
    assert found["air_density_kg_m3"] == pytest.approx(1.2250, rel=1e-3)
    assert found["carry_m"] == pytest.approx(147.435, rel=2e-3)
    assert found["peak_height_m"] == pytest.approx(10.709, rel=2e-3)
    assert found["time_s"] == pytest.approx(3.8362, rel=2e-3)
    assert found["descent_deg"] == pytest.approx(21.966, rel=2e-3)
    assert found["extrapolated"] == 0.0
    assert found["side_m"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("profile", ["uniform", "logarithmic"])
@pytest.mark.parametrize(("wind_from", "along_m_s"), [("0 deg", -5.0), ("180 deg", 5.0)])
def test_a_wind_along_the_flight(depthline, table, wind_from, along_m_s, profile):
    """Against scipy's integration of the same equations in the plane of the flight.

    A flat launch with much lift is shortened by a tailwind too: it loses lift.
    """
    wind = ["--wind", "5 m/s", "--wind-from", wind_from, "--wind-profile", profile]
    found = depthline("fly", table, *SHOT, *wind, "--json").json()
    per_metre = found["air_density_kg_m3"] * np.pi * 0.04267**2 / (8 * 0.04593)

    def rates(_time, state):
        # Open grassland, 30 mm of roughness, the wind stated at 10 m.
        share = np.log1p(max(state[1], 0.0) / 0.03) / np.log1p(10.0 / 0.03) if profile != "uniform" else 1.0
        u, w = state[2] - along_m_s * share, state[3]
        through_air = np.hypot(u, w)
        along = per_metre * through_air * (-0.25 * u - 0.15 * w)
        up = per_metre * through_air * (-0.25 * w + 0.15 * u)
        return [state[2], state[3], along, up - 9.80665]

    def height(_time, state):
        return state[1]

    height.terminal, height.direction = True, -1
    angle = np.radians(10.0)
    start = [0.0, 1e-9, 58.0 * np.cos(angle), 58.0 * np.sin(angle)]
    flight = solve_ivp(rates, (0.0, 60.0), start, events=height, rtol=1e-10, atol=1e-10)
    # The flight engine holds its error; what is left of it comes from the wind near the ground.
    assert found["carry_m"] == pytest.approx(flight.y[0, -1], abs=0.01 if profile == "uniform" else 0.04)


def test_the_table_for_people_has_both_units(depthline, table):
    ended = depthline("fly", table, *SHOT)
    assert ended.code == 0
    carry = float(depthline("fly", table, *SHOT, "--json").json()["carry_m"])
    # 1 yd = 0.9144 m exactly (NIST SP 811) [memory]
    assert f"{carry:.1f} m" in ended.out
    assert f"{carry / 0.9144:.1f} yd" in ended.out


@pytest.mark.parametrize(
    ("options", "smaller", "key"),
    [
        (["--wind", "5 m/s", "--wind-from", "90 deg"], True, "side_m"),  # from the right, drifts left
        (["--tilt", "5 deg"], False, "side_m"),  # curves to the right
        (["--tilt", "-5 deg"], True, "side_m"),
        (["--altitude", "2000 m"], True, "air_density_kg_m3"),
        (["--mass", "30 g"], True, "carry_m"),  # drag slows a light ball more
    ],
)
def test_options_act_the_right_way(depthline, table, options, smaller, key):
    plain = depthline("fly", table, *SHOT, "--json").json()[key]
    changed = depthline("fly", table, *SHOT, *options, "--json").json()[key]
    assert (changed < plain) if smaller else (changed > plain)


def test_a_flight_outside_the_table_is_warned_of(depthline, tmp_path):
    table = tmp_path / "narrow.csv"
    rows = [f"{reynolds},{spin},0.25,0.15" for reynolds in (1.5e5, 2e5) for spin in (0.0, 2.0)]
    table.write_text("\n".join(["reynolds,spin_ratio,cd,cl", *rows]) + "\n")
    ended = depthline("fly", table, *SHOT, "--json")
    assert ended.code == 0
    assert ended.json()["extrapolated"] > 0.1
    assert "of the flight time is outside the table's grid" in ended.err


def test_every_wrong_option_is_told_at_once(depthline, table):
    ended = depthline(
        "fly", table, "--speed", "165", "--angle", "11 rpm", "--spin", "99999 rpm", "--altitude", "5 km",
        "--humidity", "0.5", "--wind", "3 mph", "--mass", "45,9 g",
    )  # fmt: skip
    assert (ended.code, ended.out) == (2, "")
    lines = ended.err.replace("depthline: ", "").splitlines()
    assert [line.split(": ")[0] for line in lines] == [
        "--speed", "--angle", "--spin", "--mass", "--altitude", "--humidity",
    ]  # fmt: skip
    assert lines[0] == '--speed: 165: has no unit; write for instance "165 mph"'
    assert lines[2] == "--spin: 99999 rpm: is outside the range 0 rpm to 15000 rpm"


def test_altitude_and_pressure_exclude_each_other(depthline, table):
    ended = depthline("fly", table, *SHOT, "--altitude", "100 m", "--pressure", "900 hPa")
    assert ended.code == 2
    assert "--altitude: 100 m: cannot stand beside --pressure; remove one of the two" in ended.err


@pytest.mark.parametrize(
    "content", [None, "", "reynolds,spin_ratio,cd\n1e5,0.1,0.2\n", "reynolds,spin_ratio,cd,cl\n1e5,0.1,x,0\n"]
)
def test_a_wrong_table_gives_one_line(depthline, tmp_path, content):
    path = tmp_path / "table.csv"
    if content is not None:
        path.write_text(content)
    ended = depthline("fly", path, *SHOT, "--json")
    assert (ended.code, ended.out) == (2, "")
    assert str(path) in ended.err
    assert len(ended.err.splitlines()) == 1


def test_a_ball_that_loops_is_no_flight(depthline, tmp_path):
    table = tmp_path / "lift.csv"
    rows = [f"{reynolds},{spin},0.1,3" for reynolds in (10, 1e6) for spin in (0.0, 2.0)]
    table.write_text("\n".join(["reynolds,spin_ratio,cd,cl", *rows]) + "\n")
    ended = depthline("fly", table, *SHOT, "--json")
    assert ended.code == 2 and ended.out == ""
    warned, refused = ended.err.splitlines()
    assert warned.startswith(f"warning: {table}: Cl 3 is outside -0.8 to 0.8: ")
    assert re.fullmatch(rf"depthline: {table}: the ball lands \d+\.\d m behind the golfer .*", refused)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("2e4,0.1", 'cd: "2e4" is not a number from 0 to 10'),
        ("0.25,1e300", 'cl: "1e300" is not a number from -3 to 3'),
        ("0.25,0.1,1e300", 'cm: "1e300" is not a number from -1 to 0 (negative: it slows the spin)'),
        ("0.25,0.1,0.004", 'cm: "0.004" is not a number from -1 to 0 (negative: it slows the spin)'),
        ("0.25,15", 'cl: "15" is not a number from -3 to 3'),
    ],
)
def test_coefficients_of_no_ball_are_refused(depthline, tmp_path, row, message):
    table = tmp_path / "table.csv"
    header = "reynolds,spin_ratio,cd,cl" + (",cm" if row.count(",") == 2 else "")
    table.write_text(f"{header}\n1e5,0.1,{row}\n")
    ended = depthline("fly", table, *SHOT)
    assert (ended.code, ended.out, ended.err) == (2, "", f"depthline: {table}:2: {message}\n")


def grid(folder, name, cd):
    path = folder / name
    rows = [f"{reynolds},{spin},{cd},0.15" for reynolds in (1e4, 1e6) for spin in (0.0, 2.0)]
    path.write_text("\n".join(["reynolds,spin_ratio,cd,cl", *rows]) + "\n")
    return path


def test_several_tables_are_flown_side_by_side(depthline, tmp_path):
    """Each flies as it does by itself; more drag carries less."""
    low, high = grid(tmp_path, "low.csv", 0.25), grid(tmp_path, "high.csv", 0.30)
    found = depthline("fly", low, high, *SHOT, "--json").json()
    alone = [depthline("fly", path, *SHOT, "--json").json()["carry_m"] for path in (low, high)]
    assert [row["carry_m"] for row in found["flights"]] == alone and alone[0] > alone[1]
    assert [row["table"] for row in found["flights"]] == [str(low), str(high)]
    assert [(row["carry_m"], row["carry_sd_m"], row["launches"]) for row in found["means"]] == [
        (alone[0], 0.0, 1), (alone[1], 0.0, 1)
    ]  # fmt: skip
    table = depthline("fly", low, high, *SHOT).out
    assert "low.csv" in table and "high.csv" in table and f"({alone[1]:.1f})" in table


STUDY_TABLE = "\n".join(
    ["# study: invented", "pattern,depth_m,reynolds,spin_ratio,cd,cd_se,cl,cl_se,cm,cm_se,tripped_share"]
    + [
        f"{pattern},{depth},{reynolds},{spin},{cd},0.001,0.15,0.002,,,1.0"
        for pattern, depth, cd in (("a", 0.00015, 0.25), ("a", 0.0002, 0.27), ("b", 0.0002, 0.3))
        for reynolds in (1e4, 1e6)
        for spin in (0.0, 2.0)
    ]
)


def test_a_study_s_own_table_is_flown(depthline, table, tmp_path):
    path = tmp_path / "tables.csv"
    path.write_text(STUDY_TABLE + "\n")
    every = depthline("fly", path, *SHOT, "--json").json()["flights"]
    assert [(row["pattern"], row["depth_m"]) for row in every] == [
        ("a", 0.00015),
        ("a", 0.0002),
        ("b", 0.0002),
    ]
    one = depthline("fly", path, *SHOT, "--pattern", "a", "--depth", "0.15 mm", "--json").json()
    assert one["carry_m"] == every[0]["carry_m"]
    assert one["carry_m"] == depthline("fly", table, *SHOT, "--json").json()["carry_m"]  # the same numbers
    ended = depthline("fly", path, *SHOT, "--depth", "0.16 mm")
    assert (ended.code, ended.out) == (2, "")
    assert "--depth: 0.16 mm: is not in" in ended.err and "a 0.15 mm, a 0.2 mm, b 0.2 mm" in ended.err
    assert "--depth: 0.16: has no unit" in depthline("fly", path, *SHOT, "--depth", "0.16").err


def test_a_file_of_launches_is_flown_shot_by_shot(depthline, table, tmp_path):
    """Mean and standard deviation over two shots a and b: (a + b) / 2 and |a - b| / sqrt 2 [by hand]."""
    launches = tmp_path / "launches.csv"
    launches.write_text("ball_speed_m_s,launch_angle_deg,backspin_rpm\n58,10,3500\n55,12,3300\n")
    found = depthline("fly", table, "--launches", launches, "--json").json()
    first, second = found["flights"]
    # rpm are converted by two ways that differ in the last digit
    alone = depthline("fly", table, *SHOT, "--json").json()["carry_m"]
    assert first["carry_m"] == pytest.approx(alone, rel=1e-12)
    assert (second["launch"], second["ball_speed_m_s"]) == (2, 55.0)
    assert second["launch_angle_deg"] == pytest.approx(12.0) and second["backspin_rpm"] == pytest.approx(
        3300.0
    )
    (mean,) = found["means"]
    assert mean["launches"] == 2
    assert mean["carry_m"] == pytest.approx((first["carry_m"] + second["carry_m"]) / 2)
    assert mean["carry_sd_m"] == pytest.approx(abs(first["carry_m"] - second["carry_m"]) / 2**0.5)
    assert "mean ± standard deviation of 2 launches" in depthline("fly", table, "--launches", launches).out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "--speed: is missing"),
        (
            ["--speed", "58 m/s", "--spin", "2600 rpm"],
            '--angle: is missing; write for instance --angle "11 deg"',
        ),
        (["--launches", "FILE", "--tilt", "3 deg"], "--tilt: cannot stand beside --launches"),
        (["--launches", "none.csv"], "none.csv: "),
        (["--launches", "FILE"], ":2: ball_speed_m_s"),
    ],
)
def test_launches_come_from_options_or_from_a_file(depthline, table, tmp_path, options, words):
    launches = tmp_path / "launches.csv"
    launches.write_text("ball_speed_m_s,launch_angle_deg,backspin_rpm\n580,10,3500\n")
    ended = depthline("fly", table, *(launches if option == "FILE" else option for option in options))
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err


def test_the_path_is_written_as_a_table(depthline, table, tmp_path):
    """The last point is the landing; speed, Re and S belong together: Re = U D / nu, S = omega D / (2 U)."""
    out = tmp_path / "paths" / "path.csv"
    ended = depthline("fly", table, *SHOT, "--wind", "5 m/s", "--path", out, "--json")
    flown, frame = ended.json(), pd.read_csv(out, comment="#")
    assert out.read_text().startswith("# flight paths: 1; ") and f"wrote {out}" in ended.err
    last = frame.iloc[-1]
    assert last["x_m"] == pytest.approx(flown["carry_m"], abs=1e-3)
    assert last["time_s"] == pytest.approx(flown["time_s"], abs=1e-4)
    assert last["height_m"] == pytest.approx(0.0, abs=1e-3)
    assert frame["height_m"].max() == pytest.approx(flown["peak_height_m"], abs=0.05)
    speed = np.sqrt((frame["vx_m_s"] + 5.0) ** 2 + frame["vside_m_s"] ** 2 + frame["vz_m_s"] ** 2)
    assert frame["reynolds"].to_numpy() == pytest.approx(
        (speed * 0.04267 / flown["kinematic_viscosity_m2_s"]).to_numpy(), rel=1e-5
    )
    assert frame["spin_ratio"].to_numpy() == pytest.approx(
        (frame["spin_rpm"] * np.pi / 30 * 0.04267 / (2 * speed)).to_numpy(), rel=1e-5
    )
    assert (frame["cd"] == 0.25).all() and (frame["cl"] == 0.15).all()
    assert [path.name for path in out.parent.iterdir()] == ["path.csv"]  # nothing half-written beside it


def test_a_wrong_table_leaves_no_file_of_paths(depthline, tmp_path):
    out = tmp_path / "path.csv"
    assert depthline("fly", tmp_path / "none.csv", *SHOT, "--path", out).code == 2
    assert not out.exists()


def test_a_table_whose_name_is_a_formula_is_none_to_a_spreadsheet(depthline, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    grid(tmp_path, "=cmd.csv", 0.25)
    assert depthline("fly", "=cmd.csv", *SHOT, "--path", "p.csv").code == 0
    assert set(pd.read_csv("p.csv", comment="#")["table"]) == {"./=cmd.csv"}


def test_an_implausible_table_is_flown_with_a_warning(depthline, tmp_path):
    table = tmp_path / "table.csv"
    rows = [f"{reynolds},{spin},0.06,0.04" for reynolds in (4e4, 3e5) for spin in (0.0, 0.6)]
    table.write_text("\n".join(["reynolds,spin_ratio,cd,cl", *rows]) + "\n")
    ended = depthline("fly", table, *SHOT, "--json")
    assert ended.code == 0 and ended.json()["carry_m"] > 0
    assert ended.err.startswith(
        f"warning: {table}: Cd 0.06 is outside 0.1 to 1: the numbers look four times too"
    )
