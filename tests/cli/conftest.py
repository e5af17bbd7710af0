import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.app import main

CASES = Path(__file__).parents[2] / "cases"


@dataclass
class Ended:
    """How a command ended and what it printed."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def depthline(monkeypatch, capsys):
    """Run the command in this process; returns exit code, standard output and standard error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["depthline", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return Ended(ended.value.code or 0, printed.out, printed.err)

    return run


@pytest.fixture
def demo():
    return CASES / "demo" / "study.yaml"


SMALL = """\
name: small
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 3.58 mm}
    depths: [0.15 mm, 0.20 mm]
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""


@pytest.fixture
def small(tmp_path):
    """A study that is laid out in no time."""
    path = tmp_path / "study.yaml"
    path.write_text(SMALL)
    return path
