import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.geometry.build import make_ball
from pipeline.geometry.dimple.section import Profile
from pipeline.geometry.layout.file import read_layout, write_layout
from pipeline.geometry.layout.layout import Layout, narrowest_land, smooth_layout, spread_layout
from pipeline.records.geometry import BallInputs

D = 42.7e-3
HEADER = "polar_deg,azimuth_deg,chord_diameter_mm\n"


@pytest.fixture
def csv_file(tmp_path):
    def write(content):
        path = tmp_path / "layout.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def _message(path, **options):
    with pytest.raises(InputError) as caught:
        read_layout(path, D, **options)
    return str(caught.value).replace(str(path), "layout.csv")


def test_angles_and_chords_mean_what_the_columns_say(csv_file):
    layout = read_layout(
        csv_file(HEADER + "0,0,3.6\n90,0,3.7\n90,90,3.8\n180,0,3.9\n90,-90,4\n90,180,3\n"), D
    )
    expected = [[0, 0, 1], [1, 0, 0], [0, 1, 0], [0, 0, -1], [0, -1, 0], [-1, 0, 0]]
    assert layout.directions == pytest.approx(np.array(expected, dtype=float), abs=1e-15)
    assert layout.chord_diameters_m == pytest.approx([3.6e-3, 3.7e-3, 3.8e-3, 3.9e-3, 4e-3, 3e-3])
    assert (layout.symmetry, layout.order) == ("none", 1)


def test_columns_in_any_order_blank_lines_spaces_and_a_byte_order_mark(csv_file):
    text = "\ufeffchord_diameter_mm, polar_deg ,azimuth_deg\r\n\r\n3.6, 90 , 45\r\n,,\r\n 3.5,10,0\r\n"
    layout = read_layout(csv_file(text), D)
    assert layout.chord_diameters_m == pytest.approx([3.6e-3, 3.5e-3])
    assert layout.directions[0] == pytest.approx([np.sqrt(0.5), np.sqrt(0.5), 0], abs=1e-15)


def test_chord_diameter_from_the_study(csv_file):
    layout = read_layout(csv_file("polar_deg,azimuth_deg\n0,0\n90,0\n"), D, chord_diameter_m=3.6e-3)
    assert (layout.chord_diameters_m == 3.6e-3).all()


def test_write_and_read_again(tmp_path):
    layout = spread_layout("icosahedral", 152, 4.4e-3, 0.1e-3, D, seed=1)
    path = tmp_path / "new" / "layout.csv"
    write_layout(path, layout)
    again = read_layout(path, D)
    assert again.directions == pytest.approx(layout.directions, abs=1e-13)
    assert np.array_equal(again.chord_diameters_m, layout.chord_diameters_m)
    assert narrowest_land(again, D) == pytest.approx(narrowest_land(layout, D), abs=1e-13)
    write_layout(tmp_path / "twice.csv", again)
    assert (tmp_path / "twice.csv").read_text() == path.read_text()


def test_touching_dimples_survive_the_file(tmp_path):
    # Two dimples whose edges meet: centres 2 arcsin(c/D) apart.
    beta = np.arcsin(3.6e-3 / D)
    directions = np.array([[0.0, 0.0, 1.0], [np.sin(2 * beta), 0.0, np.cos(2 * beta)]])
    write_layout(tmp_path / "layout.csv", Layout(directions, np.full(2, 3.6e-3), "none", 1))
    assert len(read_layout(tmp_path / "layout.csv", D).directions) == 2


def test_a_smooth_layout_writes_the_header_alone(tmp_path):
    write_layout(tmp_path / "layout.csv", smooth_layout())
    assert (tmp_path / "layout.csv").read_text() == HEADER


def test_every_bad_row_is_listed_with_its_line(csv_file):
    path = csv_file(
        HEADER
        + "0,0,3.6\n"  # 2
        + "90,0,\n"  # 3
        + "90,abc,3.6\n"  # 4
        + "181,0,3.6\n"  # 5
        + "90,400,3.6\n"  # 6
        + "90,10,50\n"  # 7
        + "90,20\n"  # 8
        + "\n"
        + "0.0,180,3.5\n"  # 10: the pole again
        + "5,0,3.6\n"  # 11: 5 deg from line 2, edges need 2 x 4.836 deg
        + "120,0,nan\n"  # 12
        + "120,inf,-1\n"  # 13
        + "150,0,3.6\n"  # 14, good
        + "120,0,1_0\n"  # 15
    )
    lines = _message(path).splitlines()
    expected = {
        3: "chord_diameter_mm: missing value: must be a number",
        4: "azimuth_deg (abc): must be a number",
        5: "polar_deg (181): must be 0 to 180",
        6: "azimuth_deg (400): must be -180 to 360",
        7: "chord_diameter_mm (50): must be above 0 and below 42.7, the ball's diameter",
        8: "has 2 values: must have 3 (polar_deg, azimuth_deg, chord_diameter_mm)",
        10: "is a duplicate of line 2: each dimple must be given once",
        # overlap: (2 x 4.83627 - 5) deg x 21.35 mm = 1.74 mm
        11: "overlaps the dimple of line 2 by 1.74 mm: the edges must not cross",
        12: "chord_diameter_mm (nan): must be a number",
        13: "azimuth_deg (inf): must be a number; "
        "chord_diameter_mm (-1): must be above 0 and below 42.7, the ball's diameter",
        15: "chord_diameter_mm (1_0): must be a number",
    }
    assert lines == [f"layout.csv:{line}: {text}" for line, text in expected.items()]


