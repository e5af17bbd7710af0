"""STEP files, read back: volumes against the analytic ones, kinds of surfaces, halves at the seam."""

import importlib.util
import itertools

import numpy as np
import pytest

from pipeline.errors import InputError, MissingError
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.layout import Layout, smooth_layout, spread_layout
from pipeline.geometry.layout.seam import make_seam
from pipeline.geometry.tooling.step import (
    ball_solid,
    can_write_step,
    half_solids,
    section_pieces,
    volume_mm3,
    why_no_step,
    write_step,
)

D = 42.7e-3
FAMILIES = (
    ARC,
    Profile("two-radius", 0.5, 0.5),
    Profile("cone", 0.6),
    Profile("catenary"),
    Profile("cone", 0.6, edge_radius_m=0.3e-3),
    Profile("arc", edge_radius_m=0.3e-3),
)


def _axes(count=6):
    axes = np.vstack([np.eye(3), -np.eye(3)])[:count]
    return Layout(axes, np.full(count, 6e-3), "none", 1)


def _ball(profile):
    return DimpledBall(_axes(), 0.5e-3, D, Sections.of(profile))


def read_step(path):
    """Shape of a STEP file."""
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def _mm3(ball):
    return 1e9 * totals(ball).enclosed_volume_m3


@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.edge_radius_m}")
def test_pieces_of_sections_lie_on_the_ball_and_join(profile):
    ball = _ball(profile)
    pieces = section_pieces(ball, 2)
    assert pieces[0][0] == pytest.approx([0.0, 1e3 * (D / 2 - 0.5e-3)], abs=1e-9)
    for before, after in itertools.pairwise(pieces):
        assert before[-1] == pytest.approx(after[0], abs=1e-9)
    assert np.hypot(*pieces[-1][-1]) == pytest.approx(500 * D, rel=1e-12)
    for x, z in np.concatenate(pieces):
        length = np.hypot(x, z)
        assert ball.radius(np.array([[x, 0.0, z]]) / length)[0] == pytest.approx(1e-3 * length, rel=1e-9)


def test_what_has_no_step_file_says_so(monkeypatch):
    polygon = DimpledBall(
        Layout(*(vars(_axes())[k] for k in ("directions", "chord_diameters_m", "symmetry", "order")),
               sides=np.full(6, 6)), 0.5e-3, D,
    )  # fmt: skip
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())
    assert "polygonal" in why_no_step(polygon)
    with pytest.raises(InputError, match="polygonal"):
        ball_solid(polygon)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert not can_write_step()
    with pytest.raises(MissingError, match=r"pip install 'depthline\[cad\]'"):
        ball_solid(_ball(ARC))


@pytest.mark.cad
@pytest.mark.parametrize("profile", FAMILIES, ids=lambda p: f"{p.name}-{p.edge_radius_m}")
def test_volume_read_back(profile, tmp_path):
    # The goal of the issue: within 1e-6 of the analytic volume. Some dimples lie on the seam and the poles of
    # the sphere's parameters here.
    ball = _ball(profile)
    write_step(tmp_path / "ball.step", ball_solid(ball))
    assert volume_mm3(read_step(tmp_path / "ball.step")) == pytest.approx(_mm3(ball), rel=1e-6)


@pytest.mark.cad
def test_surfaces_are_spheres_cones_and_tori(tmp_path):
    write_step(tmp_path / "ball.step", ball_solid(_ball(Profile("cone", 0.6, edge_radius_m=0.3e-3))))
    text = (tmp_path / "ball.step").read_text()
    # Entities of ISO 10303-42: the phantom sphere and 6 bottoms, 6 walls, 6 rounded edges, and nothing else.
    for entity, count in (("SPHERICAL_SURFACE", 7), ("CONICAL_SURFACE", 6), ("TOROIDAL_SURFACE", 6)):
        assert text.count(f"={entity}(") + text.count(f"= {entity}(") == count
    assert "B_SPLINE_SURFACE" not in text and "SURFACE_OF_REVOLUTION" not in text


@pytest.mark.cad
def test_a_whole_layout_and_its_halves(tmp_path):
    layout = spread_layout("dihedral-5", 60, 6e-3, 0.1e-3, D, 1, seam=make_seam("straight", "dihedral-5"))
    ball = DimpledBall(layout, 0.5e-3, D, Sections.of(Profile("cone", 0.6)))
    upper, lower = half_solids(ball)
    for name, half in (("upper", upper), ("lower", lower)):
        write_step(tmp_path / f"{name}.step", half)
        # The group swaps the halves, and no dimple crosses the plane.
        assert volume_mm3(read_step(tmp_path / f"{name}.step")) == pytest.approx(_mm3(ball) / 2, rel=1e-6)


@pytest.mark.cad
def test_dimples_across_the_plane_are_cut(tmp_path):
    ball = _ball(ARC)
    parts = half_solids(ball)
    assert [volume_mm3(part) for part in parts] == pytest.approx([_mm3(ball) / 2] * 2, rel=1e-6)


@pytest.mark.cad
def test_smooth_ball(tmp_path):
    ball = DimpledBall(smooth_layout(), np.empty(0), D)
    write_step(tmp_path / "ball.step", ball_solid(ball))
    assert volume_mm3(read_step(tmp_path / "ball.step")) == pytest.approx(
        np.pi * (1e3 * D) ** 3 / 6, rel=1e-9
    )
