"""Nodes on the dimples' edges: where they are, that the grid stays good, and what it gains."""

import json

import numpy as np
import pytest

from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.dimple.cavity import solve_cavities
from pipeline.geometry.dimple.section import ARC, Sections
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.shell import edge_nodes
from pipeline.geometry.shell.cubed_sphere import cubed_sphere, half_cubed_sphere
from pipeline.geometry.shell.edge_nodes import edge_fitted
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import Level
from pipeline.geometry.shell.poly_mesh import shell_faces
from pipeline.geometry.shell.quality import mesh_quality
from pipeline.geometry.tooling.skin import Skin, check_skin, skin
from pipeline.records.tree import QUALITY

D = 42.7e-3
CHORD = 3.58e-3


@pytest.fixture(scope="module")
def layout():
    return spread_layout("icosahedral", 332, CHORD, 0.1e-3, D, seed=1, mirror=True)


@pytest.fixture(scope="module")
def fitted(layout):
    directions, quads = cubed_sphere(64)
    return directions, quads, *edge_fitted(directions, quads, layout, D)


def test_nodes_lie_on_the_edges(fitted, layout):
    grid, _, nodes, dimple = fitted
    assert np.linalg.norm(nodes, axis=1) == pytest.approx(1.0, abs=1e-14)
    held = dimple >= 0
    angle = np.arccos(np.sum(nodes[held] * layout.directions[dimple[held]], axis=1))
    assert angle == pytest.approx(np.arcsin(CHORD / D), abs=1e-13)
    # no node moved by more than a spacing of the grid, 90 deg / 64 at most
    assert np.linalg.norm(nodes - grid, axis=1).max() < np.pi / 2 / 64


def test_hardly_a_line_of_the_grid_crosses_an_edge(fitted, layout):
    grid, quads, nodes, _ = fitted
    start, end = quads.ravel(), np.roll(quads, -1, axis=1).ravel()
    crossing = []
    for points in (grid, nodes):
        beyond = np.arccos(np.clip(points @ layout.directions.T, -1, 1)).min(axis=1) - np.arcsin(CHORD / D)
        crossing.append(np.mean((beyond[start] < -1e-9) & (beyond[end] > 1e-9)))
    assert crossing[0] > 0.1
    assert crossing[1] < 0.05 * crossing[0]


def test_grid_has_the_mirror_plane_of_its_layout(fitted, layout):
    half, quads = half_cubed_sphere(64)
    nodes, _ = edge_fitted(half, quads, layout, D)
    plane = half[:, 1] == 0
    assert (nodes[plane, 1] == 0).all()
    assert (nodes[~plane, 1] > 0).all()


def test_smooth_ball_and_dimples_smaller_than_cells_leave_the_grid_good():
    directions, quads = cubed_sphere(12)
    nodes, dimple = edge_fitted(directions, quads, smooth_layout(), D)
    assert nodes is directions and (dimple == -1).all()
    tiny = Layout(np.vstack([np.eye(3), -np.eye(3)]), np.full(6, 0.4e-3), "octahedral", 24)
    nodes, _ = edge_fitted(directions, quads, tiny, D)
    corners = nodes[quads]
    turned = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    assert (np.sum(turned * corners.mean(axis=1), axis=1) > 0).all()


@pytest.mark.parametrize("n", [32, 48, 64, 96])
def test_shell_stays_good_at_steep_edges(layout, n):
    # The goal of the issue: non-orthogonality < 55 deg, skewness < 2, no negative volume, for edges of 25 deg
    # (0.4 mm deep here), by the definitions of the solver's own mesh check.
    depth = solve_cavities(
        Sections.of(ARC), D, chord_diameter_m=CHORD, edge_angle_rad=np.radians(25.0)
    ).depth_m
    shell = solver_shell(DimpledBall(layout, depth, D), Level(n, 24), 1e-3)
    quality = mesh_quality(shell, shell_faces(shell))
    assert quality.max_non_orthogonality_deg < 55.0
    assert quality.max_skewness < 2.0
    assert quality.min_volume > 0.0


def test_all_depths_share_one_grid(layout):
    one, two = (
        solver_shell(DimpledBall(layout, depth, D), Level(24, 30), 4e-3) for depth in (0.15e-3, 0.35e-3)
    )
    assert np.array_equal(one.quads, two.quads)
    directions = [s.points / np.linalg.norm(s.points, axis=1, keepdims=True) for s in (one, two)]
    assert directions[0] == pytest.approx(directions[1], abs=1e-14)


def _edge_angles(surface: Skin, ball: DimpledBall) -> np.ndarray:
    """Angle between a facet in a dimple and its neighbour on the land [deg]."""
    corners = surface.points[surface.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    middle = corners.mean(axis=1)
    inside = ball.radius(middle / np.linalg.norm(middle, axis=1, keepdims=True)) < D / 2
    start, end = surface.triangles.ravel(), np.roll(surface.triangles, -1, axis=1).ravel()
    order = np.argsort(np.minimum(start, end) * len(surface.points) + np.maximum(start, end), kind="stable")
    one, two = order[0::2] // 3, order[1::2] // 3
    across = inside[one] != inside[two]
    cosine = np.sum(normals[one[across]] * normals[two[across]], axis=1)
    return np.degrees(np.arccos(np.clip(cosine, -1, 1)))


def test_facets_show_the_edge_angle_and_the_volume(layout):
    # A facet's slope is that of its middle: on the land a third of a cell from the edge it is tilted by that
    # angle seen from the centre, in the dimple by that over the section radius, so half a cell of each bounds
    # the loss [computed]. Without nodes on the edges facets show about half of the angle.
    ball = DimpledBall(layout, 0.2e-3, D)
    design = float(np.degrees(ball.cavities.edge_angle_rad[0]))
    section = float(ball.cavities.bottom_radius_m[0])
    for n, volume_error in ((48, 4e-4), (64, 2e-4), (96, 1e-4)):
        surface = skin(ball, n)
        loss = 90.0 / n / 2 * (1 + D / 2 / section)
        assert design - loss < np.mean(_edge_angles(surface, ball)) < design
        assert abs(check_skin(surface, ball)["volume_error"]) < volume_error


def test_a_grid_that_could_not_be_fitted_says_so(layout, monkeypatch, tmp_path):
    ball = DimpledBall(layout, np.full(332, 2e-4), D)
    plain = DimpledBall(smooth_layout(), np.empty(0), D)
    assert solver_shell(ball, Level(32, 24), 1e-3).edges_fitted is True
    assert solver_shell(plain, Level(8, 24), 1e-3).edges_fitted is None
    assert check_skin(skin(ball, 64), ball)["edges_fitted"] is True
    monkeypatch.setattr(edge_nodes, "ROUNDS", 0)  # cells that stay spoilt
    shell = solver_shell(ball, Level(32, 24), 1e-3)
    assert shell.edges_fitted is False
    assert check_skin(skin(ball, 64), ball)["edges_fitted"] is False
    write_shell(tmp_path, shell)
    assert json.loads((tmp_path / QUALITY).read_text())["edges_fitted"] is False
