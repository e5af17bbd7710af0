"""Pictures of the ball against the geometry that they show."""

import math
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from report_studies import Results

from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.tooling.skin import skin, write_skin
from pipeline.report import ball_picture
from pipeline.report.ball_picture import draw_balls

DIAMETER_M = 0.0427


def write_ball(path: Path, depth_m: float) -> Path:
    """A ball with one wide dimple that faces the viewer."""
    towards = np.array([ball_picture.VIEW_FROM]) / np.linalg.norm(ball_picture.VIEW_FROM)
    layout = Layout(towards, np.array([0.012]), "none", 1)
    write_skin(path, skin(DimpledBall(layout, depth_m, DIAMETER_M), 48))
    return path


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> list[np.ndarray]:
    folder = tmp_path_factory.mktemp("balls")
    depths = (0.9e-3, 1.2e-3, 1.5e-3)
    skins = [write_ball(folder / f"{index}.ply", depth) for index, depth in enumerate(depths)]
    wanted = {path.with_suffix(".png"): path for path in skins}
    assert draw_balls(wanted, DIAMETER_M, 1.5e-3) == []
    return [matplotlib.image.imread(path)[..., :3] for path in wanted]


def test_silhouette_is_the_phantom_sphere(pictures: list[np.ndarray]) -> None:
    """Parallel projection: a disc of pi/4 of the square, less the margin around it [computed]."""
    for picture in pictures:
        assert picture.shape == (ball_picture.PIXELS, ball_picture.PIXELS, 3)
        share = (picture.min(axis=2) < 0.995).mean()
        assert share == pytest.approx(math.pi / 4 / ball_picture.MARGIN**2, rel=0.01)


def test_deeper_is_darker_and_the_land_looks_the_same(pictures: list[np.ndarray]) -> None:
    centre = ball_picture.PIXELS // 2
    bottoms = [picture[centre - 5 : centre + 5, centre - 5 : centre + 5].mean() for picture in pictures]
    assert bottoms[0] - bottoms[1] > 0.05 and bottoms[1] - bottoms[2] > 0.05
    # 0.4 of the ball's radius away from the axis: outside the dimple, which ends at 6 / 21.35 of it.
    away = centre + int(0.4 * centre)
    for picture in pictures[1:]:
        np.testing.assert_allclose(picture[centre, away], pictures[0][centre, away], atol=0.01)


def test_no_picture_wanted_starts_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ball_picture.subprocess, "run", None)
    assert draw_balls({}, DIAMETER_M, 1e-3) == []


def test_a_surface_without_points_gives_one_line(tmp_path: Path) -> None:
    broken = tmp_path / "skin.ply"
    broken.write_bytes(b"ply\nformat ascii 1.0\nelement vertex 0\nproperty float x\nend_header\n")
    (told,) = draw_balls({tmp_path / "a.png": broken}, DIAMETER_M, 1e-3)
    assert told.startswith("pictures of the ball: the drawing process failed") and "\n" not in told
    assert not (tmp_path / "a.png").exists()


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "signal 11"),
        ("raise SystemExit(7)", "exit code 7"),
        ("raise ImportError('libEGL.so.1: cannot open')", "libEGL.so.1: cannot open"),
    ],
)
def test_a_drawing_process_that_dies_gives_one_line(
    body: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: Results
) -> None:
    """Graphics libraries that are missing end the process, which must not end the report's."""
    stand_in = tmp_path / "pyvista"
    stand_in.mkdir()
    (stand_in / "__init__.py").write_text(body)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    (line,) = draw_balls({tmp_path / "a.png": next(small.folder.rglob("*.ply"))}, DIAMETER_M, 1e-3)
    assert told in line and "\n" not in line


def test_a_drawing_process_that_hangs_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: Results
) -> None:
    stand_in = tmp_path / "pyvista"
    stand_in.mkdir()
    (stand_in / "__init__.py").write_text("import time; time.sleep(60)")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(ball_picture, "SECONDS_A_PICTURE", 0.5)
    (line,) = draw_balls({tmp_path / "a.png": next(small.folder.rglob("*.ply"))}, DIAMETER_M, 1e-3)
    assert "hung" in line
