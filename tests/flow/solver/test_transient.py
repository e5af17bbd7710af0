"""Time-accurate fidelities: their steps, their cold start, and a mesh that turns with the ball."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

from pipeline.flow.solver.fidelity import FIDELITIES, SAMPLE_TIME, fidelity
from pipeline.flow.solver.start import sheltered_start
from pipeline.flow.solver.surface_motion import surface_velocity
from pipeline.geometry.shell.mesh import Level, build_shell, rotated_about_y
from pipeline.records.tree import HISTORY

TRANSIENT = [model for model in FIDELITIES.values() if model.courant is not None]


@pytest.mark.parametrize("model", TRANSIENT, ids=lambda model: model.name)
@pytest.mark.parametrize("n", [16, 40, 113])
def test_the_step_keeps_the_courant_number(model, n: int) -> None:
    steps = model.steps_per_sample(n)
    # 1.5 U: the greatest speed on a sphere in potential flow (any textbook); pi D / (4 n): cells around it.
    width = np.pi / (4 * n)
    assert 1.5 * (SAMPLE_TIME / steps) / width <= model.courant
    assert steps == 1 or 1.5 * (SAMPLE_TIME / (steps - 1)) / width > model.courant


def test_a_steady_sample_is_an_iteration() -> None:
    assert fidelity("steady-rans").steps_per_sample(40) == 1


def test_turning_vectors() -> None:
    # Backspin moves the top of the ball with the air: a quarter turn takes +z to +x and leaves +y.
    turned = rotated_about_y(np.eye(3), np.pi / 2)
    np.testing.assert_allclose(turned, [[0, 0, -1], [0, 1, 0], [1, 0, 0]], atol=1e-15)
    step = 1e-6
    points = np.random.default_rng(3).normal(size=(20, 3))
    velocity = (rotated_about_y(points, 2 * 0.3 * step) - points) / step
    np.testing.assert_allclose(velocity, surface_velocity(points, 0.3), atol=1e-5)


def test_a_cold_start_leaves_the_wall_alone() -> None:
    shell = build_shell(lambda u: np.full(len(u), 0.5), Level(4, 30), 1e-3)
    velocity = sheltered_start(shell, 0.2)["U"]
    first, last = velocity[:: shell.layers], velocity[shell.layers - 1 :: shell.layers]
    centres, normals = shell.ball_faces()
    assert np.abs(np.sum(first * normals, axis=1)).max() < 0.01
    np.testing.assert_allclose(first, surface_velocity(centres, 0.2), atol=0.02)
    np.testing.assert_allclose(last, np.tile([1.0, 0.0, 0.0], (len(last), 1)), atol=1e-12)


@pytest.mark.solver
def test_turning_the_mesh_is_turning_the_wall(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Around a sphere the two are one flow: the mesh only changes its points of view.
    model = fidelity("transient-laminar")
    found = {}
    for turning in (False, True):
        monkeypatch.setitem(FIDELITIES, model.name, dataclasses.replace(model, turning=turning))
        tunnel = Tunnel(tmp_path / str(turning), model.name, Level(8, 16), 100.0)
        result = tunnel.run("smooth", 100.0, 0.5, iterations=40)
        assert result["iterations"] == 40
        found[turning] = np.loadtxt(
            tunnel.results / result["run"] / HISTORY, delimiter=",", skiprows=1
        )  # time, cd, cl, cs, cm
    assert found[True][-1, 0] == pytest.approx(4.0)
    settled = slice(20, None)
    np.testing.assert_allclose(found[True][settled, 1:], found[False][settled, 1:], rtol=0.01, atol=0.002)
    assert found[True][-1, 2] > 0.1
