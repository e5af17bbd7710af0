"""Reads the YAML of a study file as plain data with the line of each entry, and reports its faults."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from pipeline.errors import InputError

DEEPEST_LEVEL = 16

Location = tuple[str | int, ...]
"""Keys and places in lists that lead to an entry: ("patterns", 0, "depths")."""


@dataclass(frozen=True)
class Span:
    """Where an entry stands in the text.

    Attributes
    ----------
    start, end : int
        Of its first character, and after its last one.
    is_block : bool
        Whether it is a list with one entry a line, each after a dash; false for one in brackets.
    """

    start: int
    end: int
    is_block: bool = False


@dataclass
class Tree:
    """The data of a YAML file, where each entry stands, and what is wrong with it as YAML."""

    data: Any = None
    lines: dict[Location, int] = field(default_factory=dict)
    spans: dict[Location, Span] = field(default_factory=dict)
    problems: list[tuple[int, Location, str]] = field(default_factory=list)

    def line(self, location: Location) -> int:
        """Line of an entry, or of what holds it when it is missing."""
        while location not in self.lines and location:
            location = location[:-1]
        return self.lines.get(location, 1)


def read_tree(path: Path, text: str) -> Tree:
    """Read YAML into plain data; aliases, anchors, tags and second documents are refused.

    Parameters
    ----------
    path : Path
        Of the file, for messages.
    text : str
        Its content.

    Returns
    -------
    Tree
        Its data is a mapping. The core schema of YAML 1.2 is used: `9e4` is a number, `no` is a text and
        `12:30` is not base sixty.

    Raises
    ------
    InputError
        One line, whatever the text holds.
    """
    builder = _Builder(path)
    try:
        tree = builder.build(text)
    except InputError:
        raise
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
    except Exception as error:
        # The parser lets errors of Python through: that of chr() for an escape beyond Unicode, of int() for
        # the number of a directive. Whatever it is, the file is at fault, and none may end in a traceback.
        reason = str(error).splitlines()[0][:80] if str(error) else type(error).__name__
        raise InputError(f"{path}:{builder.line}: {_yaml_reason(reason)}") from None
    if not isinstance(tree.data, dict):
        what = "is empty" if tree.data is None else "is not a group of keys"
        raise InputError(f"{path}:1: {what}; write for instance name: demo, and the other keys below it")
    return tree


def _yaml_reason(reason: str) -> str:
    if "'\\t'" in reason or "\t" in reason:
        return "holds a tab; YAML is indented with spaces"
    return f"is not YAML ({reason}); check indentation, colons, quotes and brackets"


class _Builder:
    """Builds plain data from YAML events."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tree = Tree()
        self.line = 1
        """Line that was reached."""

    def build(self, text: str) -> Tree:
        self.events = self._parsed(text)
        documents = 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._refusal(event, "holds a second document; remove '---' and what follows")
                if event.tags:
                    raise self._refusal(event, "holds a %TAG directive; remove it")
                self.tree.data = self._value(next(self.events), ())
        return self.tree

    def _parsed(self, text: str) -> Iterator[yaml.Event]:
        loader = yaml.SafeLoader(text)
        try:
            while loader.check_event():
                yield loader.get_event()
        finally:
            self.line = loader.line + 1
            loader.dispose()

    def _refusal(self, event: yaml.Event, message: str) -> InputError:
        return InputError(f"{self.path}:{_line(event)}: {message}")

    def _value(self, event: yaml.Event, location: Location) -> Any:
        self.tree.lines.setdefault(location, _line(event))
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise self._refusal(event, "holds an anchor or alias (& or *); write the values out")
        if tag := getattr(event, "tag", None):
            raise self._refusal(event, f"holds a tag ({shown(tag)}); write the value without it")
        if len(location) > DEEPEST_LEVEL:
            raise self._refusal(event, f"is nested deeper than {DEEPEST_LEVEL} levels; no study needs that")
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(location)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(event, location)
        assert isinstance(event, yaml.ScalarEvent)
        self.tree.spans[location] = _span(event, event)
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

    def _sequence(self, start: yaml.SequenceStartEvent, location: Location) -> list[Any]:
        found: list[Any] = []
        for event in self.events:
            if isinstance(event, yaml.SequenceEndEvent):
                self.tree.spans[location] = _span(start, event, not start.flow_style)
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


def _span(first: yaml.Event, last: yaml.Event, is_block: bool = False) -> Span:
    assert first.start_mark is not None and last.end_mark is not None
    return Span(first.start_mark.index, last.end_mark.index, is_block)


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


def shown(value: Any) -> str:
    """Write a value of a file for a message: short, and without characters that would steer a terminal."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)
    text = text[:61]
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text if len(text) <= 60 else text[:59] + "…"
