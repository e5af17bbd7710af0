"""Cut list, classes, tooling and drawings of a ball."""

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.geometry.ball.classes import class_of_dimple, size_classes
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.tooling import drawings
from pipeline.geometry.tooling.cutlist import as_csv, cut_list, in_inches
from pipeline.geometry.tooling.mould import Tooling, cavity_of, finished_ball

D = 42.7e-3
R = D / 2


def _octahedral(chords, depth=0.3e-3, profile=ARC):
    layout = Layout(np.vstack([np.eye(3), -np.eye(3)]), np.array(chords), "octahedral", 24)
    return DimpledBall(layout, depth, D, Sections.of(profile))


@pytest.fixture(scope="module")
def ball():
    return DimpledBall(spread_layout("icosahedral", 92, 3.6e-3, 0.1e-3, D, seed=1), 0.25e-3, D)


def test_places_come_back_from_polar_and_azimuth(ball):
    # Spherical coordinates by their definition; every direction must be there once.
    table = cut_list(ball, ball, size_classes(ball))
    polar, azimuth = np.radians(table["polar_deg"]), np.radians(table["azimuth_deg"])
    found = np.stack(
        [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=1
    )
    gap = np.linalg.norm(found[:, None] - ball.layout.directions, axis=2)
    assert gap.min(axis=0) == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(table["polar_deg"]) > -1e-6).all()
    assert ((table["azimuth_deg"] >= 0) & (table["azimuth_deg"] < 360)).all()
    assert table["dimple"].tolist() == list(range(1, 93))


def test_measures_of_an_arc_by_its_definition():
    # Chord 5 mm, section radius 6 mm: epsilon = beta + arcsin(a/rho), h = rho - sqrt(rho^2 - a^2) [computed].
    a, rho = 2.5e-3, 6e-3
    h, sagitta = rho - np.sqrt(rho**2 - a**2), R - np.sqrt(R**2 - a**2)
    ball = _octahedral([2 * a] * 6, h + sagitta)
    rows = list(csv.DictReader(io.StringIO(as_csv(cut_list(ball, ball, size_classes(ball))))))
    assert len(rows) == 6
    for row in rows:
        assert float(row["surface_depth_mm"]) == pytest.approx(1e3 * (h + sagitta), abs=5e-5)
        assert float(row["chord_depth_mm"]) == pytest.approx(1e3 * h, abs=5e-5)
        assert float(row["bottom_radius_mm"]) == float(row["wall_radius_mm"]) == pytest.approx(6.0, abs=5e-5)
        assert row["joint_diameter_mm"] == ""
        epsilon = np.degrees(np.arcsin(a / R) + np.arcsin(a / rho))
        assert float(row["edge_angle_deg"]) == pytest.approx(epsilon, abs=1e-5)
    assert [row["half"] for row in rows] == ["upper", "both", "both", "both", "both", "lower"]
    assert [row["polar_deg"] for row in rows] == ["0.00000", *["90.00000"] * 4, "180.00000"]


def test_the_same_list_in_inches(ball):
    """An inch is 25.4 mm exactly (international yard and pound agreement of 1959)."""
    own = cut_list(ball, ball, size_classes(ball))
    inches = in_inches(own)
    assert len(inches) == len(own) and not [name for name in inches if name.endswith(("_mm", "_mm3"))]
    assert inches["surface_depth_in"] * 25.4 == pytest.approx(own["surface_depth_mm"])
    assert inches["cavity_volume_in3"] * 25.4**3 == pytest.approx(own["cavity_volume_mm3"])
    assert inches["edge_angle_deg"] is own["edge_angle_deg"]
    written = next(csv.DictReader(io.StringIO(as_csv(inches))))
    assert float(written["chord_diameter_in"]) * 25.4 == pytest.approx(own["chord_diameter_mm"][0], abs=2e-5)


def test_a_cone_has_a_joint_and_no_wall_radius():
    ball = _octahedral([4e-3] * 6, 0.3e-3, Profile("cone", 0.4))
    table = cut_list(ball, ball, size_classes(ball))
    assert table["joint_diameter_mm"] == pytest.approx(0.4 * 4.0)
    assert np.isnan(table["wall_radius_mm"]).all()


def test_classes_come_widest_first_and_hold_every_dimple_once():
    ball = _octahedral([3e-3, 4e-3, 3e-3, 5e-3, 4e-3, 3e-3])
    classes = size_classes(ball)
    assert [(c.name, sorted(c.members.tolist())) for c in classes] == [
        ("A", [3]),
        ("B", [1, 4]),
        ("C", [0, 2, 5]),
    ]
    assert class_of_dimple(classes, 6).tolist() == [2, 1, 2, 0, 1, 2]
    assert size_classes(DimpledBall(smooth_layout(), np.empty(0), D)) == []


def test_one_diameter_a_dimple_makes_ranges(ball):
    rng = np.random.default_rng(0)
    chords = 3.3e-3 + 0.3e-3 * rng.random(92)
    measured = DimpledBall(Layout(ball.layout.directions, chords, "none", 1), 0.25e-3, D)
    classes = size_classes(measured)
    assert 3 <= len(classes) <= 4  # 0.3 mm in ranges of 0.1 mm
    assert sorted(np.concatenate([c.members for c in classes]).tolist()) == list(range(92))
    for size_class in classes:
        assert np.ptp(chords[size_class.members]) <= 0.1e-3
        off = np.abs(chords[size_class.members] - chords[size_class.members].mean())
        assert off[0] == pytest.approx(off.min(), abs=1e-6)


