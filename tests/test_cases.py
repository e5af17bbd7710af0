"""The READMEs of cases/ say what their study files hold: patterns, depths, conditions, mesh, runs."""

from pathlib import Path

import pytest

from pipeline.cli.study_input import read_study
from pipeline.study.matrix import runs
from pipeline.study.model import Study

CASES = Path(__file__).parents[1] / "cases"
STUDIES = sorted(path for path in CASES.glob("*/study.yaml") if path.with_name("README.md").is_file())


def listed(values: tuple[float, ...]) -> str:
    return ", ".join(f"{value:g}" for value in sorted(values))


def matrix(study: Study) -> str:
    """The line that a README carries."""
    patterns = []
    for pattern in study.patterns:
        values = tuple(round(1e3 * depth, 6) for depth in pattern.depths_m or ())
        of = f"{listed(values)} mm" if values else f"{len(pattern.edge_angles_rad or ())} edge angles"
        patterns.append(f"{pattern.name} ({of})")
    flow = study.flow
    return (
        f"Matrix: {'; '.join(patterns)}; Re {listed(flow.reynolds)}; S {listed(flow.spin_ratios)}; "
        f"{flow.level} mesh; {len(runs(study))} runs."
    )


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.parent.name)
def test_a_readme_of_a_case_says_what_its_study_holds(path: Path) -> None:
    wanted = matrix(read_study(path))
    text = " ".join(path.with_name("README.md").read_text(encoding="utf-8").split())
    assert wanted in text, f"{path.parent.name}/README.md should say: {wanted}"


def test_there_are_cases_with_a_readme() -> None:
    assert {"demo", "overnight", "three-sizes"} <= {path.parent.name for path in STUDIES}
