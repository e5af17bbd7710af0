"""Drawings of a ball on matplotlib axes: equal-area map, sections with measures, coordinate system."""

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.ball.classes import SizeClass
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.tooling.cutlist import dimple_measures

if TYPE_CHECKING:
    from matplotlib.axes import Axes


LAND, INK, SOFT_INK = "#f2f2f2", "#222222", "#777777"
_CLASS_COLOURS = (
    "#0072b2", "#e69f00", "#009e73", "#d55e00", "#56b4e9", "#cc79a7", "#f0e442", "#404040",
    "#8c6d1f", "#7b4fa3", "#9bbf85", "#b0b0b0",
)  # fmt: skip
_OUTLINE_POINTS = 121
"""Corners of polygons of 4, 5, 6 and 8 sides are among them."""

TITLE_WIDTH = 88
"""Characters in a line above a section; polygons with an edge radius need two."""

_SECTION_POINTS = 801
_BESIDE = 0.28
"""Land shown beside a section, as a share of the chord diameter."""


def class_colour(place: int) -> str:
    """Colour (#rrggbb) of the class at a place, widest first; Okabe and Ito's, then some more."""
    return _CLASS_COLOURS[place % len(_CLASS_COLOURS)]


def equal_area(directions: FloatArray, upper: bool) -> FloatArray:
    """Lambert's azimuthal equal-area projection about one pole, seen from outside the ball.

    Parameters
    ----------
    directions : ndarray, shape (..., 3)
        Unit vectors, not the opposite pole.
    upper : bool
        Whether about +z (x to the right, y up) rather than -z (x to the right, y down).

    Returns
    -------
    ndarray, shape (..., 2)
        Coordinates; the equator is the circle of radius sqrt(2), so that a half sphere keeps its area 2 pi
        (Snyder 1987, Map Projections: A Working Manual, USGS Professional Paper 1395, p. 185) [memory].
    """
    sign = 1.0 if upper else -1.0
    x, y, z = np.moveaxis(directions, -1, 0)
    scale = np.sqrt(2 / np.maximum(1 + sign * z, 1e-12))
    return np.stack([scale * x, sign * scale * y], axis=-1)


def draw_map(axes: "Axes", ball: DimpledBall, classes: list[SizeClass], upper: bool) -> None:
    """Draw the dimples of one half, coloured by class, on an equal-area map about its pole.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    ball : DimpledBall
        The ball.
    classes : list of SizeClass
        Its classes; each is named in a legend (of the upper half) with its count and chord diameter.
    upper : bool
        Which half: that of the pole +z, or the other.
    """
    from matplotlib.collections import PolyCollection
    from matplotlib.patches import Circle

    equator = Circle((0, 0), np.sqrt(2), facecolor=LAND, edgecolor=INK, linewidth=1.0)
    axes.add_patch(equator)
    outlines = edge_outlines(ball)
    for place, size_class in enumerate(classes):
        inside = size_class.members[
            (outlines[size_class.members, :, 2] * (1 if upper else -1)).max(axis=1) > 0
        ]
        chord = 1e3 * ball.layout.chord_diameters_m[size_class.members].mean()
        drawn = PolyCollection(
            list(equal_area(outlines[inside], upper)),
            facecolor=class_colour(place),
            edgecolor="white",
            linewidth=0.4,
            label=f"{size_class.name}: {len(size_class.members)} of {chord:.3f} mm",
        )
        axes.add_collection(drawn)
        drawn.set_clip_path(equator)
    _draw_seam(axes, ball, upper)
    reach = 1.06 * np.sqrt(2)
    for degrees in range(0, 360, 30):
        along = equal_area(np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0.0]), upper)
        axes.plot(*np.stack([along, 1.03 * along], axis=1), color=SOFT_INK, linewidth=0.7)
        _write(axes, 1.1 * along, f"{degrees}", ha="center", va="center", fontsize=7, color=SOFT_INK)
    axes.set(xlim=(-1.12 * reach, 1.12 * reach), ylim=(-1.12 * reach, 1.12 * reach), aspect="equal")
    axes.set_axis_off()
    axes.set_title(
        f"{'Upper' if upper else 'Lower'} half, azimuth in deg at the edge", loc="center", fontsize=9
    )
    if upper and classes:
        axes.legend(
            loc="upper center",
            bbox_to_anchor=(0.5, 0.0),
            ncols=3,
            fontsize=8,
            frameon=False,
            handlelength=1.0,
        )


