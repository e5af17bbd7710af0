"""What a run may take and what is kept of it, in the study file."""

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.study.file import load_study
from pipeline.study.model import Study

TEXT = """
name: s
ball: {diameter: 42.7 mm, mass: 45.9 g}
patterns:
  - name: a
    layout: {symmetry: icosahedral, count: 72}
    cavity: {chord_diameter: 6 mm}
    depths: [0.2 mm]
flow: {fidelity: laminar, level: coarse, reynolds: [100], spin_ratios: [0.1]LIMITS}
golfers:
  - name: g
    launch: {ball_speed: 70 m/s, launch_angle: 11 deg, backspin: 2600 rpm}
"""


def study(folder: Path, limits: str) -> Study:
    path = folder / "study.yaml"
    path.write_text(TEXT.replace("LIMITS", limits))
    return load_study(path)


@pytest.mark.parametrize(("text", "seconds"), [("4 h", 14400.0), ("90 min", 5400.0), ("30 s", 30.0)])
def test_the_ceiling_of_wall_time_is_a_quantity(tmp_path: Path, text: str, seconds: float) -> None:
    assert study(tmp_path, f", wall_time: {text}").flow.wall_time_s == seconds


def test_without_limits(tmp_path: Path) -> None:
    flow = study(tmp_path, "").flow
    assert (flow.wall_time_s, flow.keep) == (None, "numbers")
    # A study.json from before these keys has neither.
    assert Study.model_validate(study(tmp_path, "").to_json(), by_name=True).flow == flow


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (", wall_time: 4", "flow.wall_time: 4: has no unit"),
        (", wall_time: 4 mm", "flow.wall_time: 4 mm: "),
        (", wall_time: 1 s", "is outside the range 10 s to 30 day"),
        (", keep: everything", "flow.keep: everything: is not one of numbers, surface, all"),
    ],
)
def test_wrong_limits(tmp_path: Path, limits: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        study(tmp_path, limits)
    assert said in str(caught.value)
