"""Adds depths and edge angles to the text of a study file and leaves all else in it as it is."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.errors import InputError
from pipeline.study.file import study_of
from pipeline.study.model import Study
from pipeline.study.yaml_lines import Location, Span, Tree, read_tree

Addition = tuple[float, str]
"""A value in SI and how it is written, for instance (0.00025, "0.250 mm")."""


def with_values(
    path: Path, text: str, additions: Mapping[tuple[int, str], list[Addition]], target: Path
) -> str:
    """Return the text of a study file with entries added to lists of quantities, each before the next larger.

    Parameters
    ----------
    path : Path
        The study file.
    text : str
        Its content, a study.
    additions : mapping
        Entries to add by pattern (its place in the file) and key, "depths" or "edge_angles".
    target : Path
        Where the text is going to be written; files that it names are relative to that folder.

    Returns
    -------
    str
        The new text, which is read again: it is the same study but for the entries added.

    Raises
    ------
    InputError
        The text is no study; or the new one would not be the same but for the entries, since its lists are
        written in an unusual way or it names files relative to another folder.
    """
    before = study_of(path, text)
    tree = read_tree(path, text)
    edits: list[tuple[int, str]] = []
    for (place, key), values in additions.items():
        pattern = before.patterns[place]
        there = pattern.depths_m if key == "depths" else pattern.edge_angles_rad
        edits += _edits(text, tree, ("patterns", place, key), there or [], sorted(values))
    # From the end on, so that positions before stay as they are.
    for at, piece in sorted(edits, reverse=True):
        text = text[:at] + piece + text[at:]
    try:
        as_meant = _is_same_but_for(before, study_of(target, text), additions)
    except InputError:
        as_meant = False
    if not as_meant:
        wanted = ", ".join(written for values in additions.values() for _, written in values)
        raise InputError(
            f"{target}: would not be {path} with {wanted} added; a study that names files stays in its "
            "folder, and depths are written as [A, B] or one a line; or add them by hand"
        )
    return text


def _edits(
    text: str, tree: Tree, location: Location, there: list[float], values: list[Addition]
) -> list[tuple[int, str]]:
    """Insertions, each with its position in the text, in ascending order of values at one place."""
    by_place: dict[int, list[str]] = {}
    for value, written in values:
        smaller = [place for place, known in enumerate(there) if known < value]
        by_place.setdefault(smaller[-1] if smaller else -1, []).append(written)
    entries = [tree.spans[(*location, place)] for place in range(len(there))]
    insert = _in_block if tree.spans[location].is_block else _in_brackets
    return [insert(text, entries, place, pieces) for place, pieces in by_place.items()]


def _in_brackets(text: str, entries: list[Span], place: int, pieces: list[str]) -> tuple[int, str]:
    if place < 0:
        return entries[0].start, "".join(f"{piece}, " for piece in pieces)
    return entries[place].end, "".join(f", {piece}" for piece in pieces)


def _in_block(text: str, entries: list[Span], place: int, pieces: list[str]) -> tuple[int, str]:
    near = entries[max(place, 0)]
    begin = text.rfind("\n", 0, near.start) + 1
    end = text.find("\n", near.end)
    line_end = "\r\n" if end > 0 and text[end - 1] == "\r" else "\n"
    dash = text[begin : near.start]
    lines = "".join(f"{dash}{piece}{line_end}" for piece in pieces)
    if place < 0:
        return begin, lines
    if end < 0:
        return len(text), line_end + lines.removesuffix(line_end)
    return end + 1, lines


def _is_same_but_for(
    before: Study, after: Study, additions: Mapping[tuple[int, str], list[Addition]]
) -> bool:
    for (place, key), values in additions.items():
        expected = sorted([*_listed(before, place, key), *(value for value, _ in values)])
        found = sorted(_listed(after, place, key))
        # A written value is rounded to the digits that name its folder.
        if len(found) != len(expected) or any(
            abs(one - other) > 1e-3 * abs(other) for one, other in zip(found, expected, strict=True)
        ):
            return False
    return _without(before, additions) == _without(after, additions)


def _listed(study: Study, place: int, key: str) -> list[float]:
    pattern = study.patterns[place]
    return (pattern.depths_m if key == "depths" else pattern.edge_angles_rad) or []


def _without(study: Study, lists: Iterable[tuple[int, str]]) -> Study:
    patterns = list(study.patterns)
    for place, key in lists:
        name = {"depths": "depths_m", "edge_angles": "edge_angles_rad"}[key]
        patterns[place] = patterns[place].model_copy(update={name: None})
    return study.model_copy(update={"patterns": patterns})
