"""The study file: every way to get it wrong gives its line, its key and what would be right."""

import shutil
import textwrap
from pathlib import Path

import pytest
from good_study import GOOD, problems, write

from pipeline.study.file import load_study

CASES = Path(__file__).parents[2] / "cases"


def test_a_good_file_is_read(tmp_path):
    study = load_study(write(tmp_path, GOOD))
    assert study.patterns[0].depths_m == [0.00015, 0.0002]
    assert study.flow.reynolds == [9e4, 1.8e5]
    assert study.air.humidity == 0.5
    assert study.air.temperature_k == 293.15
    # 1 mph = 0.44704 m/s exactly (NIST SP 811) [memory]
    assert study.golfers[0].launch.ball_speed_m_s == pytest.approx(165 * 0.44704, rel=4.5e-16)


@pytest.mark.parametrize("case", ["demo", "overnight"])
def test_the_cases_are_read_without_warnings(case):
    study = load_study(CASES / case / "study.yaml")
    assert study.name == case
    assert study.warnings() == []
    assert "invented" in study.about


def test_the_cases_point_editors_to_the_schema():
    for case in ("demo", "overnight"):
        first = (CASES / case / "study.yaml").read_text(encoding="utf-8").splitlines()[0]
        schema = first.removeprefix("# yaml-language-server: $schema=")
        assert (CASES / case / schema).resolve() == CASES / "study.schema.json"


def test_conditions_may_be_left_to_the_golfers(tmp_path):
    for text in (
        GOOD.replace("[9e4, 1.8e5]", "auto").replace("[0.08, 0.20]", "auto"),
        GOOD.replace("  reynolds: [9e4, 1.8e5]\n", "").replace("  spin_ratios: [0.08, 0.20]\n", ""),
    ):
        flow = load_study(write(tmp_path, text)).flow
        assert (flow.reynolds, flow.spin_ratios, flow.resolved) == ([], [], False)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    assert load_study(write(tmp_path, b"\xef\xbb\xbf" + GOOD.encode())).name == "small"


def test_windows_line_ends_are_no_fault(tmp_path):
    assert load_study(write(tmp_path, GOOD.replace("\n", "\r\n"))).name == "small"


def test_words_and_times_of_old_yaml_stay_text(tmp_path):
    text = GOOD.replace("name: small", "name: no").replace("fast swing", "12:30")
    study = load_study(write(tmp_path, text))
    assert (study.name, study.golfers[0].name) == ("no", "12:30")


