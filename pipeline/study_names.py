"""Names in a study file: safe ones that become folders, titles for people, no two alike."""

import re
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from pipeline.fields import problem

SAFE_NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"


def _safe_name(value: str) -> str:
    if not re.fullmatch(SAFE_NAME, value):
        raise problem(
            "is not a safe file name; use up to 64 letters, digits, - and _, the first a letter or a digit"
        )
    return value


def _title(value: str) -> str:
    if not value.strip() or not value.isprintable():
        raise problem("is empty or has control characters; use plain printable text")
    return value.strip()


def distinct_names(sections: list[Any]) -> list[Any]:
    """Refuse two sections of one name (whatever its case), return the list as it is."""
    seen: dict[str, int] = {}
    for position, section in enumerate(sections):
        name = section.name.casefold()  # some file systems do not tell "A" from "a"
        if name in seen:
            raise problem(
                f'entries {seen[name] + 1} and {position + 1} are both named "{section.name}"; rename one'
            )
        seen[name] = position
    return sections


SafeName = Annotated[
    str, Field(min_length=1, json_schema_extra={"pattern": SAFE_NAME}), AfterValidator(_safe_name)
]
Title = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_title)]