def _draw_seam(axes: "Axes", ball: DimpledBall, upper: bool) -> None:
    """Draw the part of an undulating seam that lies on a half; a straight one is the map's rim."""
    seam = ball.layout.seam
    if seam is None or not seam.waves:
        return
    azimuth = np.linspace(0, 2 * np.pi, 120 * seam.waves + 1)
    latitude = seam.latitude(azimuth)
    latitude = np.where(latitude * (1 if upper else -1) >= 0, latitude, np.nan)
    level = np.cos(latitude)
    along = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(latitude)], axis=1)
    axes.plot(*equal_area(along, upper).T, color=INK, linewidth=1.4)


def edge_outlines(ball: DimpledBall, points: int = _OUTLINE_POINTS) -> FloatArray:
    """Directions along the edge of each dimple, shape (n, points, 3), closed."""
    return ball.perimeters.outlines(ball.cavities.half_angle_rad, np.linspace(0, 2 * np.pi, points))


def section_line(ball: DimpledBall, dimple: int, beside: float = _BESIDE) -> tuple[FloatArray, FloatArray]:
    """Section of a dimple and the phantom sphere through its axis, beyond the edge by a share of the chord.

    Returns
    -------
    across, height : ndarray, shape (m,)
        Distance from the axis and height over the plane of the edge [m]; other dimples are left out.
    """
    from dataclasses import replace

    layout = replace(
        ball.layout,
        directions=np.array([[0.0, 0.0, 1.0]]),
        chord_diameters_m=ball.layout.chord_diameters_m[dimple : dimple + 1],
        sides=None,  # through the middle of a side a polygon's section is a round dimple's
        turns_rad=None,
    )
    beta = float(ball.cavities.half_angle_rad[dimple])
    theta = (1 + 2 * beside) * beta * np.linspace(-1, 1, _SECTION_POINTS)
    single = DimpledBall(
        layout, ball.depths_m[dimple], ball.ball_diameter_m, ball.cavities.sections.at(dimple)
    )
    radii = single.radius(np.stack([np.sin(theta), 0 * theta, np.cos(theta)], axis=1))
    return radii * np.sin(theta), radii * np.cos(theta) - ball.ball_diameter_m / 2 * np.cos(beta)


def draw_section(axes: "Axes", ball: DimpledBall, dimple: int, title: str, colour: str) -> None:
    """Draw the section of a dimple to scale, with chord diameter, depths, edge angle and radii.

    Parameters
    ----------
    axes : Axes
        Where to draw; lengths in mm.
    ball : DimpledBall
        The ball.
    dimple : int
        Index of the dimple.
    title : str
        Above the drawing.
    colour : str
        Of the material, #rrggbb.
    """
    across, height = (1e3 * values for values in section_line(ball, dimple))
    edge = 1e3 * ball.layout.chord_diameters_m[dimple] / 2
    beta = float(ball.cavities.half_angle_rad[dimple])
    radius = 500 * ball.ball_diameter_m
    theta = beta * np.linspace(-1, 1, 101)
    phantom = radius * np.sin(theta), radius * (np.cos(theta) - np.cos(beta))
    floor = height.min() - 0.18 * edge
    axes.fill_between(across, height, floor, color=colour, alpha=0.25, linewidth=0)
    axes.plot(across, height, color=INK, linewidth=1.4)
    axes.plot(*phantom, color=INK, linewidth=0.8, linestyle=(0, (6, 3)))
    axes.plot([-edge, edge], [0, 0], color=SOFT_INK, linewidth=0.6)
    axes.plot([0, 0], [floor, phantom[1].max() + 0.1 * edge], color=SOFT_INK, linewidth=0.6, linestyle="-.")
    measures = {name: float(column[dimple]) for name, column in dimple_measures(ball.cavities).items()}
    top = phantom[1].max() + 0.22 * edge
    _dimension(axes, (-edge, top), (edge, top), f"chord diameter {measures['chord_diameter_mm']:.3f}")
    for side in (-edge, edge):
        axes.plot([side, side], [0, top], color=SOFT_INK, linewidth=0.5)
    deep = height.min()
    _dimension(axes, (0.0, deep), (0.0, phantom[1].max()), "")
    where: dict[str, Any] = {"color": INK, "fontsize": 7.5, "ha": "left", "va": "center"}
    # Below the surface, where no other line passes.
    label = f"surface depth {measures['surface_depth_mm']:.3f}"
    axes.text(0.04 * edge, deep - 0.09 * edge, label, **where)
    along = edge + 0.5 * edge * np.array([0.0, 1.0])
    for slope, style in ((-np.tan(beta), (0, (6, 3))), (np.tan(ball.cavities.wall_rad[dimple]), "-")):
        axes.plot(along, slope * (along - edge), color=SOFT_INK, linewidth=0.6, linestyle=style)
    axes.text(1.55 * edge, 0.0, f"edge angle {measures['edge_angle_deg']:.2f} deg", **where)
    sides = int(ball.perimeters.sides[dimple])
    flats = f", {sides} sides, through the middle of one" if sides else ""
    words = textwrap.fill(f"{title}{flats}: {_shape(measures)}", TITLE_WIDTH)
    axes.set_title(words, loc="left", fontsize=8.5)
    axes.set(xlim=(-1.6 * edge, 2.6 * edge), ylim=(floor, top + 0.2 * edge), aspect="equal")
    axes.set_axis_off()


