"""Writes docs/validation.md and benchmarks/RESULTS.md from the tracked tables of measurements beside them.

A table is a CSV file whose first lines are `# title:`, `# machine:`, `# commit:`, `# date:`, `# command:` and
any number of `# reading:` (what the figures mean, a paragraph each). `# rows:` names
another tracked CSV file that has the rows.
"""

import csv
from pathlib import Path

ROOT = Path(__file__).parents[1]
NEEDED = ("title", "machine", "commit", "date", "command")

PAGES = {
    "docs/validation.md": ("Validation: computed flows against published ones", "docs/measured"),
    "benchmarks/RESULTS.md": ("Benchmarks: time, memory and cost", "benchmarks/results"),
}
"""Title and folder of tables of each page."""


def section(path: Path) -> str:
    """Markdown section of one table.

    Raises
    ------
    ValueError
        If the table's head lacks an entry, or a row has another number of cells than the first one.
    """
    head: dict[str, list[str]] = {}
    body = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("# "):  # entries of the head
            key, _, value = line[2:].partition(": ")
            head.setdefault(key, []).append(value)
        else:
            body.append(line)
    missing = [key for key in NEEDED if len(head.get(key, [])) != 1]
    if missing:
        raise ValueError(f"{path.name}: needs one line each of {', '.join(f'# {key}:' for key in missing)}")
    for source in head.get("rows", []):
        body += (ROOT / source).read_text(encoding="utf-8").splitlines()
    rows = list(csv.reader(body))
    if any(len(row) != len(rows[0]) for row in rows):
        raise ValueError(f"{path.name}: rows of different lengths")
    parts = [
        f"## {head['title'][0]}",
        f"`{head['command'][0]}`; date {head['date'][0]}; commit {head['commit'][0]}; "
        f"machine: {head['machine'][0]}. Table: `{path.relative_to(ROOT)}`.",
    ]
    if rows:
        lines = [_row(rows[0]), _row(["---"] * len(rows[0])), *map(_row, rows[1:])]
        parts.append("\n".join(lines))
    return "\n\n".join([*parts, *head.get("reading", [])])


def _row(cells: list[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def page(name: str) -> str:
    """Text of a page, tables in the order of their file names."""
    title, folder = PAGES[name]
    note = f"Made by `benchmarks/results_page.py` from `{folder}/*.csv`; change those, not this file."
    sections = [section(path) for path in sorted((ROOT / folder).glob("*.csv"))]
    return "\n\n".join([f"# {title}", note, *sections]) + "\n"


if __name__ == "__main__":
    for name in PAGES:
        (ROOT / name).write_text(page(name), encoding="utf-8")