def test_a_long_value_is_shortened(csv_file):
    message = _message(csv_file(HEADER + "9" * 50_000 + "x,0,3.6\n"))
    assert len(message) < 120


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("polar,azimuth_deg,chord_diameter_mm", "layout.csv:1: column 'polar': did you mean polar_deg?"),
        ("polar_deg,Azimuth_deg,chord_diameter_mm", "column 'Azimuth_deg': did you mean azimuth_deg?"),
        ("polar_deg,azimuth_deg,diameter_mm", "column 'diameter_mm': did you mean chord_diameter_mm?"),
        ("polar_deg,azimuth_deg,qq", "column 'qq': there is no such column. Needed are"),
        ("polar_deg,chord_diameter_mm", "lacks azimuth_deg; needed are"),
        ("polar_deg,azimuth_deg", "lacks chord_diameter_mm (or cavity.chord_diameter in the study)"),
    ],
)
def test_a_wrong_header_names_the_right_columns(csv_file, header, message):
    found = _message(csv_file(header + "\n0,0,3.6\n"))
    assert message in found
    names = "polar_deg or polar_rad, azimuth_deg or azimuth_rad, chord_diameter_mm or chord_diameter_in"
    assert f"eeded are {names}" in found
    assert ("; there may also be depth_mm or depth_in, edge_angle_deg or edge_angle_rad, " in found) == (
        ": column " in found
    )
    assert "\n" not in found


def test_a_column_that_occurs_twice_is_refused(csv_file):
    message = _message(csv_file("polar_deg,polar_deg,chord_diameter_mm\n0,0,3.6\n"))
    assert message == "layout.csv:1: column polar_deg: must occur once only"


def test_a_chord_diameter_given_twice_is_refused(csv_file):
    message = _message(csv_file(HEADER + "0,0,3.6\n"), chord_diameter_m=3.6e-3)
    assert message == (
        "layout.csv:1: column chord_diameter_mm: the study gives cavity.chord_diameter too; leave one out"
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "layout.csv: is empty: must begin with a header line, polar_deg,azimuth_deg,chord_diameter_mm"),
        ("\n\n", "layout.csv: is empty"),
        (HEADER, "layout.csv: has no dimples"),
        (b"\xff\xfe\x00polar", "layout.csv: is not text in UTF-8"),
        (HEADER + '"' + "a" * 200_000, "is not a CSV row"),
        (HEADER + "0,0,3.6\n" * 5001, "has 5001 rows: at most 5000 can be read"),
    ],
)
def test_files_that_are_no_layouts(csv_file, content, message):
    assert message in _message(csv_file(content))


def test_a_missing_file(tmp_path):
    assert _message(tmp_path / "layout.csv").startswith("layout.csv: there is no such file; a CSV of dimples")
    with pytest.raises(InputError, match="cannot be read"):
        read_layout(tmp_path, D)


def test_of_many_overlapping_dimples_five_are_listed_and_all_counted(csv_file):
    # 30 x 30 places 6 deg apart need 2 x 4.84 deg: all but the first of each ring, and the rings among them.
    rows = [f"{polar},{azimuth},3.6\n" for polar in range(60, 120, 6) for azimuth in range(0, 360, 6)]
    lines = _message(csv_file(HEADER + "".join(rows))).splitlines()
    assert len(lines) == 6
    assert [line.split(": ")[0] for line in lines[:5]] == [f"layout.csv:{line}" for line in range(3, 8)]
    assert all("overlaps the dimple of line" in line for line in lines[:5])
    assert lines[5].startswith("layout.csv: 599 dimples overlap or repeat others (the first 5 are listed)")


def test_of_many_wrong_rows_fifty_are_listed_and_all_counted(csv_file):
    lines = _message(csv_file(HEADER + "200,0,3.6\n" * 80)).splitlines()
    assert len(lines) == 51 and lines[50] == "layout.csv: and 30 more rows with faults"


@pytest.mark.parametrize(
    "text",
    [
        "polar_deg;azimuth_deg;chord_diameter_mm\n30,5;0;3,6\n90;45,25;3,581\n",
        "sep=;\r\npolar_deg;azimuth_deg;chord_diameter_mm\r\n30.5;0;3.6\r\n90;45.25;3.581\r\n",
        "polar_deg\tazimuth_deg\tchord_diameter_mm\n30,5\t0\t3,6\n90\t45,25\t3,581\n",
        "polar_deg\tazimuth_deg\tchord_diameter_mm\n30.5\t0\t3.6\n90\t45.25\t3.581\n",
        'polar_deg,azimuth_deg,chord_diameter_mm\n"30,5",0,"3,6"\n90,"45,25","3,581"\n',
    ],
    ids=["semicolons", "announced", "tabs", "tabs and points", "quoted"],
)
def test_what_spreadsheets_of_other_countries_write_is_read(csv_file, text):
    plain = read_layout(csv_file(HEADER + "30.5,0,3.6\n90,45.25,3.581\n"), D)
    layout = read_layout(csv_file(text), D)
    assert np.array_equal(layout.directions, plain.directions)
    assert np.array_equal(layout.chord_diameters_m, plain.chord_diameters_m)