def draw_coordinates(axes: "Axes") -> None:
    """Draw the coordinate system of a cut list: pole, seam, polar angle and azimuth of a dimple."""
    from matplotlib.patches import Circle

    axes.add_patch(Circle((0, 0), 1.0, facecolor=LAND, edgecolor=INK, linewidth=1.2))
    tilt = np.radians(20)

    def seen(points: FloatArray) -> FloatArray:
        """Parallel projection from the azimuth -30 deg and a little above the plane z = 0."""
        x, y, z = np.moveaxis(points, -1, 0)
        turn = np.radians(-60)
        right, towards = np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y
        return np.stack([right, np.cos(tilt) * z + np.sin(tilt) * towards], axis=-1)

    turn = np.linspace(0, 2 * np.pi, 181)
    seam = seen(np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1))
    axes.plot(*seam.T, color=SOFT_INK, linewidth=1.0)
    for name, axis in (
        ("x (azimuth 0)", [1.0, 0, 0]),
        ("y (azimuth 90)", [0, 1.0, 0]),
        ("z, pole", [0, 0, 1.0]),
    ):
        end = seen(1.35 * np.array(axis))
        axes.annotate(
            "",
            (float(end[0]), float(end[1])),
            (0, 0),
            arrowprops={"arrowstyle": "->", "color": INK, "linewidth": 1.0},
        )
        _write(axes, 1.12 * end, name, fontsize=8, ha="center", va="center", color=INK)
    polar, azimuth = np.radians(55), np.radians(45)
    place = np.array([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)])
    arc = np.linspace(0, polar, 40)
    meridian = np.stack([np.sin(arc) * np.cos(azimuth), np.sin(arc) * np.sin(azimuth), np.cos(arc)], axis=1)
    axes.plot(*seen(meridian).T, color="#0072b2", linewidth=1.4)
    _write(axes, seen(meridian[20]) + np.array([0.05, 0.06]), "polar angle", fontsize=8, color="#0072b2")
    arc = np.linspace(0, azimuth, 20)
    equator = np.stack([np.cos(arc), np.sin(arc), 0 * arc], axis=1)
    axes.plot(*seen(equator).T, color="#d55e00", linewidth=1.8)
    _write(axes, seen(equator[10]) + np.array([-0.5, 0.06]), "azimuth", fontsize=8, color="#d55e00")
    axes.plot(*np.stack([np.zeros(2), seen(place)], axis=0).T, color=SOFT_INK, linewidth=0.8)
    axes.plot(*seen(place), marker="o", color=INK, markersize=5)
    _write(axes, seen(place) + np.array([0.08, 0.02]), "dimple", fontsize=8, color=INK)
    axes.text(-0.95, -0.62, "seam, z = 0", fontsize=8, color=SOFT_INK)
    axes.set(xlim=(-1.75, 1.75), ylim=(-1.25, 1.6), aspect="equal")
    axes.set_axis_off()


def _shape(measures: dict[str, float]) -> str:
    """Radii and joint of a section, in mm."""
    parts = [
        f"chord depth {measures['chord_depth_mm']:.3f}",
        f"bottom radius {measures['bottom_radius_mm']:.2f}",
    ]
    if not np.isnan(measures["joint_diameter_mm"]):
        wall = measures["wall_radius_mm"]
        parts.append(f"to diameter {measures['joint_diameter_mm']:.3f}")
        parts.append("straight wall" if np.isnan(wall) else f"wall radius {wall:.2f}")
    if measures["edge_radius_mm"] > 0:
        parts.append(f"edge radius {measures['edge_radius_mm']:.2f}")
    return ", ".join(parts) + " (mm)"


def _write(axes: "Axes", place: FloatArray, text: str, **style: Any) -> None:
    axes.text(float(place[0]), float(place[1]), text, **style)


def _dimension(axes: "Axes", start: tuple[float, float], end: tuple[float, float], text: str) -> None:
    """Draw a dimension line with arrows at both ends and its text above the middle."""
    arrow = {"arrowstyle": "<->", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", end, start, arrowprops=arrow)
    middle = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    axes.text(middle[0], middle[1], text, ha="center", va="bottom", fontsize=7.5, color=INK)
