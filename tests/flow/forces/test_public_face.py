"""The example of the guide on a case whose coefficients are known."""

import re
from pathlib import Path

import numpy as np
import pytest

import pipeline.flow.forces as forces

GUIDE = Path(__file__).parents[3] / "docs/guide/forces.md"


def write_case(folder: Path) -> None:
    """Noise with a standard deviation of 0.01 about Cd 0.25, and about Cl 0.15 from sample 1000 on."""
    noise = np.random.default_rng(7).normal(0.0, 0.01, (2, 4000))
    cd, cl = 0.25 + noise[0], 0.15 + noise[1] + np.exp(-np.arange(4000) / 50.0)
    path = folder / "postProcessing/coefficients/0/coefficient.dat"
    path.parent.mkdir(parents=True)
    rows = "".join(f"{i} {a:.9e} {b:.9e}\n" for i, (a, b) in enumerate(zip(cd, cl, strict=True)))
    path.write_text("# Time\tCd\tCl\n" + rows)


def test_the_example_of_the_guide(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_case(tmp_path)
    (example,) = re.findall(r"```python\n(from pipeline\.flow\.forces.*?)```", GUIDE.read_text(), re.DOTALL)
    exec(example.replace("path/to/case", str(tmp_path)), {})
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [(line[0], line[1], line[4]) for line in lines] == [
        ("coefficients", "cd", "settled"), ("coefficients", "cl", "settled"),
    ]  # fmt: skip
    for line, mean in zip(lines, (0.25, 0.15), strict=True):
        value, error = float(line[2]), float(line[3])
        # [computed] 0.01 / sqrt(n), the transient of Cl cut off or fitted.
        assert error == pytest.approx(0.01 / np.sqrt(4000), rel=0.3) and abs(value - mean) < 4 * error


def test_what_is_exported_is_documented() -> None:
    assert sorted(forces.__all__) == forces.__all__
    for name in forces.__all__:
        assert getattr(forces, name).__doc__, name
