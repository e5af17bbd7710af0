"""From the finished ball to the cavity that moulds it, and back: mould shrinkage and the finish's thickness.

The finish (paint) is thicker in the dimples than on the land. With the thickness t on the land and u at the
bottom of a dimple, a moulded ball has the diameter D - 2 t and, in the same directions, dimples of the same
edge half angles that are d + u - t deep. The moulded part is smaller than its cavity by the shrinkage
sigma: every length of the cavity is the part's over (1 - sigma). Profile, joint and radius ratio of a section
stay what they are; its radii follow. The finish follows a rounded edge without changing its radius.
"""

import dataclasses
from dataclasses import dataclass

from pipeline.errors import InputError
from pipeline.geometry.ball.height_field import DimpledBall

MOST_SHRINKAGE = 0.1
"""Moulding resins shrink by some per cent at most (common practice, no source); more is a slip of the pen."""


@dataclass(frozen=True)
class Tooling:
    """What lies between a cavity and the finished ball.

    Attributes
    ----------
    shrinkage : float
        Share of a length by which the moulded ball is smaller than its cavity, 0 to 0.1.
    land_finish_m : float
        Thickness of the finish on the land [m], 0 or more.
    dimple_finish_m : float
        Thickness of the finish at the dimples' bottoms [m], 0 or more.

    Raises
    ------
    InputError
        If a value is out of range.
    """

    shrinkage: float = 0.0
    land_finish_m: float = 0.0
    dimple_finish_m: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.shrinkage <= MOST_SHRINKAGE:
            raise InputError(
                f"shrinkage {100 * self.shrinkage:g} %: must be 0 % to {100 * MOST_SHRINKAGE:g} %"
            )
        for name, thickness in (("land", self.land_finish_m), ("dimples", self.dimple_finish_m)):
            if not thickness >= 0:
                raise InputError(f"finish on the {name} {thickness * 1e3:g} mm: must be 0 mm or more")


def cavity_of(ball: DimpledBall, tooling: Tooling) -> DimpledBall:
    """Cavity, as the ball that would fill it, that makes a finished ball.

    Parameters
    ----------
    ball : DimpledBall
        The finished ball.
    tooling : Tooling
        Shrinkage and finish.

    Returns
    -------
    DimpledBall
        The cavity; `finished_ball` gives the ball back.

    Raises
    ------
    InputError
        If such dimples cannot be made, for instance because the finish is thicker than they are deep.
    """
    moulded = ball.ball_diameter_m - 2 * tooling.land_finish_m
    if moulded <= 0:
        raise InputError(f"finish on the land {tooling.land_finish_m * 1e3:g} mm: is thicker than the ball")
    grown = 1 / (1 - tooling.shrinkage)
    fill = tooling.dimple_finish_m - tooling.land_finish_m
    return _resized(ball, moulded * grown, moulded / ball.ball_diameter_m * grown, fill, grown)


def finished_ball(cavity: DimpledBall, tooling: Tooling) -> DimpledBall:
    """Finished ball that a cavity makes: the inverse of `cavity_of`.

    Parameters
    ----------
    cavity : DimpledBall
        The cavity, as the ball that would fill it.
    tooling : Tooling
        Shrinkage and finish.

    Returns
    -------
    DimpledBall
        The finished ball.

    Raises
    ------
    InputError
        If the finish would fill a dimple.
    """
    shrunk = 1 - tooling.shrinkage
    moulded = cavity.ball_diameter_m * shrunk
    diameter = moulded + 2 * tooling.land_finish_m
    fill = tooling.land_finish_m - tooling.dimple_finish_m
    return _resized(cavity, diameter, diameter / cavity.ball_diameter_m, fill / shrunk, shrunk)


def _resized(
    ball: DimpledBall, diameter_m: float, chord_factor: float, deeper_m: float, depth_factor: float
) -> DimpledBall:
    layout = dataclasses.replace(ball.layout, chord_diameters_m=ball.layout.chord_diameters_m * chord_factor)
    sections = ball.cavities.sections
    sections = dataclasses.replace(sections, edge_radius_m=sections.edge_radius_m * depth_factor)
    return DimpledBall(layout, (ball.depths_m + deeper_m) * depth_factor, diameter_m, sections)
