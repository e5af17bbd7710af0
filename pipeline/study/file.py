"""Reading a study file: YAML data only, every problem reported at once with its line."""

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.files.given import given_bytes
from pipeline.study.matrix import own_variants
from pipeline.study.model import Study
from pipeline.study.yaml_lines import Location, Tree, read_tree, shown

LARGEST_FILE = 256 * 1024
"""Bytes; a study of 200 patterns needs under 100 kB."""
MOST_PROBLEMS = 50
MOST_RUNS = 100_000
"""Runs of a study; `depthline check` of so many takes 6 CPU s and 0.3 GB, `status` 16 CPU s and 0.2 GB."""


def load_study(path: Path, searched: bool = False) -> Study:
    """Read and validate a study file.

    Parameters
    ----------
    path : Path
        YAML file, UTF-8.
    searched : bool
        Whether its patterns may be a family (`Study.family`) instead of a list.

    Returns
    -------
    Study
        SI values; layout files as absolute paths.

    Raises
    ------
    InputError
        The file cannot be read, is not YAML, or is not a study; its patterns are a family and no list. Every
        problem found is one line "FILE:LINE: KEY: VALUE: what is wrong; what would be right".
    """
    path = Path(path)
    return study_of(path, read_study_text(path), searched)


def study_of(path: Path, text: str, searched: bool = False) -> Study:
    """Validate the text of a study file; its path is for messages and for files named relative to it.

    Raises
    ------
    InputError
        As for `load_study`.
    """
    tree = read_tree(path, text)
    problems = list(tree.problems)
    already = {location for _, location, _ in problems}
    study = None
    try:
        study = Study.model_validate(tree.data, by_alias=True, by_name=False, context={"folder": path.parent})
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            location = detail["loc"]
            if location not in already:
                message = _with_value(detail["input"], location, tree, detail["msg"])
                problems.append((tree.line(location), location, message))
    if study is not None and (asked := _runs(study)) > MOST_RUNS:
        message = (
            f"{asked:,} runs (depths or edge angles of all patterns x Reynolds numbers x spin ratios) are "
            f"more than the {MOST_RUNS:,} of a study; leave some out, or make a study of each pattern"
        )
        problems.append((tree.line(("flow",)), ("flow",), message))
    if study is not None and study.family is not None and not searched:
        at = ("patterns", "search")
        message = (
            "is a family of patterns, which depthline search lists; this command needs a list of patterns"
        )
        problems.append((tree.line(at), at, message))
    if study is None or problems:
        raise InputError(_listing(path, problems))
    return study


def _runs(study: Study) -> int:
    """Number of runs; of conditions that are left to `auto`, at least."""
    reynolds, spin_ratios = len(study.flow.reynolds) or 3, len(study.flow.spin_ratios) or 3
    finer = 0 if study.flow.finer is None else study.flow.finer.runs * len(study.patterns)
    return len(own_variants(study)) * reynolds * spin_ratios + finer


def line_of(path: Path, location: Location) -> int:
    """Return the line on which an entry of a study file stands, from 1.

    Parameters
    ----------
    path : Path
        A study file that `load_study` reads.
    location : tuple
        For instance ("patterns", 0, "depths", 2); what holds it when it is not in the file.
    """
    return read_tree(path, read_study_text(path)).line(location)


def read_study_text(path: Path) -> str:
    """Return the text of a study file without a byte order mark.

    Raises
    ------
    InputError
        It cannot be read, is no regular file, is too large, or is not UTF-8.
    """
    content = given_bytes(path, LARGEST_FILE, "a study file, which is a page of YAML,")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(f"{path}:{line}: is not UTF-8 text; save the file as UTF-8") from None


def _with_value(value: Any, location: Location, tree: Tree, message: str) -> str:
    if location in tree.lines and isinstance(value, str | int | float) and "not a key here" not in message:
        return f"{shown(value)}: {message}"
    return message


def _listing(path: Path, problems: list[tuple[int, Location, str]]) -> str:
    ordered = sorted(problems, key=lambda entry: entry[0])
    lines = []
    for line, location, message in ordered[:MOST_PROBLEMS]:
        key = "".join(f"[{part}]" if isinstance(part, int) else f".{shown(part)}" for part in location)
        where = f"{path}:{line}: "
        lines.append(f"{where}{key[1:]}: {message}" if key else f"{where}{message}")
    if len(ordered) > MOST_PROBLEMS:
        lines.append(f"{path}: and {len(ordered) - MOST_PROBLEMS} more problems")
    return "\n".join(lines)
