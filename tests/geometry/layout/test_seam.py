"""Seams kept free of dimples: distances by dense sampling, layouts by their definition, refusals."""

import numpy as np
import pytest

import pipeline.geometry.layout.class_layout as class_layout_module
import pipeline.geometry.layout.layout as layout_module
from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.layout import narrowest_land, spread_layout
from pipeline.geometry.layout.mirror import has_mirror_plane
from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.layout.seam import make_seam
from pipeline.geometry.layout.spacing import _log_energy

D = 42.7e-3
LAND = 0.1e-3


@pytest.fixture(autouse=True)
def few_starts(monkeypatch):
    """Seams, not the best of many starts, are what is tested here."""
    monkeypatch.setattr(layout_module, "STARTS_WITH_SYMMETRY", 3)
    monkeypatch.setattr(layout_module, "STARTS_WITH_MIRROR", 2)
    monkeypatch.setattr(class_layout_module, "STARTS_WITH_SYMMETRY", 2)


def _directions(count, seed=0):
    points = np.random.default_rng(seed).normal(size=(count, 3))
    return points / np.linalg.norm(points, axis=1, keepdims=True)


def _ball(layout):
    """Dimples a tenth of their edge radius deep below the plane of the edge."""
    edge = layout.chord_diameters_m / 2
    return DimpledBall(layout, D / 2 - np.sqrt(D * D / 4 - edge**2) + 0.1 * edge, D)


def _curve(amplitude, waves, points=200_001):
    azimuth = np.linspace(0, 2 * np.pi, points)
    latitude = amplitude * np.sin(waves * azimuth)
    return np.stack(
        [np.cos(latitude) * np.cos(azimuth), np.cos(latitude) * np.sin(azimuth), np.sin(latitude)], axis=1
    )


@pytest.mark.parametrize(
    ("symmetry", "planes"),
    # Planes at right angles to the pole's axis and its images: 6 five-fold, 3 four-fold, 3 two-fold axes, 1.
    [("icosahedral", 6), ("octahedral", 3), ("tetrahedral", 3), ("dihedral-7", 1), ("none", 1)],
)
def test_a_straight_seam_has_all_its_images(symmetry, planes):
    seam = make_seam("straight", symmetry)
    assert len(seam.normals) == planes
    assert seam.normals[0] == pytest.approx([0, 0, 1])
    u = _directions(50)
    angle, away = seam.clearance(u)
    assert angle == pytest.approx(np.abs(np.pi / 2 - np.arccos(u @ seam.normals.T)), abs=1e-12)
    step = 1e-6
    moved = u[:, None] + step * away
    moved /= np.linalg.norm(moved, axis=2, keepdims=True)
    grown = np.abs(np.pi / 2 - np.arccos(np.einsum("mpd,pd->mp", moved, seam.normals)))
    assert (grown - angle) / step == pytest.approx(1.0, abs=1e-4)


def test_distance_to_an_undulating_seam():
    seam = make_seam("undulating", "dihedral-5", 0.04, 10)
    u = _directions(40, 1)
    nearest = [np.arccos((_curve(0.04, 10) @ point).max()) for point in u]
    # The nearest of 7200 samples is at most half a step beside the nearest point: farther by step^2 / 8 times
    # the curvature of a circle about the point, 1 / d, and of the seam, at most amplitude waves^2.
    step = 1.2 * 2 * np.pi / 7200  # a slope of 0.4 makes steps longer than on the equator
    excess = seam.clearance(u)[0][:, 0] - nearest
    assert (excess > -1e-9).all()
    assert (excess < step**2 / 8 * (1 / np.array(nearest) + 0.04 * 10**2)).all()
    assert seam.above(np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.01]])).tolist() == [
        True,
        False,
        True,
    ]


@pytest.mark.parametrize("symmetry", ["icosahedral", "dihedral-4"])
def test_energy_of_points_before_a_seam_has_its_gradient(symmetry):
    seam = make_seam("straight", symmetry)
    group, start = rotation_group(symmetry), _directions(4, 2).ravel()

    def energy(x):
        return _log_energy(x, group, np.empty((0, 3)), 16.0, None, seam)

    step = 1e-6
    found = [(energy(start + step * e)[0] - energy(start - step * e)[0]) / (2 * step) for e in np.eye(12)]
    gradient = energy(start)[1]
    assert found == pytest.approx(gradient, abs=1e-6 * np.abs(gradient).max())


@pytest.mark.parametrize(
    ("symmetry", "count", "kind", "shape"),
    [
        ("octahedral", 24, "straight", (None, None)),
        ("dihedral-5", 20, "straight", (None, None)),
        ("dihedral-5", 20, "undulating", (0.06, 5)),
    ],
)
def test_layouts_keep_half_the_land_from_the_seam(symmetry, count, kind, shape):
    seam = make_seam(kind, symmetry, *shape)
    packed = pack_layout(symmetry, count, 2, None, LAND, D, 1, seam=seam)
    chord = 4e-3
    for layout in (packed, spread_layout(symmetry, count, chord, LAND, D, 1, seam=seam)):
        assert narrowest_land(layout, D) >= LAND - 1e-9
        beta = np.arcsin(layout.chord_diameters_m / D)
        curve = _curve(shape[0] or 0.0, shape[1] or 0, 20_001)
        nearest = np.arccos(np.clip((layout.directions @ curve.T).max(axis=1), -1, 1))
        # 0.05 um is what samples of the curve may be off
        assert ((nearest - beta) * D / 2 >= LAND / 2 - 0.05e-6).all()
        found = totals(_ball(layout))
        assert found.seam == kind
        assert found.seam_clearance_m == pytest.approx(((nearest - beta) * D / 2).min(), abs=1e-7)
        above = seam.above(layout.directions)
        assert above.sum() == count / 2  # each two-fold axis across the pole's swaps the halves


def test_a_mirror_plane_goes_with_a_straight_seam():
    seam = make_seam("straight", "dihedral-3")
    layout = spread_layout("dihedral-3", 36, 3e-3, LAND, D, 1, mirror=True, seam=seam)
    assert has_mirror_plane(layout)
    assert totals(_ball(layout)).free_great_circles >= 1


def test_polygons_keep_away_from_the_seam():
    seam = make_seam("straight", "dihedral-4")
    layout = pack_layout("dihedral-4", 16, 1, None, LAND, D, 1, sides=6, seam=seam)
    found = totals(_ball(layout))
    assert found.seam_clearance_m >= LAND / 2 - 1e-9
    assert found.narrowest_land_m >= LAND - 1e-9


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("undulating", "icosahedral", 0.04, 10), "undulating goes with dihedral symmetry or none"),
        (("undulating", "dihedral-4", 0.04, 10), "10 must be a multiple of 4.*for instance 8"),
        (("undulating", "dihedral-4"), "needs seam_amplitude and seam_waves"),
    ],
)
def test_what_no_symmetry_repeats_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        make_seam(*arguments)


def test_dimples_on_the_seam_and_mirrored_waves_are_refused():
    straight, waves = make_seam("straight", "dihedral-5"), make_seam("undulating", "dihedral-5", 0.04, 10)
    # 5 dimples on the equator would make 65 = 60 + 5
    with pytest.raises(
        InputError, match=r"65 is not a sum of dihedral-5 orbits .* the nearest that are: 62 and 70"
    ):
        spread_layout("dihedral-5", 65, 3e-3, LAND, D, 1, seam=straight)
    with pytest.raises(InputError, match=r"layout\.mirror: true does not go with an undulating seam"):
        spread_layout("dihedral-5", 60, 3e-3, LAND, D, 1, mirror=True, seam=waves)