tools = st.builds(Tooling, st.floats(0, 0.1), st.floats(0, 50e-6), st.floats(0, 100e-6))


@given(
    tools, st.sampled_from([ARC, Profile("cone", 0.5), Profile("two-radius", 0.5, 0.5), Profile("catenary")])
)
@settings(deadline=None, max_examples=40)
def test_finished_ball_to_cavity_and_back(tool, profile):
    ball = _octahedral([3e-3, 3.5e-3, 4e-3, 4.2e-3, 4.4e-3, 4.5e-3], 0.4e-3, profile)
    again = finished_ball(cavity_of(ball, tool), tool)
    assert again.ball_diameter_m == pytest.approx(D, rel=1e-14)
    assert again.depths_m == pytest.approx(ball.depths_m, rel=1e-13)
    assert again.layout.chord_diameters_m == pytest.approx(ball.layout.chord_diameters_m, rel=1e-14)


def test_shrinkage_alone_is_a_change_of_scale():
    # A cavity for a resin that shrinks by 20 parts in 1020 is the ball times 1.02: 1/(1 - 20/1020) = 1.02.
    ball = _octahedral([4e-3] * 6)
    cavity = cavity_of(ball, Tooling(20 / 1020))
    directions = np.random.default_rng(0).normal(size=(2000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    assert cavity.radius(directions) == pytest.approx(1.02 * ball.radius(directions), rel=1e-14)


def test_finish_is_taken_off_where_it_lies():
    ball = _octahedral([4e-3] * 6, 0.3e-3)
    cavity = cavity_of(ball, Tooling(0.0, 10e-6, 25e-6))
    pole, land = np.array([[0.0, 0, 1]]), np.array([[1.0, 1, 1]]) / np.sqrt(3)
    assert ball.radius(land) - cavity.radius(land) == pytest.approx(10e-6, rel=1e-9)
    assert ball.radius(pole) - cavity.radius(pole) == pytest.approx(25e-6, rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((-0.1,), r"shrinkage -10 %: must be 0 % to 10 %"),
        ((0.6,), r"shrinkage 60 %"),
        ((0.0, -1e-6), "finish on the land -0.001 mm: must be 0 mm or more"),
        ((0.0, 0.0, np.nan), "finish on the dimples nan mm"),
    ],
)
def test_tooling_out_of_range_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        Tooling(*arguments)


def test_a_land_finish_thicker_than_the_dimple_is_refused():
    with pytest.raises(InputError, match="surface depth"):
        cavity_of(_octahedral([4e-3] * 6, 0.2e-3), Tooling(0.0, 150e-6, 0.0))


def test_equal_area_map_keeps_areas():
    # A cap of half angle beta has the area 2 pi (1 - cos beta), wherever it lies (Archimedes).
    ball = DimpledBall(
        Layout(np.array([[0, 0, 1.0], [0.6, 0, 0.8], [0, 0.96, 0.28]]), np.full(3, 4e-3), "none", 1),
        0.3e-3,
        D,
    )
    outline = drawings.equal_area(drawings.edge_outlines(ball, 721), True)
    x, y = np.moveaxis(outline, -1, 0)
    area = np.abs(np.sum(x[:, :-1] * y[:, 1:] - x[:, 1:] * y[:, :-1], axis=1)) / 2
    beta = np.arcsin(4e-3 / D)
    assert area == pytest.approx(2 * np.pi * (1 - np.cos(beta)), rel=1e-4)
    # seen from outside, azimuth turns anticlockwise on the upper half and clockwise on the lower one
    equator = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    for upper, turn in ((True, 1.0), (False, -1.0)):
        (ax, ay), (bx, by) = drawings.equal_area(equator, upper)
        assert ax * by - ay * bx == pytest.approx(2 * turn)  # the equator's radius is sqrt(2)


def test_section_line_passes_bottom_edges_and_land():
    ball = _octahedral([4e-3] * 6, 0.3e-3)
    across, height = drawings.section_line(ball, 2)
    level = R * np.cos(np.arcsin(4e-3 / D))
    assert np.interp(0.0, across, height) == pytest.approx(R - 0.3e-3 - level, abs=1e-12)
    assert np.interp([-2e-3, 2e-3], across, height) == pytest.approx(0.0, abs=3e-6)
    land = np.abs(across) > 2.01e-3
    assert np.hypot(across, height + level)[land] == pytest.approx(R, rel=1e-12)


def test_drawings_hold_every_dimple(ball):
    from matplotlib.figure import Figure

    axes = Figure().subplots(1, 3)
    classes = size_classes(ball)
    counts = []
    for place, upper in enumerate((True, False)):
        drawings.draw_map(axes[place], ball, classes, upper)
        counts.append(sum(len(c.get_paths()) for c in axes[place].collections))
    half = cut_list(ball, ball, classes)["half"]
    assert counts == [int((half != "lower").sum()), int((half != "upper").sum())]
    drawings.draw_section(axes[2], ball, 0, "Class A", "#0072b2")
    shown = " ".join(text.get_text() for text in axes[2].texts)
    assert "chord diameter 3.600" in shown and "surface depth 0.250" in shown and "edge angle 15.8" in shown
