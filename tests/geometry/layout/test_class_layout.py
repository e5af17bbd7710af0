"""Layouts of several sizes: land, symmetry, classes, coverage."""

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.layout import narrowest_land
from pipeline.geometry.layout.mirror import has_mirror_plane
from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.shell.mesh import Level
from pipeline.geometry.shell.poly_mesh import shell_faces
from pipeline.geometry.shell.quality import mesh_quality
from pipeline.geometry.tooling.skin import check_skin, skin

D = 42.7e-3
LAND = 0.1e-3


def _coverage(layout):
    """Caps on a sphere, sum (1 - cos beta) / 2 (Archimedes)."""
    return float(np.sum(1 - np.sqrt(1 - (layout.chord_diameters_m / D) ** 2)) / 2)


@pytest.fixture(scope="module")
def three():
    told = []
    layout = pack_layout("icosahedral", 332, 3, None, LAND, D, 1, told.append)
    assert told == sorted(told) and told[-1] == 1.0
    return layout


def test_332_dimples_in_3_classes_cover_four_fifths(three):
    # The goal of the issue: land of at least 0.10 mm and coverage of at least 80 %.
    assert len(three.directions) == 332
    assert len(np.unique(three.chord_diameters_m)) == 3
    assert narrowest_land(three, D) >= LAND - 1e-9
    assert _coverage(three) >= 0.80


def test_5_classes_reach_86_percent():
    # The goal of the issue, with the same number and land.
    layout = pack_layout("icosahedral", 332, 5, None, LAND, D, 1)
    assert len(np.unique(layout.chord_diameters_m)) == 5
    assert narrowest_land(layout, D) >= LAND - 1e-9
    assert _coverage(layout) >= 0.86


def test_layout_has_its_symmetry(three):
    for matrix in rotation_group("icosahedral")[[1, 17, 42]]:
        gap = np.linalg.norm((three.directions @ matrix.T)[:, None] - three.directions, axis=2)
        image = gap.argmin(axis=1)
        assert gap.min(axis=1).max() < 1e-12
        assert np.array_equal(three.chord_diameters_m[image], three.chord_diameters_m)


def test_the_same_seed_gives_the_same_layout_and_chords_are_whole_micrometres():
    one, two = (pack_layout("octahedral", 56, 2, None, LAND, D, 3) for _ in range(2))
    assert np.array_equal(one.directions, two.directions)
    micrometres = one.chord_diameters_m * 1e6
    assert micrometres == pytest.approx(np.round(micrometres), abs=1e-6)


def test_shares_are_met_by_whole_orbits():
    # 332 = 12 + 20 + 5 x 60, and a class has orbits of similar radius: each cut between two classes can be
    # met to half an orbit of 60, 9 %.
    layout = pack_layout("icosahedral", 332, 3, [0.36, 0.54, 0.10], LAND, D, 1)
    chords, counts = np.unique(-layout.chord_diameters_m, return_counts=True)
    assert len(chords) == 3
    assert np.cumsum(counts) / 332 == pytest.approx([0.36, 0.90, 1.0], abs=30 / 332)


def test_mirror_plane(three):
    assert not has_mirror_plane(three)
    layout = pack_layout("icosahedral", 152, 3, None, LAND, D, 1, mirror=True)
    assert has_mirror_plane(layout)
    assert narrowest_land(layout, D) >= LAND - 1e-9


def test_without_symmetry():
    layout = pack_layout("none", 60, 1, None, LAND, D, 1)
    assert len(np.unique(layout.chord_diameters_m)) == 1
    assert narrowest_land(layout, D) >= LAND - 1e-9
    # Equal dimples: at least nine tenths of the densest packing there can be, Fejes Toth's bound on the
    # spacing d of n points, cos d = (cot^2 w - 1) / 2, w = n pi / (6 (n - 2)) [computed].
    w = 60 * np.pi / (6 * 58)
    bound = np.arccos((1 / np.tan(w) ** 2 - 1) / 2)
    widest = 60 * (1 - np.cos(bound / 2 - LAND / D)) / 2
    assert 0.9 * widest < _coverage(layout) <= widest


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("icosahedral", 332, 3, [0.5, 0.5]), "layout.shares: 2 shares that add up to 100 % must be 3"),
        (("icosahedral", 332, 2, [0.5, 0.4]), "layout.shares: 2 shares that add up to 90 % must be 2"),
        (("icosahedral", 333, 2, None), "layout.count: 333 is not a sum of icosahedral orbits"),
    ],
)
def test_what_does_not_suit_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        pack_layout(*arguments, LAND, D, 1)


def test_too_wide_a_land_is_refused():
    with pytest.raises(InputError, match="leaves no room for 332 dimples"):
        pack_layout("icosahedral", 332, 1, None, 6e-3, D, 1)


@pytest.mark.parametrize("n", [40, 64])
def test_narrow_lands_leave_skin_and_shell_good(three, n):
    # Lands of a tenth of a cell: where nodes would crowd they stay, and the goals of the issue hold.
    ball = DimpledBall(three, 0.25e-3, D)
    shell = solver_shell(ball, Level(n, 24), 1e-3)
    quality = mesh_quality(shell, shell_faces(shell))
    assert quality.max_non_orthogonality_deg < 55.0
    assert quality.max_skewness < 2.0
    assert quality.min_volume > 0.0
    assert check_skin(skin(ball, n), ball)["euler_number"] == 2
