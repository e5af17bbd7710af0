"""Reference of the study file in Markdown, made of its schema: key, unit, range, default, meaning."""

import json
import re
from typing import Any

from pipeline.study.schema import study_schema
from pipeline.study.units import KINDS, quantity_pattern

_UNITS = {quantity_pattern(kind): kind for kind in KINDS}
_WORDS = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true or false"}

_HEAD = """\
# Study file: every key

Made from the schema by `depthline schema --markdown`; change the model in `pipeline/study`, not this page.

A study file is YAML. A quantity is a number with a unit, for instance `0.25 mm`; units are listed at the end.
Keys in **bold** must be there. Unknown keys are refused with the nearest right one, values out
of range with the range, all at once, each with its line. `depthline schema` prints the same as JSON Schema,
which makes an editor complete and check the file.
"""


def study_reference() -> str:
    """Return the page: a table of keys for the file and for every section below it."""
    schema: dict[str, Any] = dict(study_schema())
    parts = [_HEAD, _section("The file", "", schema, schema)]
    for path, name in _places(schema, schema, ""):
        parts.append(_section(f"`{path}`", name, schema["$defs"][name], schema))
    units = [f"| {kind.name} | {_listed(kind.units)} |" for kind in KINDS]
    parts.append("\n".join(["## Units", "", "| quantity | units |", "| --- | --- |", *units, ""]))
    return "\n".join(parts)


def _places(node: dict[str, Any], schema: dict[str, Any], path: str) -> list[tuple[str, str]]:
    """Where each section stands in the file, and its name in the schema; each name once, outer ones first."""
    found: list[tuple[str, str]] = []
    queue, seen = [(node, path)], set()
    while queue:
        of, at = queue.pop(0)
        for key, value in of.get("properties", {}).items():
            where = f"{at}.{key}" if at else key
            for name, listed in _references(value):
                if name not in seen:
                    seen.add(name)
                    found.append((f"{where}[]" if listed else where, name))
                    queue.append((schema["$defs"][name], f"{where}[]" if listed else where))
    return found


def _references(value: dict[str, Any], listed: bool = False) -> list[tuple[str, bool]]:
    if "$ref" in value:
        return [(value["$ref"].rsplit("/", 1)[1], listed)]
    found = _references(value["items"], True) if isinstance(value.get("items"), dict) else []
    for option in value.get("anyOf", []):
        found += _references(option, listed)
    return found


def _section(title: str, name: str, node: dict[str, Any], schema: dict[str, Any]) -> str:
    required = set(node.get("required", []))
    lines = [f"## {title}", ""]
    if name and (about := node.get("description")):
        lines += [_plain(about.split("\n\n")[0]), ""]
    lines += ["| key | value | when absent | meaning |", "| --- | --- | --- | --- |"]
    for key, value in node.get("properties", {}).items():
        shown = f"**`{key}`**" if key in required else f"`{key}`"
        absent = "must be there" if key in required else _default(value)
        meaning = value.get("description") or _of_reference(value, schema)
        lines.append(f"| {shown} | {_value(value)} | {absent} | {_plain(meaning)} |")
    return "\n".join([*lines, ""])


def _of_reference(value: dict[str, Any], schema: dict[str, Any]) -> str:
    names = _references(value)
    return str(schema["$defs"][names[0][0]].get("description", "")).split("\n\n")[0] if names else ""


def _value(value: dict[str, Any]) -> str:
    """What a key takes: a quantity with its units, a choice, a number with its range, a section, a list."""
    if names := _references(value):
        return "list of sections" if names[0][1] else "section"
    if (pattern := value.get("pattern")) in _UNITS:
        return _UNITS[pattern].name
    if "enum" in value:
        return _listed(value["enum"])
    if "const" in value:
        return f"`{value['const']}`"
    if "anyOf" in value:
        return " or ".join(_value(option) for option in value["anyOf"])
    if value.get("type") == "array":
        return f"list of: {_value(value['items'])}" if isinstance(value.get("items"), dict) else "list"
    low, high = value.get("minimum"), value.get("maximum")
    words = _WORDS.get(str(value.get("type")), str(value.get("type", "")))
    return words if low is None or high is None else f"{words}, {low:g} to {high:g}"


def _listed(values: Any) -> str:
    return ", ".join(f"`{value}`" for value in values)


def _default(value: dict[str, Any]) -> str:
    if "default" not in value or value["default"] in ("", [], {}):
        return ""
    default = value["default"]
    return f"`{json.dumps(default)}`" if not isinstance(default, str) else f"`{default}`"


def _plain(text: str) -> str:
    """Text in one line of a table."""
    return re.sub(r"\s+", " ", text).replace("|", "\\|").strip()
