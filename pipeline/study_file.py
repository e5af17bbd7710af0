"""Reading a study file: YAML data only, every problem reported at once with its line."""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml
from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.study import Study

LARGEST_FILE = 256 * 1024
"""Bytes; a study of 200 patterns needs under 100 kB."""
DEEPEST_LEVEL = 16
MOST_PROBLEMS = 50

Location = tuple[str | int, ...]


@dataclass
class _Tree:
    """The data of a YAML file, where each entry stands, and what is wrong with it as YAML."""

    data: Any = None
    lines: dict[Location, int] = field(default_factory=dict)
    problems: list[tuple[int, Location, str]] = field(default_factory=list)


def load_study(path: Path) -> Study:
    """Read and validate a study file.

    Parameters
    ----------
    path : Path
        YAML file, UTF-8.

    Returns
    -------
    Study
        SI values; layout files as absolute paths.

    Raises
    ------
    InputError
        The file cannot be read, is not YAML, or is not a study. Every problem found is one line
        "FILE:LINE: KEY: VALUE: what is wrong; what would be right".
    """
    path = Path(path)
    tree = _read_tree(path, _read_text(path))
    problems = list(tree.problems)
    already = {location for _, location, _ in problems}
    study = None
    try:
        study = Study.model_validate(tree.data, by_alias=True, by_name=False, context={"folder": path.parent})
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            location = detail["loc"]
            if location not in already:
                message = _with_value(detail["input"], location, tree.lines, detail["msg"])
                problems.append((_line_of(location, tree.lines), location, message))
    if study is None or problems:
        raise InputError(_listing(path, problems))
    return study


def _read_text(path: Path) -> str:
    try:
        with open(path, "rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read ({reason}); give the path of a study file") from None
    if len(content) > LARGEST_FILE:
        raise InputError(f"{path}: is larger than {LARGEST_FILE // 1024} KiB; a study file is a page of YAML")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(f"{path}:{line}: is not UTF-8 text; save the file as UTF-8") from None


def _read_tree(path: Path, text: str) -> _Tree:
    """Read YAML events into plain data; aliases, anchors, tags and second documents are refused."""
    try:
        tree = _Builder(path).build(text)
    except yaml.MarkedYAMLError as error:
        # a quote left open is found at the end of the file; say where it was opened
        unfinished = "end of stream" in str(error.problem)
        mark = (error.context_mark if unfinished else None) or error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise InputError(f"{path}:{line}: {_yaml_reason(str(error.problem or error.context))}") from None
    except yaml.reader.ReaderError as error:
        line = text[: error.position].count("\n") + 1
        raise InputError(
            f"{path}:{line}: holds a control character (code {error.character}); a study file is plain text"
        ) from None
    if not isinstance(tree.data, dict):
        what = "is empty" if tree.data is None else "is not a group of keys"
        raise InputError(f"{path}:1: {what}; write for instance name: demo, and the other keys below it")
    return tree


def _yaml_reason(reason: str) -> str:
    if "'\\t'" in reason or "\t" in reason:
        return "holds a tab; YAML is indented with spaces"
    return f"is not YAML ({reason}); check indentation, colons, quotes and brackets"


class _Builder:
    """Builds plain data from YAML events.

    The core schema of YAML 1.2 is used: `9e4` is a number, `no` is a text and `12:30` is not base sixty.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tree = _Tree()

    def build(self, text: str) -> _Tree:
        self.events = yaml.parse(text, Loader=yaml.SafeLoader)
        documents = 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._refusal(event, "holds a second document; remove '---' and what follows")
                self.tree.data = self._value(next(self.events), ())
        return self.tree

    def _refusal(self, event: yaml.Event, message: str) -> InputError:
        return InputError(f"{self.path}:{_line(event)}: {message}")

    def _value(self, event: yaml.Event, location: Location) -> Any:
        self.tree.lines.setdefault(location, _line(event))
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise self._refusal(event, "holds an anchor or alias (& or *); write the values out")
        if tag := getattr(event, "tag", None):
            raise self._refusal(event, f"holds a tag ({_shown(tag)}); write the value without it")
        if len(location) > DEEPEST_LEVEL:
            raise self._refusal(event, f"is nested deeper than {DEEPEST_LEVEL} levels; no study needs that")
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(location)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(location)
        assert isinstance(event, yaml.ScalarEvent)
        return self._scalar(event, location)

    def _mapping(self, location: Location) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for event in self.events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent) or event.anchor or event.tag:
                raise self._refusal(event, "has a key that is not plain text; write KEY: VALUE")
            key, line = event.value, _line(event)
            here = (*location, key)
            if key in found:
                message = f"is given twice (first on line {self.tree.lines[here]}); keep one"
                self.tree.problems.append((line, here, message))
            else:
                self.tree.lines[here] = line
            value = self._value(next(self.events), here)
            found.setdefault(key, value)
        return found

    def _sequence(self, location: Location) -> list[Any]:
        found: list[Any] = []
        for event in self.events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            found.append(self._value(event, (*location, len(found))))
        return found

    def _scalar(self, event: yaml.ScalarEvent, location: Location) -> Any:
        text = event.value
        if not text.isprintable() and any(0xD800 <= ord(character) < 0xE000 for character in text):
            raise self._refusal(event, "holds half a character (a lone surrogate); write plain text")
        if not event.implicit[0] or event.style:
            return text
        if text in ("", "~", "null", "Null", "NULL"):
            if location:
                message = "is empty; give it a value, or remove the key"
                if (
                    isinstance(location[-1], str) and location[-1][:1].isdigit()
                ):  # "{mass: 45,9 g}" reads as two keys
                    message = "is empty; when a decimal comma was meant, write a point"
                self.tree.problems.append((_line(event), location, message))
            return None
        if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
            return text[0] in "tT"
        if re.fullmatch(r"[+-]?[0-9]{1,18}", text):
            return int(text)
        if re.fullmatch(r"[+-]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][+-]?[0-9]+)?", text):
            return float(text)
        return text


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


def _line_of(location: Location, lines: dict[Location, int]) -> int:
    """Return the line of a location, or of what holds it when it is missing."""
    while location not in lines and location:
        location = location[:-1]
    return lines.get(location, 1)


def _with_value(value: Any, location: Location, lines: dict[Location, int], message: str) -> str:
    if location in lines and isinstance(value, str | int | float) and "not a key here" not in message:
        return f"{_shown(value)}: {message}"
    return message


def _shown(value: Any) -> str:
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text if len(text) <= 60 else text[:59] + "…"


def _listing(path: Path, problems: list[tuple[int, Location, str]]) -> str:
    ordered = sorted(problems, key=lambda entry: entry[0])
    lines = []
    for line, location, message in ordered[:MOST_PROBLEMS]:
        key = "".join(f"[{part}]" if isinstance(part, int) else f".{_shown(part)}" for part in location)
        where = f"{path}:{line}: "
        lines.append(f"{where}{key[1:]}: {message}" if key else f"{where}{message}")
    if len(ordered) > MOST_PROBLEMS:
        lines.append(f"{path}: and {len(ordered) - MOST_PROBLEMS} more problems")
    return "\n".join(lines)
