"""Named swing speeds for new study files: mean launches of drivers, each with its source."""

from typing import NamedTuple


class Swing(NamedTuple):
    """Mean launch of a driver at one clubhead speed; speeds in mph, angle in deg, spin in rpm."""

    name: str
    clubhead_mph: float
    ball_speed_mph: float
    launch_angle_deg: float
    backspin_rpm: float
    source: str


SWINGS = (
    Swing("slow", 78, 111, 15.0, 3000, "rounded averages of launch monitors, clubs' women [memory]"),
    Swing("moderate", 93, 133, 12.6, 3250, "rounded averages of launch monitors, clubs' men [memory]"),
    Swing("women's tour", 94, 140, 13.2, 2600, "rounded averages of a women's professional tour [memory]"),
    Swing("tour", 113, 167, 10.9, 2690, "rounded averages of a men's professional tour [memory]"),
    Swing("rules", 120, 176, 10.0, 2520, "overall distance test of the Equipment Rules [quoted]"),
)
"""From slow to fast. Averages from memory are starting points: state your own golfers' launches when you have
them. [quoted]: read in a place that quotes the rules."""
