"""A good study file to be spoilt, and the lines that a wrong one gives."""

import pytest

from pipeline.errors import InputError
from pipeline.study.file import load_study

GOOD = """\
name: small
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico332
    layout: {symmetry: icosahedral, count: 332}
    cavity: {profile: arc, chord_diameter: 3.58 mm}
    depths: [0.15 mm, 0.20 mm]
flow:
  fidelity: steady-rans
  level: coarse
  reynolds: [9e4, 1.8e5]
  spin_ratios: [0.08, 0.20]
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
    flight_window: {lowest: 25 m, highest: 35 m}
air: {temperature: 20 degC, pressure: 1013.25 hPa, humidity: 50 %}
"""


def write(folder, text):
    path = folder / "study.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def problems(folder, text):
    """Return the lines of the error, without the file's name."""
    path = write(folder, text)
    with pytest.raises(InputError) as caught:
        load_study(path)
    assert caught.value.exit_code == 2
    lines = str(caught.value).split("\n")
    assert all(line.startswith(f"{path}:") for line in lines)
    return [line[len(str(path)) + 1 :] for line in lines]
