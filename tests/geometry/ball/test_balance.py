"""Balance, free great circles and classes of a ball."""

import numpy as np
import pytest

from pipeline.geometry.ball.balance import balance, class_totals, free_great_circles
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout

D = 42.7e-3


def _ball(directions, chords, symmetry="none", order=1):
    return DimpledBall(
        Layout(np.array(directions, dtype=float), np.array(chords), symmetry, order), 0.3e-3, D
    )


@pytest.mark.parametrize(
    ("symmetry", "count"), [("icosahedral", 92), ("octahedral", 74), ("tetrahedral", 40)]
)
def test_polyhedral_groups_are_balanced(symmetry, count):
    # Their vector and traceless second-rank representations have no invariant, so both moments vanish
    # (character tables of T, O and I) [memory].
    found = balance(DimpledBall(spread_layout(symmetry, count, 2e-3, 1e-4, D, 1), 0.2e-3, D))
    assert found["first_moment"] < 1e-12
    assert found["second_moment"] < 1e-12


def test_moments_of_few_dimples():
    # One dimple: mean 1, dyad eigenvalues 1, 0, 0. Two opposite ones: mean 0, the same dyad [computed].
    assert balance(_ball([[0, 0, 1]], [4e-3])) == pytest.approx({"first_moment": 1.0, "second_moment": 2 / 3})
    found = balance(_ball([[0, 0, 1], [0, 0, -1]], [4e-3, 4e-3]))
    assert found == pytest.approx({"first_moment": 0.0, "second_moment": 2 / 3}, abs=1e-15)
    smooth = DimpledBall(smooth_layout(), np.empty(0), D)
    assert set(balance(smooth).values()) == {None}


def test_great_circles_left_free():
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / np.sqrt(3)
    # Eight dimples at a cube's corners leave its three coordinate planes free (they lie 35 deg from the
    # corners), not the planes at right angles to the diagonals (19.5 deg from six corners: free too while the
    # half angle is smaller) nor those through opposite edges, which pass corners: 3 + 4 = 7 [computed].
    assert free_great_circles(_ball(corners, [4e-3] * 8, "octahedral", 24)) == 7
    wide = D * np.sin(np.radians(25))
    ball = DimpledBall(Layout(corners, np.full(8, wide), "octahedral", 24), 3e-3, D)
    assert free_great_circles(ball) == 3
    assert free_great_circles(_ball([[1, 0, 0]], [4e-3])) == 0
    assert free_great_circles(_ball([[0, 0, 1]], [4e-3])) == 1


def test_classes_add_up():
    found = class_totals(_ball(np.vstack([np.eye(3), -np.eye(3)]), [4e-3, 3e-3, 3e-3, 4e-3, 3e-3, 5e-3]))
    assert [(row.name, row.count) for row in found] == [("A", 1), ("B", 2), ("C", 3)]
    assert sum(row.area_share for row in found) == pytest.approx(1.0)
    # areas of caps, 1 - cos(beta), sin(beta) = chord / D
    areas = [n * (1 - np.sqrt(1 - (c / D) ** 2)) for n, c in ((1, 5e-3), (2, 4e-3), (3, 3e-3))]
    assert [row.area_share for row in found] == pytest.approx(np.array(areas) / sum(areas))
