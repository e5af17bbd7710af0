"""Columns of a layout file: what each measures, in which unit, and its range."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.dimple.perimeter import FEWEST_SIDES, MOST_SIDES
from pipeline.geometry.dimple.section import PROFILES

LENGTH_UNITS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "mm": lambda values: values / 1e3,
    "in": lambda values: values * 0.0254,
}
ANGLE_UNITS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "deg": np.radians,
    "rad": lambda values: values,
}
PLAIN: dict[str, Callable[[FloatArray], FloatArray]] = {"": lambda values: values}

MEASURES = {
    "polar": ANGLE_UNITS,
    "azimuth": ANGLE_UNITS,
    "chord_diameter": LENGTH_UNITS,
    "depth": LENGTH_UNITS,
    "edge_angle": ANGLE_UNITS,
    "joint": PLAIN,
    "radius_ratio": PLAIN,
    "edge_radius": LENGTH_UNITS,
    "sides": PLAIN,
    "turn": ANGLE_UNITS,
}
"""What a file may say of a dimple, besides the name of its profile."""

PROFILE = "profile"
OF_PROFILE = ("joint", "radius_ratio", "edge_radius")
OPTIONAL = (*OF_PROFILE, "sides", "turn")
"""Measures that are left empty for dimples that have none."""


@dataclass(frozen=True)
class Column:
    """A column of a layout file.

    Attributes
    ----------
    name : str
        As in the header, with its unit: ``chord_diameter_in``.
    measure : str
        One of `MEASURES`, or ``profile``.
    unit : str
        Empty for a measure without one.
    """

    name: str
    measure: str
    unit: str

    def si(self, values: FloatArray) -> FloatArray:
        """Convert values to SI."""
        return MEASURES[self.measure][self.unit](values)

    def problem(self, number: float, ball_diameter_m: float) -> str | None:
        """What is wrong with a finite value; None when nothing is."""
        value = float(self.si(np.array(number)))
        half, turn = (180.0, ("180", "90", "360")) if self.unit == "deg" else (np.pi, ("pi", "pi/2", "2 pi"))
        if self.measure == "polar" and not 0 <= number <= half:
            return f"must be 0 to {turn[0]}"
        if self.measure == "azimuth" and not -half <= number <= 2 * half:
            return f"must be -{turn[0]} to {turn[2]}"
        if self.measure in ("chord_diameter", "depth") and not 0 < value < ball_diameter_m:
            widest = ball_diameter_m * 1e3 if self.unit == "mm" else ball_diameter_m / 0.0254
            return f"must be above 0 and below {widest:g}, the ball's diameter"
        if self.measure == "edge_angle" and not 0 < number < half / 2:
            return f"must be above 0 and below {turn[1]}"
        if self.measure == "joint" and not 0 < value < 1:
            return "must be above 0 and below 1"
        if self.measure == "radius_ratio" and not value > 0:
            return "must be above 0"
        if self.measure == "edge_radius" and not 0 <= value < ball_diameter_m / 2:
            return "must be 0 or more, and below the ball's radius"
        if self.measure == "sides" and number not in (0, *range(FEWEST_SIDES, MOST_SIDES + 1)):
            return f"must be {FEWEST_SIDES} to {MOST_SIDES}, or 0 for a round dimple"
        if self.measure == "turn" and not abs(number) <= 2 * half:
            return f"must be -{turn[2]} to {turn[2]}"
        return None


KNOWN = {
    column.name: column
    for column in (
        *(
            Column(f"{measure}_{unit}".rstrip("_"), measure, unit)
            for measure, units in MEASURES.items()
            for unit in units
        ),
        Column(PROFILE, PROFILE, ""),
    )
}
"""Every column that a layout file may have, by its name."""


def profile_problem(name: str) -> str | None:
    """What is wrong with the name of a profile; None when nothing is."""
    return None if name in PROFILES else f"must be one of {', '.join(PROFILES)}"
