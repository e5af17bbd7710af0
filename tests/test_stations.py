"""The line runs one way: no station imports from one to its right."""

import ast
from pathlib import Path

PIPELINE = Path(__file__).parents[1] / "pipeline"
LINE = ["geometry", "flow", "aero", "flight", "decide", "verification", "report", "cli"]


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
    return {name.split(".")[1] for name in names if name.startswith("pipeline.")}


def test_imports_go_left_only() -> None:
    wrong = []
    for path in PIPELINE.rglob("*.py"):
        own = path.relative_to(PIPELINE).parts[0]
        place = LINE.index(own) if own in LINE else -1
        wrong += [
            f"{path.relative_to(PIPELINE)} imports from {name}"
            for name in imported(path)
            if name in LINE and LINE.index(name) > place
        ]
    assert wrong == []


def test_modules_stay_small() -> None:
    paths = list(PIPELINE.rglob("*.py"))
    lengths = {str(path.relative_to(PIPELINE)): len(path.read_text().splitlines()) for path in paths}
    assert len(lengths) == len(paths)  # several modules have one name: station.py, run.py, forces.py
    assert {name: length for name, length in lengths.items() if length > 400} == {}
