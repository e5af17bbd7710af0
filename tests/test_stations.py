"""The line runs one way: no room imports from one to its right, and no two rooms from each other."""

import ast
from pathlib import Path

PIPELINE = Path(__file__).parents[1] / "pipeline"

LINE = [
    "errors", "arrays", "files", "ending", "machine", "records", "study",
    "geometry.dimple", "geometry.layout", "geometry.ball", "geometry.shell", "geometry.tooling", "geometry",
    "flow.forces", "flow.solver", "flow.campaign", "flow", "aero", "flight", "shelf",
    "decide.flights", "decide", "decide.search", "report", "workflow", "validation", "range", "cli",
]  # fmt: skip
"""Rooms from left to right; modules in the folder of a room with rooms of its own come after these."""


def room_of(name: str) -> str:
    """Room of a dotted name below `pipeline`: the longest one that it begins with."""
    parts = name.split(".")
    return next((room for n in (2, 1) if (room := ".".join(parts[:n])) in LINE), parts[0])


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
    return {name.removeprefix("pipeline.") for name in names if name.startswith("pipeline.")}


def test_every_module_is_in_a_room() -> None:
    modules = [path.relative_to(PIPELINE) for path in PIPELINE.rglob("*.py")]
    rooms = {room_of(".".join(path.with_suffix("").parts)) for path in modules if path.name != "__init__.py"}
    assert rooms - set(LINE) == set()


def test_imports_go_left_only() -> None:
    wrong = []
    for path in PIPELINE.rglob("*.py"):
        name = ".".join(path.relative_to(PIPELINE).with_suffix("").parts)
        place = LINE.index(room_of(name)) if name != "__init__" else -1
        wrong += [
            f"{path.relative_to(PIPELINE)} imports {other}"
            for other in imported(path)
            if room_of(other) in LINE and LINE.index(room_of(other)) > place
        ]
    assert wrong == []


def test_no_module_imports_itself_in_a_circle() -> None:
    """Modules import each other in no circle, also within a room."""
    modules = {
        ".".join(path.relative_to(PIPELINE).with_suffix("").parts): path for path in PIPELINE.rglob("*.py")
    }
    after = {
        name: {other for given in imported(path) for other in (given, given.rpartition(".")[0])}
        & set(modules)
        for name, path in modules.items()
    }
    done: set[str] = set()

    def follow(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way, name))
        if name not in done:
            for other in after[name]:
                follow(other, (*way, name))
            done.add(name)

    for name in modules:
        follow(name, ())


def test_modules_stay_small() -> None:
    lengths = {path: len(path.read_text().splitlines()) for path in PIPELINE.rglob("*.py")}
    assert {str(path): length for path, length in lengths.items() if length > 600} == {}
