"""Geometry station: makes layout, ball, totals, skin and shell from the specs of a layout and a depth."""

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import MADE_AGAIN, Broken
from pipeline.files.atomic import remove_leftovers
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.dimple.cavity import solve_cavities
from pipeline.geometry.dimple.section import Profile, Sections
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.file import read_layout, write_layout
from pipeline.geometry.layout.layout import Layout, spread_layout
from pipeline.geometry.layout.mirror import has_mirror_plane
from pipeline.geometry.layout.rotation_groups import rotation_group
from pipeline.geometry.layout.seam import Seam, make_seam
from pipeline.geometry.layout.store import recall, remember
from pipeline.geometry.shell.edge_nodes import edge_fitted, edges_fitted, volume_factor
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import Level, Shell, build_shell, rotated_about_y
from pipeline.geometry.tooling.skin import check_skin, skin, write_skin
from pipeline.records.geometry import BallInputs, LayoutInputs, VariantInputs
from pipeline.records.record import read, write
from pipeline.records.tree import LAYOUT, LAYOUT_SPEC, SKIN_PLY, SKIN_STL, SPEC, TOTALS

ORIENTATIONS = {
    "pole-up": np.eye(3),
    "seam-up": np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]),
}
"""Rotations from the frame of the ball, whose pole is +z, to that of the flow. With its seam up the pole lies
along the axis of backspin, +y."""

SKIN_N = 128
"""Quadrilaterals of the skin along a cube edge: 12 across a dimple of 0.084 D, 196,608 triangles."""


def make_layout(spec: LayoutInputs, progress: Callable[[float], None] | None = None) -> Layout:
    """Layout that a spec asks for: read from its file, or spread by its symmetry.

    Parameters
    ----------
    spec : LayoutInputs
        From its layout.json.
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
    if spec.file is not None:
        return read_layout(Path(spec.file), spec.ball_diameter_m, spec.chord_diameter_m)
    if spec.symmetry is None or spec.count is None or spec.narrowest_land_m is None or spec.seed is None:
        raise ValueError("a layout without a file needs symmetry, count, narrowest_land_m and seed")
    rest = (progress, spec.mirror, spec.sides, seam_of(spec), spec.starts)
    if spec.classes is not None:
        return pack_layout(
            spec.symmetry,
            spec.count,
            spec.classes,
            spec.shares,
            spec.narrowest_land_m,
            spec.ball_diameter_m,
            spec.seed,
            *rest,
        )
    if spec.chord_diameter_m is None:
        raise ValueError("a layout of dimples of one size needs chord_diameter_m")
    return spread_layout(
        spec.symmetry,
        spec.count,
        spec.chord_diameter_m,
        spec.narrowest_land_m,
        spec.ball_diameter_m,
        spec.seed,
        *rest,
    )


def seam_of(spec: LayoutInputs) -> Seam | None:
    """Seam that a layout's spec asks to keep free."""
    if spec.seam is None or spec.symmetry is None:
        return None
    amplitude_m = spec.seam_amplitude_m
    amplitude_rad = None if amplitude_m is None else 2 * amplitude_m / spec.ball_diameter_m
    return make_seam(spec.seam, spec.symmetry, amplitude_rad, spec.seam_waves)


def find_layout(spec: LayoutInputs, root: Path, progress: Callable[[float], None] | None = None) -> Layout:
    """Layout that a spec asks for, as of `make_layout`: one kept below the folder of results, or made now.

    A layout that is made by an optimiser is kept there, where that can be done.
    """
    if spec.file is not None:
        return make_layout(spec)
    kept = recall(root, spec)
    if kept is not None:
        return _as_made(kept, spec)
    layout = make_layout(spec, progress)
    remember(root, spec, layout)
    return layout


def build_layout(folder: Path, root: Path | None = None) -> None:
    """Write layout.csv of a pattern's folder from its layout.json; made now without a `root` to look in."""
    spec = read_layout_spec(folder)
    write_layout(folder / LAYOUT, make_layout(spec) if root is None else find_layout(spec, root))


def read_layout_spec(folder: Path) -> LayoutInputs:
    """Read the layout.json of a pattern's folder."""
    return read(folder / LAYOUT_SPEC, LayoutInputs)


def load_layout(folder: Path) -> Layout:
    """Read the layout of a pattern's folder, with the symmetry it was made with."""
    spec = read_layout_spec(folder)
    layout = read_layout(folder / LAYOUT, spec.ball_diameter_m)
    wanted = spec.count
    if wanted is not None and spec.file is None and len(layout.directions) != wanted:
        what = f"{len(layout.directions)} dimples instead of {wanted}"
        raise Broken(folder / LAYOUT, what, MADE_AGAIN)
    return _as_made(layout, spec)


def _as_made(layout: Layout, spec: LayoutInputs) -> Layout:
    """Give a layout that was read the symmetry and the seam that it was made with."""
    symmetry = spec.symmetry or "none"
    order = len(rotation_group(symmetry))
    return dataclasses.replace(layout, symmetry=symmetry, order=order, seam=seam_of(spec))


