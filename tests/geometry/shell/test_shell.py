"""The shell mesh: spacing, topology, quality; against closed forms and the solver's own mesh check."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Broken, InputError
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import find_solver, run_tool
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.layout.mirror import has_mirror_plane
from pipeline.geometry.shell.files import load_shell, write_shell
from pipeline.geometry.shell.mesh import (
    FAR_RADIUS,
    PHANTOM_RADIUS,
    WALL_HEIGHT,
    Level,
    build_shell,
    growth_ratio,
    layer_radii,
)
from pipeline.geometry.shell.poly_mesh import NONE, shell_faces
from pipeline.geometry.shell.quality import cell_geometry, face_geometry, mesh_quality
from pipeline.records.tree import MESH, SHELL

DIAMETER = 0.0427

COARSENING = Level(16, 24, wall_layers=6, coarsen_at=(10, 16))
FIRST_CELL = 1e-3


def sphere(directions: np.ndarray) -> np.ndarray:
    return np.full(len(directions), PHANTOM_RADIUS)


def dimpled(depth_m: float = 2.5e-4, mirror: bool = True) -> DimpledBall:
    layout = spread_layout("icosahedral", 332, 0.084 * DIAMETER, 1e-4, DIAMETER, seed=1, mirror=mirror)
    return DimpledBall(layout, np.full(332, depth_m), DIAMETER)


@given(st.floats(1e-4, 0.02), st.integers(20, 90))
def test_layers_fill_the_distance(first_cell: float, layers: int) -> None:
    try:
        growth = growth_ratio(first_cell, FAR_RADIUS - PHANTOM_RADIUS, layers)
    except InputError:
        return
    # Sum of a geometric series, any handbook.
    assert first_cell * (growth**layers - 1) / (growth - 1) == pytest.approx(
        FAR_RADIUS - PHANTOM_RADIUS, rel=1e-6
    )
    radii = layer_radii(first_cell, layers)
    assert radii[0] == PHANTOM_RADIUS
    assert radii[-1] == FAR_RADIUS
    assert radii[1] - radii[0] == pytest.approx(first_cell, rel=1e-6)


def test_impossible_layers_are_refused() -> None:
    with pytest.raises(InputError, match="grow faster than"):
        growth_ratio(1e-4, 14.5, 10)
    with pytest.raises(InputError, match="do not fit"):
        growth_ratio(2.0, 14.5, 10)


@pytest.mark.parametrize("mirrored", [False, True])
@settings(deadline=None)
@given(n=st.sampled_from([2, 4, 6]), layers=st.integers(18, 22))
def test_faces_are_closed_and_ordered(mirrored: bool, n: int, layers: int) -> None:
    shell = build_shell(sphere, Level(n, layers), 0.01, mirrored)
    faces = shell_faces(shell)
    assert shell.cells == (3 if mirrored else 6) * n * n * layers
    # Six faces a cell, each internal one shared by two.
    assert len(faces.owner) + len(faces.neighbour) == 6 * shell.cells
    assert (faces.owner[: len(faces.neighbour)] < faces.neighbour).all()
    order = faces.owner[: len(faces.neighbour)].astype(np.int64) * shell.cells + faces.neighbour
    assert (np.diff(order) > 0).all()
    # The faces of every cell, seen from inside out, close: their vector areas add up to nothing.
    _, areas = face_geometry(shell.points, faces.corners)
    internal = len(faces.neighbour)
    for k in range(3):
        total = np.bincount(faces.owner, areas[:, k], shell.cells) - np.bincount(
            faces.neighbour, areas[:internal, k], shell.cells
        )
        np.testing.assert_allclose(total, 0.0, atol=1e-10)


@pytest.mark.parametrize("mirrored", [False, True])
def test_faces_of_a_shell_that_coarsens(mirrored: bool) -> None:
    shell = build_shell(sphere, COARSENING, FIRST_CELL, mirrored)
    faces = shell_faces(shell)
    columns = (3 if mirrored else 6) * 16**2
    assert shell.cells == columns * 10 + columns // 4 * 6 + columns // 16 * 8
    assert shell.cells == COARSENING.cells // (2 if mirrored else 1)
    assert len(np.unique(np.concatenate([b.nodes.ravel() for b in shell.blocks]))) == len(shell.points)
    internal = len(faces.neighbour)
    owner = faces.owner[:internal]
    assert (owner < faces.neighbour).all()
    assert (np.diff(owner.astype(np.int64) * shell.cells + faces.neighbour) > 0).all()
    # A cell just outside a coarsening has nine faces, every other six.
    count = np.bincount(faces.owner, minlength=shell.cells) + np.bincount(
        faces.neighbour, minlength=shell.cells
    )
    assert (count == 9).sum() == columns // 4 + columns // 16
    assert set(count) == {6, 9}
    # Each edge of a cell belongs to two of its faces: no edge hangs, so the solver's topology check agrees.
    cell = shell.blocks[1].first_cell
    sides = []
    for face in np.r_[np.flatnonzero(faces.owner == cell), np.flatnonzero(faces.neighbour == cell)]:
        corners = faces.corners[face][faces.corners[face] != NONE]
        sides += [tuple(sorted(pair)) for pair in zip(corners, np.roll(corners, -1), strict=True)]
    assert set(np.unique(sides, axis=0, return_counts=True)[1]) == {2}
    _, areas = face_geometry(shell.points, faces.corners)
    for k in range(3):
        total = np.bincount(faces.owner, areas[:, k], shell.cells) - np.bincount(
            faces.neighbour, areas[:internal, k], shell.cells
        )
        np.testing.assert_allclose(total, 0.0, atol=1e-10)


@pytest.mark.parametrize("mirrored", [False, True])
def test_cells_over_the_ball_where_the_shell_coarsens(mirrored: bool) -> None:
    shell = build_shell(sphere, COARSENING, FIRST_CELL, mirrored)
    centres, _ = shell.ball_faces()
    directions = centres / np.linalg.norm(centres, axis=1, keepdims=True)
    cells, radii = shell.cell_centres(), shell.layer_radii()
    assert (np.diff(radii) > 0).all()
    found = []
    for layer in range(shell.layers):
        over = cells[shell.cells_over(layer)]
        found.append(shell.cells_over(layer))
        distance = np.linalg.norm(over, axis=1)
        # Chords of cells of 22.5 degrees lie up to 4 % inside the spheres.
        assert (distance > 0.95 * radii[layer]).all()
        assert (distance < radii[layer + 1]).all()
        # No farther aside than half a cell's diagonal: 4 cells around a quarter of the sphere at the end.
        width = np.pi / 2 / 16 * 2 ** sum(layer >= at for at in COARSENING.coarsen_at)
        cosine = np.sum(over * directions, axis=1) / distance
        assert (np.arccos(np.clip(cosine, -1, 1)) < 0.75 * width).all()
    assert len(np.unique(np.concatenate(found))) == shell.cells


def test_a_shell_that_coarsens_is_read_back(tmp_path: Path) -> None:
    shell = build_shell(sphere, COARSENING, FIRST_CELL, mirrored=True)
    write_shell(tmp_path, shell)
    found = load_shell(tmp_path)
    np.testing.assert_array_equal(found.points, shell.points)
    assert (found.cells, found.coarsen_at, found.mirrored) == (shell.cells, shell.coarsen_at, True)
    with np.load(tmp_path / SHELL) as archive:
        arrays = {name: archive[name] for name in archive.files}
    np.savez(tmp_path / SHELL, **(arrays | {"coarsen_at": np.array([10, 17])}))  # not as many points
    with pytest.raises(Broken, match="not those of a shell"):
        load_shell(tmp_path)


def test_wall_layers_reach_the_wall_height_and_grow_on_from_there() -> None:
    radii = layer_radii(1.4e-4, 44, wall_layers=15)
    heights = radii - PHANTOM_RADIUS
    assert heights[1] == pytest.approx(1.4e-4, rel=1e-9)
    assert heights[15] == pytest.approx(WALL_HEIGHT, rel=1e-9)
    ratios = np.diff(heights)[1:] / np.diff(heights)[:-1]
    # Two geometric rows.
    np.testing.assert_allclose(ratios[:14], ratios[0], rtol=1e-6)
    np.testing.assert_allclose(ratios[14:], ratios[-1], rtol=1e-6)
    assert radii[-1] == FAR_RADIUS


def test_a_cube_edge_that_cannot_be_halved_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be halved"):
        build_shell(sphere, Level(6, 24, 6, (10,)), FIRST_CELL, mirrored=True)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("level", [Level(24, 30), Level(24, 30, 8, (14, 20))])
def test_volume_of_a_shell(mirrored: bool, level: Level) -> None:
    shell = build_shell(sphere, level, 1e-3 if level.wall_layers else 0.01, mirrored)
    faces = shell_faces(shell)
    volume = cell_geometry(faces, *face_geometry(shell.points, faces.corners), shell.cells)[1].sum()
    exact = 4 / 3 * np.pi * (FAR_RADIUS**3 - PHANTOM_RADIUS**3) / (2 if mirrored else 1)
    # Chords of the grid lie inside the sphere: the deficit of a quad of 3.75 degrees is below 0.3 %, that of
    # one four times as wide sixteen times as much [computed: it goes with the square of the width].
    assert volume == pytest.approx(
        exact, rel=3e-3 * 16 ** len(level.coarsen_at) / (2 ** len(level.coarsen_at))
    )
    assert volume < exact


@pytest.mark.parametrize("level", [Level(16, 36), Level(16, 36, 10, (16, 28))])
def test_every_depth_has_the_same_topology(level: Level) -> None:
    shallow, deep = (solver_shell(dimpled(depth), level, 4e-4) for depth in (1.5e-4, 3.5e-4))
    np.testing.assert_array_equal(shallow.quads, deep.quads)
    moved = np.linalg.norm(shallow.points - deep.points, axis=1)
    away = np.linalg.norm(shallow.points, axis=1) > 1.01
    assert moved.max() <= 2e-4 / DIAMETER + 1e-12
    assert moved.max() > 0.9e-4 / DIAMETER
    assert (moved[away] == 0.0).all()


def test_nodes_of_the_first_layer_lie_on_the_ball() -> None:
    ball = dimpled()
    shell = solver_shell(ball, Level(16, 36), 4e-4)
    surface = shell.points[shell.blocks[0].nodes[0]]
    radius = np.linalg.norm(surface, axis=1)
    np.testing.assert_allclose(ball.radius(surface / radius[:, None]) / DIAMETER, radius, rtol=1e-12)


def test_only_a_layout_with_the_plane_is_halved() -> None:
    assert has_mirror_plane(smooth_layout())
    for mirror in (False, True):
        ball = dimpled(mirror=mirror)
        assert has_mirror_plane(ball.layout) is mirror
        shell = solver_shell(ball, Level(8, 36), 4e-4)
        assert shell.mirrored is mirror
        assert shell.cells == (3 if mirror else 6) * 64 * 36


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_wall_moves_as_the_spinning_surface(mirrored: bool) -> None:
    shell = build_shell(sphere, Level(12, 20), 0.01, mirrored)
    velocity = wall_velocity(shell, 0.3)
    centres, normals = shell.ball_faces()
    np.testing.assert_allclose(np.sum(velocity * normals, axis=1), 0.0, atol=1e-12)
    # Backspin: the top of the ball moves with the air, at S times the free stream, the bottom against it.
    top, bottom = np.argmax(centres[:, 2]), np.argmin(centres[:, 2])
    assert velocity[top, 0] == pytest.approx(0.3, rel=0.02)
    assert velocity[bottom, 0] == pytest.approx(-0.3, rel=0.02)


@pytest.mark.solver
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("level", [Level(32, 40), Level(32, 40, 12, (24, 30))])
def test_the_solvers_mesh_check_agrees(tmp_path: Path, mirror: bool, level: Level) -> None:
    shell = solver_shell(dimpled(3.5e-4, mirror), level, 2.5e-4)
    write_shell(tmp_path, shell)
    CaseWriter(fidelity("laminar"), tmp_path / "case", 100.0, 0.0, shell.n, 1, mirror).write(
        tmp_path / MESH, wall_velocity(shell, 0.0)
    )
    printed = run_tool(find_solver(), ["checkMesh", "-case", str(tmp_path / "case")])
    assert "Mesh OK." in printed
    assert "Upper triangular ordering OK." in printed
    ours = mesh_quality(shell, shell_faces(shell))
    for pattern, name in (
        (r"Max skewness = ([\d.e-]+)", "max_skewness"),
        (r"Mesh non-orthogonality Max: ([\d.e-]+)", "max_non_orthogonality_deg"),
        (r"Min volume = ([\d.e-]+\d)", "min_volume"),
    ):
        assert float(re.search(pattern, printed).group(1)) == pytest.approx(getattr(ours, name), rel=1e-4)


def test_the_seam_up_puts_the_pole_on_the_axis_of_backspin() -> None:
    # One dimple, at the pole: +z in the ball's frame. With the seam up it lies on the axis of backspin, +y.
    layout = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([0.006]), "none", 1)
    ball = DimpledBall(layout, 3e-4, 0.0427)
    for orientation, axis in (("pole-up", 2), ("seam-up", 1)):
        shell = solver_shell(ball, Level(32, 40), 2.5e-4, whole=True, orientation=orientation)
        surface = shell.points[shell.blocks[0].nodes[0]]
        lowest = surface[np.argmin(np.linalg.norm(surface, axis=1))]
        assert lowest[axis] == pytest.approx(0.5 - 3e-4 / 0.0427, rel=0.005)


def test_a_turned_grid_is_another_mesh_of_the_same_ball() -> None:
    ball = dimpled(3e-4, mirror=True)
    shells = [solver_shell(ball, Level(32, 40), 2.5e-4, grid_turn=turn) for turn in (0.0, 0.2)]
    volumes = []
    for shell in shells:
        assert shell.mirrored
        corners = shell.points[shell.quads]
        # Volume between centre and facets (divergence theorem on each quadrilateral, split in two).
        volumes.append(
            sum(
                np.abs(np.sum(np.cross(corners[:, i], corners[:, i + 1]) * corners[:, 0], axis=1)).sum() / 6
                if i
                else 0.0
                for i in (0, 1, 2)
            )
        )
    assert volumes[0] == pytest.approx(volumes[1], rel=2e-4)
    assert np.abs(shells[0].points - shells[1].points).max() > 0.01
