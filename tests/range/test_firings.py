"""Files of firings and of measured balls: what is read, and what is refused with its line."""

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.range.ball_sheet import read_ball_sheet
from pipeline.range.firings import Firings, read_firings, write_firings
from pipeline.range.invented import Kind, Programme, Scatter, quoted_ball, screens, short_baselines
from pipeline.range.simulate import simulate

HEADER = (
    "shot,ball,pattern,spin_rpm,mass_g,diameter_mm,temperature_degC,pressure_hPa,position_m,time_us,height_mm"
)
SHOT = "1,b1,p,2500,45.9,42.7,20,1013"


def few(gates=None) -> Firings:
    programme = Programme((40.0, 70.0), (250.0,), 1)
    return simulate([Kind("p", quoted_ball, 2e-4, 2)], gates or screens(5), programme, Scatter(), 3)


def text(tmp_path, *lines, name="f.csv"):
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("gates", [screens(6), short_baselines()])
def test_what_is_written_is_read(tmp_path, gates):
    given = few(gates)
    write_firings(tmp_path / "f.csv", given, ["INVENTED"], digits=15)
    found = read_firings([tmp_path / "f.csv"])
    # Gates stand in the file in the order of their numbers, and are read in that of their places.
    order = np.lexsort((given.gates["position_m"], given.gates["shot"]))
    for name in given.gates.columns[3:]:
        one, other = given.gates[name].to_numpy()[order], found.gates[name].to_numpy()
        np.testing.assert_allclose(one, other, rtol=1e-12, atol=1e-15)
    for name in given.shots.columns[5:]:
        np.testing.assert_allclose(given.shots[name], found.shots[name], rtol=1e-12)
    assert (tmp_path / "f.csv").read_text().startswith("# INVENTED")


def test_semicolons_and_decimal_commas_are_read(tmp_path):
    plain = text(tmp_path, HEADER, f"{SHOT},0,0.5,900", f"{SHOT},2.5,50000.25,910.5")
    lines = plain.read_text().replace(",", ";").replace(".", ",").splitlines()
    other = text(tmp_path, *lines, name="comma.csv")
    one, two = read_firings([plain]), read_firings([other])
    np.testing.assert_array_equal(one.gates["time_s"], two.gates["time_s"])
    np.testing.assert_array_equal(one.shots["mass_kg"], two.shots["mass_kg"])


def test_several_days_keep_their_shots_apart_and_their_balls_together(tmp_path):
    paths = [
        text(tmp_path, HEADER, f"{SHOT},0,0,900", f"{SHOT},2.5,50000,910", name=name)
        for name in ("monday.csv", "tuesday.csv")
    ]
    found = read_firings(paths)
    assert len(found.shots) == 2 and found.shots["ball"].nunique() == 1
    assert found.gates["shot"].tolist() == [0, 0, 1, 1]


def test_partial_records_are_read(tmp_path):
    path = text(tmp_path, HEADER, f"{SHOT},0,0,", f"{SHOT},2.5,,910", f"{SHOT},5,100000,")
    gates = read_firings([path]).gates
    assert np.isnan(gates["time_s"]).tolist() == [False, True, False]
    assert np.isnan(gates["height_m"]).tolist() == [True, False, True]


def test_every_fault_is_told_at_once_with_its_line(tmp_path):
    first = text(
        tmp_path,
        HEADER,
        f"{SHOT},0,0,900",
        "1,b1,p,2500,0.0459,42.7,20,1013,2.5,fast,910",  # a mass in kg, a time that is none
        "1,b2,p,2500,45.9,42.7,293,1013,5,100000,910",  # another ball, kelvin
        "2,b1,p,2500,45.9,42.7,20,1013,0,0",  # too short
        name="a.csv",
    )
    second = text(tmp_path, HEADER.replace("mass_g", "mass_stone"), f"{SHOT},0,0,900", name="b.csv")
    with pytest.raises(InputError) as caught:
        read_firings([first, second])
    lines = str(caught.value).split("\n")
    for file, line, words in (
        ("a.csv", 3, 'mass_g: "0.0459"'), ("a.csv", 3, 'time_us: "fast"'), ("a.csv", 4, "ball: differs"),
        ("a.csv", 4, "is it in K? Then name the column temperature_K"), ("a.csv", 5, "has 10 values"),
        ("b.csv", 1, "mass_stone: its unit is not known; write one of mass_g, mass_kg, mass_oz"),
    ):  # fmt: skip
        assert any(f"{file}:{line}:" in told and words in told for told in lines), (file, line, words, lines)
    assert any("is it in kg? Then name the column mass_kg" in told for told in lines)


def test_missing_columns_and_misspelt_ones_are_named(tmp_path):
    path = text(tmp_path, HEADER.replace("position_m", "positon_m"), f"{SHOT},0,0,900")
    with pytest.raises(InputError) as caught:
        read_firings([path])
    assert 'positon_m: is no column; did you mean "position_m"?' in str(caught.value)
    assert "column position_m is missing" in str(caught.value)


def test_a_gate_twice_in_a_shot_is_refused(tmp_path):
    path = text(tmp_path, HEADER, f"{SHOT},0,0,900", f"{SHOT},0,5,900")
    with pytest.raises(InputError, match=r"f\.csv:3: gate 0 m: stands twice"):
        read_firings([path])


def test_measured_balls_fill_in_what_the_firings_leave_empty(tmp_path):
    sheet = text(
        tmp_path, "ball;class;count;depth_mm;mass_g;diameter_mm", "b1;1;100;0,20;45,8;42,71",
        "b1;2;300;0,24;;",
        name="balls.csv",
    )  # fmt: skip
    balls = read_ball_sheet(sheet)
    # Mean over 400 dimples: (100 * 0.20 + 300 * 0.24) / 400 = 0.23 mm [computed].
    assert balls["b1"].depth_m == pytest.approx(0.23e-3)
    row = SHOT.replace("45.9", "").replace("42.7", "")
    path = text(tmp_path, HEADER, f"{row},0,0,900", f"{row},2.5,50000,910")
    shots = read_firings([path], balls).shots
    assert shots["mass_kg"][0] == pytest.approx(0.0458) and shots["diameter_m"][0] == pytest.approx(0.04271)
    assert shots["depth_m"][0] == pytest.approx(0.23e-3)
    with pytest.raises(InputError, match=r"f\.csv:2: mass_g: is not known of ball b1"):
        read_firings([path])
    text(tmp_path, "ball,mass_g", "b1,45.8", "b1,45.9", name="balls.csv")
    with pytest.raises(InputError, match="mass: ball b1 has two"):
        read_ball_sheet(sheet)