# (what stands in the good file, what replaces it, the one line expected)
ONE_FAULT = [
    # names
    ("name: small\n", "", "1: name: is missing; write for instance name: demo"),
    ("name: small", "name: 5", "1: name: 5: is not text; put it in quotes"),
    ("name: small", "name: ../up", "1: name: ../up: is not a safe file name; use up to 64 letters"),
    ("name: small", 'name: ""', "1: name: : is empty; write for instance name: demo"),
    ("name: small", 'name: "a\\nb"', "1: name: a\\nb: is not a safe file name"),
    ("name: small", "name:", "1: name: is empty; give it a value, or remove the key"),
    ("- name: ico332", "- name: ico 332", "4: patterns[0].name: ico 332: is not a safe file name"),
    ("fast swing", '" "', "14: golfers[0].name:  : is empty or has control characters"),
    ("fast swing", '"a\\tb"', "14: golfers[0].name: a\\tb: is empty or has control characters"),
    ("fast swing", "'=HYPERLINK(1)'", "14: golfers[0].name: =HYPERLINK(1): begins like a formula"),
    ("fast swing", '" @SUM(1)"', "14: golfers[0].name:  @SUM(1): begins like a formula of a spreadsheet"),
    ("fast swing", '"-1+1"', "14: golfers[0].name: -1+1: begins like a formula of a spreadsheet"),
    ("air:", "scenarios: [{name: +cold}]\nair:", "17: scenarios[0].name: +cold: begins like a formula"),
    ("fast swing", "x" * 81, "14: golfers[0].name: " + "x" * 59 + "…: is longer than 80 characters"),
    # unknown and missing keys
    ("ball:", "bal:", '2: bal: is not a key here; did you mean "ball"?'),
    ("diameter: 42", "diametr: 42", '2: ball.diametr: is not a key here; did you mean "diameter"?'),
    ("depths:", "dephts:", '7: patterns[0].dephts: is not a key here; did you mean "depths"?'),
    ("humidity:", "xyzzy:", "17: air.xyzzy: is not a key here; the keys here are altitude, temperature,"),
    ("humidity:", "humidity_m:", "17: air.humidity_m: is not a key here"),
    ("diameter: 42", "diameter_m: 42", '2: ball.diameter_m: is not a key here; did you mean "diameter"?'),
    (", mass: 45.9 g", "", "2: ball.mass: is missing; write for instance mass: 45.9 g"),
    ("  level: coarse\n", "", "8: flow.level: is missing; write for instance level: coarse"),
    ("    cavity: {profile: arc, chord_diameter: 3.58 mm}\n", "", "4: patterns[0].cavity: has no chord diam"),
    (", chord_diameter: 3.58 mm", "", "6: patterns[0].cavity: has no chord diameter; write for instance"),
    # quantities
    ("0.15 mm", "0.25", '7: patterns[0].depths[0]: 0.25: has no unit; write for instance "0.25 mm"'),
    ("0.15 mm", '"0.25"', '7: patterns[0].depths[0]: 0.25: has no unit; write for instance "0.25 mm"'),
    ("0.15 mm", "150", '7: patterns[0].depths[0]: 150: has no unit; write for instance "0.25 mm"'),
    ("0.15 mm", "0.25 kg", "7: patterns[0].depths[0]: 0.25 kg: is a mass; a length is wanted (mm,"),
    ("0.15 mm", "0.15 mmm", '7: patterns[0].depths[0]: 0.15 mmm: has an unknown unit "mmm"; did you mean "m'),
    ("0.15 mm", "9 mm", "7: patterns[0].depths[0]: 9 mm: is outside the range 0.01 mm to 2 mm"),
    ("0.15 mm", "-0.15 mm", "7: patterns[0].depths[0]: -0.15 mm: is outside the range 0.01 mm to 2 mm"),
    ("0.15 mm", "1e999 mm", "7: patterns[0].depths[0]: 1e999 mm: is outside the range"),
    ("0.15 mm", '"0,15 mm"', '7: patterns[0].depths[0]: 0,15 mm: has a decimal comma; write "0.15 mm"'),
    ("0.15 mm", "shallow", "7: patterns[0].depths[0]: shallow: is not a length; write a number and its unit"),
    ("0.15 mm", "[0.15 mm]", "7: patterns[0].depths[0]: is not a length; write a number and its unit"),
    ("0.15 mm", "true", "7: patterns[0].depths[0]: true: is not a length; write a number and its unit"),
    ("0.15 mm", "null", "7: patterns[0].depths[0]: is empty; give it a value"),
    ("45.9 g", "45.9 mm", "2: ball.mass: 45.9 mm: is a length; a mass is wanted (g, kg, oz, lb)"),
    ("45.9 g", "4.59 kg", "2: ball.mass: 4.59 kg: is outside the range 1 g to 1 kg"),
    ("42.70 mm", "42.70 m", "2: ball.diameter: 42.70 m: is outside the range 10 mm to 500 mm"),
    ("3.58 mm", "35.8 mm", "6: patterns[0].cavity.chord_diameter: 35.8 mm: is outside the range 0.2 mm"),
    ("165 mph", "165", '15: golfers[0].launch.ball_speed: 165: has no unit; write for instance "165 mph"'),
    ("165 mph", "1650 mph", "15: golfers[0].launch.ball_speed: 1650 mph: is outside the range 5 m/s to 120 "),
    ("11 deg", "11 rpm", "15: golfers[0].launch.launch_angle: 11 rpm: is a rate of rotation; an angle is"),
    ("11 deg", "91 deg", "15: golfers[0].launch.launch_angle: 91 deg: is outside the range -10 deg to 60 de"),
    ("2600 rpm", "2600 Hz", '15: golfers[0].launch.backspin: 2600 Hz: has an unknown unit "Hz"'),
    ("20 degC", "20 C", '17: air.temperature: 20 C: has an unknown unit "C"; did you mean'),
    ("20 degC", "120 degC", "17: air.temperature: 120 degC: is outside the range -30 degC to 55 degC"),
    ("50 %", "0.5", '17: air.humidity: 0.5: has no unit; write for instance "0.5 %"'),
    ("50 %", "150 %", "17: air.humidity: 150 %: is outside the range 0 % to 100 %"),
    ("1013.25 hPa", "1013.25 Pa", "17: air.pressure: 1013.25 Pa: is outside the range 500 hPa to 1100 hPa"),
    ("temperature: 20 degC, pressure: 1013.25 hPa", "altitude: 5 km", "17: air.altitude: 5 km: has an unkno"),
    ("temperature: 20 degC, pressure: 1013.25 hPa", "altitude: 9000 m", "17: air.altitude: 9000 m: is outsi"),
    # plain numbers
    ("count: 332", "count: 332.5", "5: patterns[0].layout.count: 332.5: is not a whole number"),
    ("count: 332", "count: 0", "5: patterns[0].layout.count: 0: is outside the range 1 to 5000"),
    ("count: 332", "count: 332, mirror: yes", "5: patterns[0].layout.mirror: yes: is not true or false"),
    ("count: 332", "count: many", "5: patterns[0].layout.count: many: is not a whole number; write for inst"),
    ("9e4", "fast", "11: flow.reynolds[0]: fast: is not a number; write for instance 90000"),
    ("9e4", '"9e4"', "11: flow.reynolds[0]: 9e4: is not a number; write for instance 90000"),
    ("9e4", "1e999", "11: flow.reynolds[0]: inf: is not a number"),
    ("9e4", "9e9", "11: flow.reynolds[0]: 9000000000.0: is outside the range 1 to 1e6"),
    ("0.08", "-0.08", "12: flow.spin_ratios[0]: -0.08: is outside the range 0 to 2"),
    ("0.08", "{}", "12: flow.spin_ratios[0]: is not a number; write for instance 0.1"),
    ("  level: coarse", "  level: coarse\n  ranks: 0", "11: flow.ranks: 0: is outside the range 1 to 1024"),
    ("  level: coarse", "  level: coarse\n  standard_error: {cd: 1}", "11: flow.standard_error.cd: 1: is ou"),
    ("  level: coarse", "  level: coarse\n  iterations: yes", "11: flow.iterations: yes: is not a whole num"),
    # choices
    ("steady-rans", "steady-ran", "9: flow.fidelity: steady-ran: is not one of laminar, steady-rans, trans"),
    (
        "coarse",
        "corse",
        '10: flow.level: corse: is not one of coarse, graded, medium, fine; did you mean "coarse"?',
    ),
    ("icosahedral", "cubic", "5: patterns[0].layout.symmetry: cubic: is not one of icosahedral, octahedral"),
    ("profile: arc", "profile: dome", "6: patterns[0].cavity.profile: dome: is not one of arc, two-rad"),
    # lists and groups
    ("[0.15 mm, 0.20 mm]", "0.15 mm", "7: patterns[0].depths: 0.15 mm: is not a list; write for instance de"),
    ("[0.15 mm, 0.20 mm]", "[]", "7: patterns[0].depths: is empty; write for instance depths: [0.15 mm,"),
    ("[9e4, 1.8e5]", "9e4", "11: flow.reynolds: 90000.0: is not a list; write for instance reynolds: [90000"),
    ("[9e4, 1.8e5]", "atuo", "11: flow.reynolds: atuo: is not a list; write for instance [90000, 180000], o"),
    ("[0.08, 0.20]", "[]", "12: flow.spin_ratios: is empty; write for instance spin_ratios: [0.08, 0.2]"),
    (
        "    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}\n",
        "",
        '14: golfers[0].launch: is missing; write "launch:" and its keys below it, indented, or "measured:"',
    ),
    ("[9e4, 1.8e5]", "[" + "9e4, " * 101 + "]", "11: flow.reynolds: has more than 100 entries; split"),
    ("{diameter: 42.70 mm, mass: 45.9 g}", "42.70 mm", "2: ball: 42.70 mm: is not a group of keys; write"),
    ("{diameter: 42.70 mm, mass: 45.9 g}", "[42.70 mm]", "2: ball: is not a group of keys; write the keys"),
    ("air:", "x: 1\nair:", "17: x: is not a key here; the keys here are name, about, ball, patterns, flow,"),
    # values that name the same folder, sections of the same name
    ("0.20 mm", "0.1504 mm", "7: patterns[0].depths: values 1 and 2 are the same to the digits kept (d0.150"),
    ("1.8e5", "90000.2", "11: flow.reynolds: values 1 and 2 are the same to the digits kept (re90000); keep"),
    ("0.20]", "0.0804]", "12: flow.spin_ratios: values 1 and 2 are the same to the digits kept (s0.080)"),
    # combinations of keys
    ("count: 332", "seed: 2", "5: patterns[0].layout.count: is missing; write for instance count: 332"),
    ("symmetry: icosahedral, ", "", "5: patterns[0].layout.symmetry: is missing; write for instance symmetr"),
    ("{symmetry: icosahedral, count: 332}", "{}", '5: patterns[0].layout.symmetry: is missing; give "symmet'),
    ("    depths: [0.15 mm, 0.20 mm]\n", "", "4: patterns[0].depths: is missing; write for instance depths:"),
    ("    depths", "    edge_angles: [12 deg]\n    depths", '7: patterns[0].edge_angles: cannot stand besid'),
    ("highest: 35 m", "highest: 20 m", '16: golfers[0].flight_window: has its "lowest" not below its "highe'),
    ("humidity", "altitude: 9 m, humidity", '17: air.altitude: 9 m: cannot stand beside "pressure"; remove '),
    # layout files
    ("{symmetry: icosahedral, count: 332}", "{file: no.csv}", "5: patterns[0].layout.file: no.csv: there is"),
    ("{symmetry: icosahedral, count: 332}", "{file: 5}", "5: patterns[0].layout.file: 5: is not a file name"),
    ("{symmetry: icosahedral, count: 332}", '{file: ""}', "5: patterns[0].layout.file: : is not a file name"),
    ("{symmetry: icosahedral, count: 332}", '{file: "a\\0b"}', "5: patterns[0].layout.file: a\\x00b: there "),
    ("{symmetry: icosahedral, count: 332}", "{file: .}", "5: patterns[0].layout.file: .: is no regular file"),
    # YAML itself
    ("name: small", "name: small\nname: large", "2: name: is given twice (first on line 1); keep one"),
    ("45.9 g}", "45.9 g, mass: 46 g}", "2: ball.mass: is given twice (first on line 2); keep one"),
    ("    layout:", "\tlayout:", "5: holds a tab; YAML is indented with spaces"),
    ("{diameter", "[diameter", "2: is not YAML ("),
    ("name: small", "name: 'small", "1: is not YAML ("),
    ("name: small", "name: &n small", "1: holds an anchor or alias (& or *); write the values out"),
    ("name: small", "name: *n", "1: holds an anchor or alias (& or *); write the values out"),
    ("name: small", "name: !!python/object/apply:os.system [true]", "1: holds a tag (tag:yaml.org,2002:pyth"),
    ("name: small", 'name: "\\U00110000"', "1: is not YAML ("),
    ("name: small", 'name: "\\UFFFFFFFF"', "1: is not YAML ("),
    ("name: small", "%YAML 1." + "1" * 6000 + "\n---\nname: small", "1: is not YAML ("),
    ("name: small", "%TAG ! x:\n---\nname: small", "1: holds a %TAG directive; remove it"),
    ("name: small", "name: small\nx: " + "1" * 6000, "2: x: is not a key here"),
    ("9e4", "1" * 6000, "11: flow.reynolds[0]: inf: is not a number; write for instance 90000"),
    ("0.15 mm", '"1' + " " * 100_000 + 'x"', "7: patterns[0].depths[0]: 1                      "),
    ("name: small", "? [a]\n: b", "1: has a key that is not plain text; write KEY: VALUE"),
    ("name: small", "name: small\x07", "1: holds a control character (code 7); a study file is plain text"),
    ("name: small", 'name: "\\ud800"', "1: holds half a character"),
    ("air:", "---\nair:", "17: holds a second document; remove '---' and what follows"),
    ("name: small", "name: " + "[" * 40 + "]" * 40, "1: is nested deeper than 16 levels; no study needs tha"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line"), ONE_FAULT, ids=[f"{n}" for n in range(len(ONE_FAULT))])
def test_one_fault_gives_one_line(tmp_path, old, new, line):
    assert old in GOOD
    found = problems(tmp_path, GOOD.replace(old, new, 1))
    # a misspelt or emptied required key is also a missing one, and a lost section's parts are not judged
    told = [entry for entry in found if "is missing" not in entry or "is missing" in line]
    assert len(told) >= 1
    assert told[0].startswith(line), found
    assert len(told) == 1, found


def test_a_decimal_comma_in_a_group_is_named(tmp_path):
    found = problems(tmp_path, GOOD.replace("45.9 g", "45,9 g"))
    assert found == [
        '2: ball.mass: 45: has no unit; write for instance "45 g"',
        "2: ball.9 g: is empty; when a decimal comma was meant, write a point",
    ] or found == [
        "2: ball.9 g: is empty; when a decimal comma was meant, write a point",
        '2: ball.mass: 45: has no unit; write for instance "45 g"',
    ]


def test_every_problem_is_told_at_once_in_the_order_of_the_file(tmp_path):
    text = textwrap.dedent("""\
        name: a b
        ball: {diameter: 42.70, mas: 45.9 g}
        patterns:
          - name: p
            layout: {symmetry: icosahedral, count: 332}
            cavity: {chord_diameter: 3.58 kg}
            depths: [9 mm, 0.20]
            edge_angles: [12 deg]
        flow: {fidelity: laminar, level: finest, reynolds: [], spin_ratios: [0.1]}
        golfers:
          - name: g
            launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
            flight_window: {lowest: 30 m, highest: 20 m}
        air: {altitude: 100 m, pressure: 900 hPa}
        """)
    found = problems(tmp_path, text)
    assert [entry.split(": ")[:2] for entry in found] == [
        ["1", "name"],
        ["2", "ball.diameter"],
        ["2", "ball.mass"],
        ["2", "ball.mas"],
        ["6", "patterns[0].cavity.chord_diameter"],
        ["7", "patterns[0].depths[0]"],
        ["7", "patterns[0].depths[1]"],
        ["8", "patterns[0].edge_angles"],
        ["9", "flow.level"],
        ["9", "flow.reynolds"],
        ["13", "golfers[0].flight_window"],
        ["14", "air.altitude"],
    ]


def test_two_sections_of_one_name_are_refused(tmp_path):
    twice = GOOD.replace("patterns:", "patterns:\n" + GOOD.split("patterns:\n")[1].split("flow:")[0].rstrip())
    (line,) = problems(tmp_path, twice.replace("ico332", "ICO332", 1))
    assert line == '3: patterns: entries 1 and 2 are both named "ico332"; rename one'


def test_many_problems_end_in_a_count(tmp_path):
    found = problems(tmp_path, GOOD.replace("[0.15 mm, 0.20 mm]", f"[{', '.join(['0.2'] * 80)}]"))
    assert len(found) == 51
    assert found[-1] == " and 30 more problems"


def test_a_layout_file_is_found_beside_the_study(tmp_path):
    text = GOOD.replace("{symmetry: icosahedral, count: 332}", "{file: layout.csv}")
    (tmp_path / "layout.csv").write_text("polar_deg,azimuth_deg,chord_diameter_mm\n")
    study = load_study(write(tmp_path, text.replace(", chord_diameter: 3.58 mm", "")))
    assert study.patterns[0].layout.file == tmp_path / "layout.csv"
    (line,) = problems(tmp_path, text.replace("layout.csv}", "layout.csv, count: 5}"))
    assert line.startswith(
        '5: patterns[0].layout.count: 5: goes with a layout that is spread, not with "file"'
    )


def test_a_directive_of_the_version_is_no_fault(tmp_path):
    assert load_study(write(tmp_path, "%YAML 1.2\n---\n" + GOOD)).name == "small"


def test_a_study_of_too_many_runs_is_refused(tmp_path):
    many = GOOD.replace("[9e4, 1.8e5]", str([1000 * n for n in range(1, 101)]))
    many = many.replace("[0.08, 0.20]", str([round(0.01 * n, 2) for n in range(100)]))
    depths = ", ".join(f"{0.1 + 0.001 * n:.3f} mm" for n in range(11))
    (line,) = problems(tmp_path, many.replace("0.15 mm, 0.20 mm", depths))
    assert line.startswith("8: flow: 110,000 runs (depths") and "more than the 100,000 of a study" in line
    assert load_study(write(tmp_path, many)).flow.reynolds[-1] == 1e5  # 20,000


def test_the_result_does_not_depend_on_the_current_folder(tmp_path, monkeypatch):
    shutil.copy(CASES / "demo" / "study.yaml", tmp_path / "study.yaml")
    monkeypatch.chdir(tmp_path)
    assert load_study(Path("study.yaml")) == load_study(CASES / "demo" / "study.yaml")
