"""The notebook-style example runs, and finds what was planted in it."""

import re
import runpy
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "cases" / "notebook" / "explore.py"


def test_the_example_finds_the_planted_depth(capsys):
    runpy.run_path(str(EXAMPLE))
    printed = capsys.readouterr().out
    found = re.search(r"best depth ([\d.]+) mm \(90 % interval ([\d.]+) to ([\d.]+) mm\)", printed)
    best, low, high = map(float, found.groups())
    # Drag is least at 0.23 mm and lift falls with depth, so that the best lies a little shallower.
    assert 0.19 < low < best < high < 0.23
    assert "micrometres" in printed and "invented 0.2" in printed