@settings(deadline=None, max_examples=200)
@given(st.one_of(st.binary(max_size=300), st.text(max_size=200).map(lambda t: (HEADER + t).encode())))
def test_any_bytes_give_a_layout_or_an_input_error(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "hostile.csv"
    path.write_bytes(content)
    try:
        layout = read_layout(path, D)
    except InputError:
        return
    assert len(layout.directions) > 0
    assert np.isfinite(layout.directions).all()


def test_units_are_those_of_the_header(csv_file):
    # 1 in = 25.4 mm exactly; pi rad = 180 deg.
    layout = read_layout(
        csv_file(
            "polar_rad,azimuth_deg,chord_diameter_in,depth_in\n"
            "0,0,0.15,0.01\n1.5707963267948966,90,0.14,0.011\n"
        ),
        D,
    )
    assert layout.chord_diameters_m == pytest.approx([3.81e-3, 3.556e-3], rel=1e-14)
    assert layout.depths_m == pytest.approx([0.254e-3, 0.2794e-3], rel=1e-14)
    assert layout.directions == pytest.approx(np.array([[0, 0, 1.0], [0, 1.0, 0]]), abs=1e-15)


def test_profiles_and_edge_angles_of_each_dimple_survive_the_file(csv_file, tmp_path):
    text = "polar_deg,azimuth_deg,chord_diameter_mm,edge_angle_deg,profile,joint,radius_ratio\n"
    layout = read_layout(
        csv_file(text + "0,0,3.6,14,arc,,\n60,0,3.6,15,cone,0.5,\n120,0,3.6,16,two-radius,0.6,0.4\n"), D
    )
    assert layout.profiles == (Profile(), Profile("cone", 0.5), Profile("two-radius", 0.6, 0.4))
    write_layout(tmp_path / "again.csv", layout)
    again = read_layout(tmp_path / "again.csv", D)
    assert again.profiles == layout.profiles
    assert np.degrees(again.edge_angles_rad) == pytest.approx([14, 15, 16], rel=1e-12)
    # the study varies their mean: 15 deg leaves them as the file has them, 12 deg scales them by 12 / 15
    for mean, expected in ((15, [14, 15, 16]), (12, [11.2, 12, 12.8])):
        spec = BallInputs(ball_diameter_m=D, depth_m=None, edge_angle_rad=float(np.radians(mean)))
        ball = make_ball(again, spec)
        assert np.degrees(ball.cavities.edge_angle_rad) == pytest.approx(expected, rel=1e-10)


def test_measured_depths_replace_the_nominal_ones(csv_file):
    layout = read_layout(
        csv_file("polar_deg,azimuth_deg,chord_diameter_mm,depth_mm\n0,0,3.61,0.212\n90,0,3.58,0.204\n"), D
    )
    spec = BallInputs(ball_diameter_m=D, depth_m=0.208e-3, edge_angle_rad=None)
    assert make_ball(layout, spec).depths_m == pytest.approx([0.212e-3, 0.204e-3], rel=1e-14)
    assert make_ball(layout, spec.changed(depth_m=0.26e-3)).depths_m == pytest.approx([0.265e-3, 0.255e-3])


def test_every_bad_row_with_depth_and_profile_is_listed(csv_file):
    path = csv_file(
        "polar_deg,azimuth_deg,chord_diameter_mm,depth_mm,profile,joint\n"
        "0,0,3.6,0.05,arc,\n"  # 2: flatter than a flat cavity, 0.0761 mm
        "30,0,3.6,,arc,\n"
        "60,0,3.6,0.2,dome,\n"
        "90,0,3.6,0.2,cone,\n"
        "120,0,3.6,0.2,cone,1.5\n"
        "150,0,3.6,0.2,,\n"
    )
    assert [line.split(": ", 1)[1][:60] for line in _message(path).splitlines()] == [
        "surface depth 0.05 mm with chord diameter 3.6 mm: must be ab",
        "depth_mm: missing value: must be a number",
        "profile (dome): must be one of arc, two-radius, cone, catena",
        "profile cone: joint is missing",
        "joint (1.5): must be above 0 and below 1",
        "profile: missing value: must be the name of a profile",
    ]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("depth_mm,edge_angle_deg", "column edge_angle_deg: the file gives depths too"),
        ("depth_mm,depth_in", "column depth_mm: depth must be given in one unit only"),
        ("depth_mm,joint", "column joint: goes with a column profile"),
        ("depth", "column 'depth': did you mean depth_"),
    ],
)
def test_columns_that_do_not_go_together(csv_file, header, message):
    assert message in _message(csv_file(f"{HEADER.strip()},{header}\n"))
