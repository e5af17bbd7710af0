"""Figures of a pattern's layout and of its dimples' sections, for the report and for `depthline draw`."""

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.geometry import build
from pipeline.geometry.ball.classes import SizeClass
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.tooling import drawings
from pipeline.records import tree
from pipeline.records.geometry import VariantInputs
from pipeline.records.record import read
from pipeline.report.drawing import new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SECTIONS_SHOWN = 12
"""Sections drawn at most, the widest first."""


def map_figure(ball: DimpledBall, classes: list[SizeClass]) -> "Figure":
    """Draw both halves of a ball as equal-area maps, coloured by class."""
    figure = new_figure(9.6, 5.4)
    for axes, upper in zip(figure.subplots(1, 2), (True, False), strict=True):
        drawings.draw_map(axes, ball, classes, upper)
    return figure


def section_figure(ball: DimpledBall, classes: list[SizeClass]) -> "Figure":
    """Draw the section of a dimple of each class, with its measures."""
    shown = classes[:SECTIONS_SHOWN]
    figure = new_figure(8.0, 2.0 * max(len(shown), 1))
    for place, (size_class, axes) in enumerate(
        zip(shown, figure.subplots(len(shown), 1, squeeze=False).ravel() if shown else (), strict=True)
    ):
        title = f"Class {size_class.name}"
        drawings.draw_section(axes, ball, int(size_class.members[0]), title, drawings.class_colour(place))
    return figure


def made_ball(folder: Path) -> DimpledBall | None:
    """Ball of a variant's folder of the results; None where the geometry station has left none."""
    needed = (folder / tree.SPEC, folder.parent / tree.LAYOUT, folder.parent / tree.LAYOUT_SPEC)
    if not all(path.is_file() for path in needed):
        return None
    return build.make_ball(build.load_layout(folder.parent), read(folder / tree.SPEC, VariantInputs))
