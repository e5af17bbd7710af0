"""Order of accuracy and far field: similar meshes, and what is made of planted values."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from played_bench import PlayedBench

from pipeline.geometry.shell.mesh import FAR_RADIUS, layer_radii
from pipeline.validation.flows import Flow, Mesh
from pipeline.validation.rows import Row
from pipeline.validation.sphere_errors import LEVELS, domain, longer_mesh, order, similar_mesh


def radii(mesh: Mesh) -> np.ndarray:
    return layer_radii(mesh.first_cell, mesh.level.layers, mesh.far_radius)


def test_meshes_are_refined_alike_in_every_direction() -> None:
    fine, medium, coarse = (similar_mesh(level) for level in LEVELS)
    # Every second layer of the fine mesh is a layer of the coarse one, and so on.
    np.testing.assert_allclose(radii(fine)[::2], radii(coarse), rtol=1e-9)
    np.testing.assert_allclose(radii(medium)[::3], radii(coarse)[::2], rtol=1e-9)
    assert [mesh.level.n / coarse.level.n for mesh in (fine, medium)] == [2.0, 1.5]


def test_far_boundaries_leave_the_cells_near_the_ball_alone() -> None:
    near, usual, far = (longer_mesh(layers) for layers in (35, 40, 45))
    assert usual.far_radius == FAR_RADIUS
    np.testing.assert_allclose(radii(near), radii(far)[:36], rtol=1e-9)
    np.testing.assert_allclose(radii(usual), radii(far)[:41], rtol=1e-9)
    assert near.far_radius < 0.55 * FAR_RADIUS
    assert far.far_radius > 1.9 * FAR_RADIUS


def rows_of(rows: list[Row], quantity: str, spin_ratio: float) -> dict[str, Row]:
    return {row.level: row for row in rows if (row.quantity, row.spin_ratio) == (quantity, spin_ratio)}


def test_a_planted_order_and_limit_are_found(tmp_path: Path) -> None:
    def play(flow: Flow) -> dict[str, Any]:
        size = 16.0 / flow.mesh.level.n
        wake = {"separation_deg": 127.0 - 0.5 * size, "wake_length": 0.88 - 0.08 * size**1.5}
        return {"cd": 1.087 + 0.003 * size**2, "cl": 0.5 - 0.01 * size**2, "measures": wake}

    rows = order(PlayedBench(tmp_path, play))
    drag = rows_of(rows, "cd", 0.0)
    assert list(drag) == ["16x40", "24x60", "32x80", "extrapolated"]
    assert drag["extrapolated"].ours == pytest.approx(1.087, rel=1e-6)
    assert drag["extrapolated"].ours_se == pytest.approx(0.003 / 4, rel=1e-3)
    judged = [row for row in rows if row.level == "extrapolated" and row.goal_pct is not None]
    assert [(row.quantity, row.within_goal) for row in judged] == [
        ("cd", True), ("separation_deg", True), ("wake_length", True)
    ]  # fmt: skip
    for quantity, spin_ratio, expected in (
        ("cd", 0.0, 2.0), ("separation_deg", 0.0, 1.0), ("wake_length", 0.0, 1.5), ("cl", 0.5, 2.0)
    ):  # fmt: skip
        (found,) = rows_of(rows, f"{quantity}_order", spin_ratio).values()
        assert found.ours == pytest.approx(expected, rel=1e-4)
    (index,) = rows_of(rows, "cd_gci_pct", 0.0).values()
    assert index.ours == pytest.approx(100 * 1.25 * (0.003 / 4) / (1.087 + 0.003 / 4), rel=1e-3)


def test_values_without_an_order_are_told(tmp_path: Path) -> None:
    # The finer two meshes differ more than the coarser two.
    values = {16: 1.0, 24: 1.001, 32: 1.1}
    measures = {"separation_deg": 127.0, "wake_length": 0.88}

    def play(flow: Flow) -> dict[str, Any]:
        return {"cd": values[flow.mesh.level.n], "cl": 0.5, "measures": measures}

    rows = order(PlayedBench(tmp_path, play))
    assert rows_of(rows, "cd_order", 0.0) == {}
    assert "nothing to extrapolate: no order" in rows_of(rows, "cd", 0.0)["32x80"].cause


def test_the_far_boundary_is_compared_with_the_farthest(tmp_path: Path) -> None:
    rows = domain(PlayedBench(tmp_path, lambda flow: {"cd": 1.0 + 0.2 / flow.mesh.far_radius**2, "cl": 0.5}))
    assert [row.within_goal for row in rows if row.quantity == "cd"] == [None, True, None, True]
    at_usual = next(row for row in rows if "15 D" in row.condition)
    far = longer_mesh(45).far_radius
    assert at_usual.error_pct == pytest.approx(100 * 0.2 * (1 / 15**2 - 1 / far**2), rel=1e-2)
    assert "not published" in at_usual.source
