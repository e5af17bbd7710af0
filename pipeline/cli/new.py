"""`depthline new`: a study file to start from, with a comment on every choice."""

import sys
from collections.abc import Sequence
from pathlib import Path

import typer

from pipeline.cli.output import messages
from pipeline.cli.swings import SWINGS, Swing
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.study.file import study_of
from pipeline.study.units import LENGTH, QuantityError, parse_quantity

DEFAULTS = {
    "golfers": "moderate, tour", "symmetry": "icosahedral", "count": "332", "chord": "4.00 mm",
    "depths": "0.12 mm, 0.16 mm, 0.20 mm, 0.24 mm", "level": "coarse",
}  # fmt: skip

_QUESTIONS = {
    "golfers": f"Golfers ({', '.join(swing.name for swing in SWINGS)})",
    "symmetry": "Symmetry of the layout (icosahedral, octahedral, tetrahedral)",
    "count": "Dimples",
    "chord": "Chord diameter of a dimple",
    "depths": "Surface depths to compute",
    "level": "Mesh (coarse for a first look, medium or fine for a decision)",
}

_SPREAD = {"slow": 4.0, "moderate": 3.0}
"""Standard deviation of the ball speed [mph]; 2 for the others (a judgement, no source)."""


def write_new(name: str, given: dict[str, str | None], out: Path | None) -> None:
    """Write a commented study file; ask for what no option says where somebody sits at a terminal.

    Parameters
    ----------
    name : str
        Name of the study.
    given : dict
        Answers by the keys of `DEFAULTS`; None where not given.
    out : Path or None
        File to write; NAME.yaml when None. A file that is there is not overwritten.

    Raises
    ------
    InputError
        An answer is wrong, or the file is there.
    """
    path = out or Path(f"{name}.yaml")
    if path.exists():
        raise InputError(f"{path}: is there already; give another name, or --out FILE")
    asks = sys.stdin.isatty() and not any(given.values())
    answers = {
        key: given[key] or (typer.prompt(_QUESTIONS[key], default=default) if asks else default)
        for key, default in DEFAULTS.items()
    }
    text = study_text(name, answers)
    study_of(path, text)  # refuses what the file would be refused for
    write_text(path, text)
    messages().print(f"wrote {path}; depthline check {path} shows its runs and what they cost")


def study_text(name: str, answers: dict[str, str]) -> str:
    """Text of a study file.

    Parameters
    ----------
    name : str
        Name of the study.
    answers : dict
        Texts by the keys of `DEFAULTS`.

    Raises
    ------
    InputError
        A golfer is none of `SWINGS`, or a length is none.
    """
    chord = answers["chord"]
    depths = [depth.strip() for depth in answers["depths"].split(",") if depth.strip()]
    for option, text in [("--chord", chord), *(("--depths", depth) for depth in depths)]:
        try:
            parse_quantity(text, LENGTH)
        except QuantityError as error:
            raise InputError(f"{option}: {text}: {error}") from None
    symmetry, count = answers["symmetry"], answers["count"]
    pattern = f"{symmetry[:3]}{count}"
    golfers = "\n".join(_golfer(_swing(one.strip())) for one in answers["golfers"].split(",") if one.strip())
    return f"""\
# A study of dimple depths: `depthline check` shows what it would compute, `depthline run` computes it.
# Every length, speed and angle has its unit; the guide's "Study file" has all keys.
name: {name}

# The finished ball. The Equipment Rules allow 45.93 g at most and 42.67 mm at least.
ball: {{diameter: 42.70 mm, mass: 45.9 g}}

# Patterns, any number; each is computed at all its depths.
patterns:
  - name: {pattern}
    # Dimples spread evenly under the rotations of a solid; the seed names one of many such layouts. With a
    # mirror plane half a ball is computed, at half the price. `layout: {{file: mine.csv}}` takes your own.
    layout: {{symmetry: {symmetry}, count: {count}, seed: 1, mirror: true}}
    # arc: a spherical cap; the guide lists the other profiles. Chord diameter: of the dimple's edge.
    cavity: {{profile: arc, chord_diameter: {chord}}}
    # Below the sphere without dimples, at the dimple's centre. Or `edge_angles: [12 deg, 14 deg]`.
    depths: [{", ".join(depths)}]

# How the flows are computed.
flow:
  # Steady Reynolds-averaged flow; the boundary layer trips where published rough and dimpled spheres say so.
  fidelity: steady-rans
  boundary_layer: tripped
  # A coarse mesh takes minutes a run and orders depths; decide on medium or fine.
  level: {answers["level"]}
  # Those that the golfers' flights pass through; or lists: [8e4, 1.2e5, 1.8e5] and [0.08, 0.20].
  reynolds: auto
  spin_ratios: auto

# Mean shots with a driver. Put your own golfers' launches here, or `measured: {{file: launches.csv}}`.
golfers:
{golfers}

# Weather of the flights; `wind: {{speed: 3 m/s, from: 0 deg}}` is a headwind.
air: {{temperature: 20 degC, pressure: 1013.25 hPa, humidity: 50 %}}
"""


def _swing(name: str) -> Swing:
    known = {swing.name: swing for swing in SWINGS}
    if name not in known:
        raise InputError(f"--golfers: {name}: must be one of {', '.join(known)}")
    return known[name]


def _golfer(swing: Swing) -> str:
    spread = _SPREAD.get(swing.name, 2.0)
    return f"""\
  # {swing.clubhead_mph:g} mph at the clubhead: {swing.source}
  - name: {swing.name}
    launch: {{ball_speed: {swing.ball_speed_mph:g} mph, launch_angle: {swing.launch_angle_deg:g} deg, \
backspin: {swing.backspin_rpm:g} rpm}}
    spread: {{ball_speed: {spread:g} mph, launch_angle: 1 deg, backspin: 250 rpm, axis_tilt: 2 deg}}"""


def swings_in_words() -> Sequence[str]:
    """One line a named swing, for the help and the guide."""
    return [
        f"{swing.name}: ball speed {swing.ball_speed_mph:g} mph, launch angle "
        f"{swing.launch_angle_deg:g} deg, backspin {swing.backspin_rpm:g} rpm ({swing.source})"
        for swing in SWINGS
    ]
