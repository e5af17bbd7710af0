"""The geometry station: from the specs of a layout and of a depth to the files that the others use."""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import atomic_open, read_json, write_json
from pipeline.geometry.ball import DimpledBall
from pipeline.geometry.cavity import arc_depth
from pipeline.geometry.layout import Layout, spread_layout
from pipeline.geometry.layout_file import read_layout, write_layout
from pipeline.geometry.mirror import has_mirror_plane
from pipeline.geometry.poly_mesh import shell_faces, write_poly_mesh
from pipeline.geometry.quality import mesh_quality
from pipeline.geometry.rotation_groups import rotation_group
from pipeline.geometry.shell import Level, Shell, build_shell
from pipeline.geometry.skin import check_skin, skin, write_ply, write_stl
from pipeline.geometry.totals import totals

LAYOUT_SPEC, LAYOUT = "layout.json", "layout.csv"
SPEC, TOTALS, SKIN_STL, SKIN_PLY = "spec.json", "totals.json", "skin.stl", "skin.ply"
MESH, SHELL, QUALITY = "shell/polyMesh", "shell/shell.npz", "shell/quality.json"

SKIN_N = 128
"""Quadrilaterals of the skin along a cube edge: 12 across a dimple of 0.084 D, 196,608 triangles."""

MAX_NON_ORTHOGONALITY_DEG = 70.0
MAX_SKEWNESS = 4.0
"""Limits of the solver's own mesh check; a mesh beyond them is refused before it costs a run."""


def make_layout(spec: dict[str, Any], progress: Callable[[float], None] | None = None) -> Layout:
    """Layout that a spec asks for: read from its file, or spread by its symmetry.

    Parameters
    ----------
    spec : dict
        Keys file, or symmetry, count, seed and narrowest_land_m; chord_diameter_m (None when the file gives
        it), ball_diameter_m.
    progress : callable, optional
        Called with the share of the optimiser's work that is done.

    Returns
    -------
    Layout
        The layout.

    Raises
    ------
    InputError
        If the file is wrong, or the dimples do not fit on the ball.
    """
    if spec["file"] is not None:
        return read_layout(Path(spec["file"]), spec["ball_diameter_m"], spec["chord_diameter_m"])
    return spread_layout(
        spec["symmetry"],
        spec["count"],
        spec["chord_diameter_m"],
        spec["narrowest_land_m"],
        spec["ball_diameter_m"],
        spec["seed"],
        progress,
        spec["mirror"],
    )


def build_layout(folder: Path, progress: Callable[[float], None] | None = None) -> None:
    """Write layout.csv of a pattern's folder from its layout.json."""
    write_layout(folder / LAYOUT, make_layout(read_json(folder / LAYOUT_SPEC), progress))


def load_layout(folder: Path) -> Layout:
    """Read the layout of a pattern's folder, with the symmetry it was made with."""
    spec = read_json(folder / LAYOUT_SPEC)
    layout = read_layout(folder / LAYOUT, spec["ball_diameter_m"])
    symmetry = spec["symmetry"] or "none"
    return dataclasses.replace(layout, symmetry=symmetry, order=len(rotation_group(symmetry)))


def make_ball(layout: Layout, spec: dict[str, Any]) -> DimpledBall:
    """Ball of a layout at the depth, or the edge angle, of a variant's spec.

    Parameters
    ----------
    layout : Layout
        Where the dimples are and how wide.
    spec : dict
        Keys ball_diameter_m and depth_m (one surface depth for all dimples) or edge_angle_rad (one edge angle
        for all, so that wider dimples are deeper).

    Returns
    -------
    DimpledBall
        The ball.

    Raises
    ------
    InputError
        If no dimple of that depth or angle exists, with the range that does.
    """
    diameter = spec["ball_diameter_m"]
    if spec["depth_m"] is not None:
        depths: NDArray[np.float64] = np.full(len(layout.directions), spec["depth_m"])
    else:
        depths = arc_depth(layout.chord_diameters_m, spec["edge_angle_rad"], diameter)
    return DimpledBall(layout, depths, diameter)


def build_variant(folder: Path) -> None:
    """Write totals, skin and shell of a variant's folder (below its pattern's) from its spec.json.

    Raises
    ------
    InputError
        If the dimples are impossible or the mesh is not fit for the solver.
    """
    spec = read_json(folder / SPEC)
    ball = make_ball(load_layout(folder.parent), spec)
    surface = skin(ball, SKIN_N)
    checked = check_skin(surface, ball)
    write_stl(folder / SKIN_STL, surface)
    write_ply(folder / SKIN_PLY, surface)
    write_shell(folder, solver_shell(ball, Level(spec["n"], spec["layers"]), spec["first_cell"]))
    write_json(folder / TOTALS, totals(ball) | {"skin": checked})


def write_shell(folder: Path, shell: Shell) -> None:
    """Write a shell for the solver (polyMesh) and for us (shell.npz), with its quality.

    Raises
    ------
    InputError
        If the solver could not work on it; nothing is written then.
    """
    faces = shell_faces(shell)
    quality = mesh_quality(shell, faces)
    angle, skewness, smallest = (
        quality[name] for name in ("max_non_orthogonality_deg", "max_skewness", "min_volume")
    )
    if smallest <= 0 or angle > MAX_NON_ORTHOGONALITY_DEG or skewness > MAX_SKEWNESS:
        raise InputError(
            f"{folder}: the shell mesh is not fit for the solver (non-orthogonality {angle:.0f} deg, "
            f"skewness {skewness:.1f}, smallest cell {smallest:.2g}); use a finer level or shallower dimples"
        )
    write_poly_mesh(folder / MESH, shell, faces)
    with atomic_open(folder / SHELL) as stream:
        np.savez(stream, points=shell.points, quads=shell.quads, layers=shell.layers, mirrored=shell.mirrored)
    write_json(folder / QUALITY, quality)


def solver_shell(ball: DimpledBall, level: Level, first_cell: float) -> Shell:
    """Shell around a ball, scaled to solver units (ball diameter 1); half of it where the layout allows."""
    return build_shell(
        lambda u: ball.radius(u) / ball.ball_diameter_m,
        level,
        first_cell,
        mirrored=has_mirror_plane(ball.layout),
    )


def load_shell(folder: Path) -> Shell:
    """Read the shell of a variant's folder.

    Raises
    ------
    InputError
        If it is missing.
    """
    path = folder / SHELL
    if not path.is_file():
        raise InputError(f"{path}: missing; the geometry station has not finished")
    with np.load(path, allow_pickle=False) as archive:
        return Shell(archive["points"], archive["quads"], int(archive["layers"]), bool(archive["mirrored"]))