def make_ball(layout: Layout, spec: BallInputs) -> DimpledBall:
    """Ball of a layout at the depth, or the edge angle, of a variant's spec.

    Parameters
    ----------
    layout : Layout
        Where the dimples are and how wide.
    spec : BallInputs
        Depth or edge angle, and section. All dimples have the mean, or depths or edge angles in proportion to
        those of the layout's file, or, when scale_depth is true, depths in proportion to their chord
        diameters.

    Returns
    -------
    DimpledBall
        The ball.

    Raises
    ------
    InputError
        If no dimple of that depth or angle exists, with the range that does.
    """
    diameter = spec.ball_diameter_m
    sections = make_sections(layout, spec)
    measure, mean = ("edge_angle_rad", spec.edge_angle_rad)
    if spec.depth_m is not None:
        measure, mean = "depth_m", spec.depth_m
    if mean is None:
        raise ValueError("a ball needs depth_m or edge_angle_rad")
    cavities = solve_cavities(
        sections,
        diameter,
        chord_diameter_m=layout.chord_diameters_m,
        **{measure: mean * _proportions(layout, sections, measure, spec)},
    )
    depths = (
        mean * _proportions(layout, sections, measure, spec) if measure == "depth_m" else cavities.depth_m
    )
    return DimpledBall(layout, depths, diameter, sections)


def make_sections(layout: Layout, spec: BallInputs) -> Sections:
    """Sections of a layout's dimples: those of its file, else that of a variant's spec, else plain arcs."""
    if layout.profiles is not None:
        return Sections.of(layout.profiles)
    return Sections.of(Profile(spec.profile, spec.joint, spec.radius_ratio, spec.edge_radius_m))


def _proportions(layout: Layout, sections: Sections, measure: str, spec: BallInputs) -> FloatArray:
    """Depth or edge angle of each dimple over their mean, shape (n,)."""
    values: FloatArray = np.ones(len(layout.directions))
    given = {
        name: of_file
        for name, of_file in (("depth_m", layout.depths_m), ("edge_angle_rad", layout.edge_angles_rad))
        if of_file is not None
    }
    if given:
        if measure in given:
            values = given[measure]
        else:
            cavities = solve_cavities(
                sections, spec.ball_diameter_m, chord_diameter_m=layout.chord_diameters_m, **given
            )
            values = cavities.depth_m if measure == "depth_m" else cavities.edge_angle_rad
    elif spec.scale_depth:
        values = layout.chord_diameters_m
    return values / values.mean() if len(values) else values


def build_variant(folder: Path) -> None:
    """Write totals, skin and shell of a variant's folder (below its pattern's) from its spec.json.

    Raises
    ------
    InputError
        If the dimples are impossible or the mesh is not fit for the solver.
    """
    remove_leftovers(folder)  # of a station that was killed: skins have megabytes
    spec = read(folder / SPEC, VariantInputs)
    ball = make_ball(load_layout(folder.parent), spec)
    surface = skin(ball, SKIN_N)
    checked = check_skin(surface, ball)
    write_skin(folder / SKIN_STL, surface)
    write_skin(folder / SKIN_PLY, surface)
    level = Level(spec.n, spec.layers, spec.wall_layers, tuple(spec.coarsen_at))
    write_shell(folder, solver_shell(ball, level, spec.first_cell, spec.whole, spec.orientation))
    across = cells_across_dimple(ball, level)
    write(folder / TOTALS, totals(ball).changed(skin=checked, cells_across_dimple=across))


def solver_shell(
    ball: DimpledBall,
    level: Level,
    first_cell: float,
    whole: bool = False,
    orientation: str = "pole-up",
    grid_turn: float = 0.0,
) -> Shell:
    """Shell around a ball, scaled to solver units (ball diameter 1); half of it where the layout allows.

    Nodes lie on the dimples' edges where the mesh stays good, for all depths alike, and in the dimples so
    that its facets have the dimple volume.

    Parameters
    ----------
    ball : DimpledBall
        The ball.
    level : Level
        Resolution.
    first_cell : float
        Height of the first cell in diameters.
    whole : bool
        Whether to mesh all of it in any case, for flows that have no plane of symmetry themselves.
    orientation : str
        One of `ORIENTATIONS`: how the ball flies.
    grid_turn : float
        Angle in rad by which the grid is turned about the axis of backspin before its nodes move onto the
        ball: the same ball on another mesh.

    Returns
    -------
    Shell
        The mesh, in the frame of the flow.
    """
    # From the frame of the ball to that of the flow.
    turn = ORIENTATIONS[orientation]
    fitted: bool | None = None

    def fit(directions: FloatArray, quads: IntArray) -> tuple[FloatArray, float]:
        of_ball = rotated_about_y(directions, grid_turn) @ turn
        nonlocal fitted
        moved, dimple = edge_fitted(of_ball, quads, ball.layout, ball.ball_diameter_m)
        fitted = edges_fitted(ball.layout, dimple)
        return moved @ turn.T, volume_factor(ball, moved, quads) if fitted else 1.0

    shell = build_shell(
        lambda u: ball.radius(u @ turn) / ball.ball_diameter_m,
        level,
        first_cell,
        mirrored=not whole and orientation == "pole-up" and has_mirror_plane(ball.layout),
        fit=fit,
    )
    return dataclasses.replace(shell, edges_fitted=fitted)


def cells_across_dimple(ball: DimpledBall, level: Level) -> float | None:
    """Cells of a shell across the mean chord diameter of a ball's dimples; None for a smooth ball."""
    chords = ball.layout.chord_diameters_m
    if len(chords) == 0:
        return None
    return float(chords.mean() / level.cell_width(ball.ball_diameter_m))
