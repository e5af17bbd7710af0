"""Checks names in a study file: safe as folders, unique, with titles for people."""

import difflib
import os
import re
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationInfo

from pipeline.study.fields import from_study_file, problem

SAFE_NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"


def _safe_name(value: str) -> str:
    if not re.fullmatch(SAFE_NAME, value):
        raise problem(
            "is not a safe file name; use up to 64 letters, digits, - and _, the first a letter or a digit"
        )
    return value


FORMULA = "=+-@＝＋－＠"
"""First characters of a text that spreadsheets take for a formula, full-width ones too."""


def _title(value: str) -> str:
    if not value.strip() or not value.isprintable():
        raise problem("is empty or has control characters; use plain printable text")
    if value.strip()[0] in FORMULA:
        # It stands in CSV files, which people open in a spreadsheet.
        raise problem(
            "begins like a formula of a spreadsheet; begin with a letter, or anything else but =, +, - and @"
        )
    return value.strip()


def distinct_names(sections: list[Any]) -> list[Any]:
    """Refuse two sections of one name (whatever its case), return the list as it is."""
    seen: dict[str, int] = {}
    for position, section in enumerate(sections):
        name = section.name.casefold()  # for some file systems "A" is "a"
        if name in seen:
            raise problem(
                f'entries {seen[name] + 1} and {position + 1} are both named "{section.name}"; rename one'
            )
        seen[name] = position
    return sections


def found_file(value: Any, info: ValidationInfo, example: str) -> Any:
    """Return the absolute path of a file named in a study file, relative to it; anything else as it is."""
    if not from_study_file(info) or value is None:
        return value
    if not isinstance(value, str) or not value:
        raise problem(f"is not a file name; write for instance file: {example}")
    assert info.context is not None
    path = os.path.abspath(os.path.join(info.context["folder"], value))
    if os.path.exists(path) and not os.path.isfile(path):
        raise problem("is no regular file; name a file, not a folder or a pipe")
    if not os.path.isfile(path):
        raise problem("there is no such file; the path is relative to the study file")
    return Path(path)


def found_folder(value: Any, info: ValidationInfo, example: str) -> Any:
    """Return the absolute path of a folder named in a study file, relative to it; anything else as it is."""
    if not from_study_file(info) or value is None:
        return value
    if not isinstance(value, str) or not value:
        raise problem(f"is not a folder; write for instance shelf: {example}")
    assert info.context is not None
    path = os.path.abspath(os.path.join(info.context["folder"], value))
    if not os.path.isdir(path):
        raise problem("there is no such folder; the path is relative to the study file")
    return Path(path)


def balls_there(names: list[str], info: ValidationInfo) -> list[str]:
    """Refuse balls that the study's shelf does not have, and a ball that stands twice."""
    if len(set(names)) < len(names):
        raise problem(f'has "{next(n for n in names if names.count(n) > 1)}" twice; keep one')
    if not from_study_file(info) or not names or "shelf" not in info.data:
        return names
    shelf = info.data["shelf"]
    if shelf is None:
        raise problem('goes with "shelf", the folder of the balls; write for instance shelf: shelf')
    there = sorted(path.stem for path in shelf.glob("*.csv"))
    for name in names:
        if name not in there:
            near = difflib.get_close_matches(name, there, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"it has {', '.join(there[:8]) or 'no balls'}"
            raise problem(f'the shelf has no ball "{name}"; {hint}')
    return names


SafeName = Annotated[
    str, Field(min_length=1, json_schema_extra={"pattern": SAFE_NAME}), AfterValidator(_safe_name)
]
Title = Annotated[
    str,
    Field(
        min_length=1, max_length=80, json_schema_extra={"pattern": rf"^\s*[^\s{FORMULA}]".replace("-", r"\-")}
    ),
    AfterValidator(_title),
]
