"""The JSON Schema of a study file, for editors that complete and check it."""

from typing import Any

from pipeline.study.model import Study


def study_schema() -> dict[str, object]:
    """Return the JSON Schema (draft 2020-12) of a study file.

    Returns
    -------
    dict
        Keys as in the study file; quantities are strings with a pattern; unknown keys are refused.
    """
    schema = _tidy(Study.model_json_schema(by_alias=True))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Depthline study",
    }


def _tidy(node: Any, names: bool = False) -> Any:
    """Drop generated titles, and the null that optional keys have in Python but not in a study file."""
    if isinstance(node, list):
        return [_tidy(entry) for entry in node]
    if not isinstance(node, dict):
        return node
    tidy = {}
    for key, value in node.items():
        if names:
            tidy[key] = _tidy(value)
        elif key == "anyOf" and {"type": "null"} in value:
            (kept,) = [entry for entry in value if entry != {"type": "null"}]
            tidy = {**_tidy(kept), **tidy}
        elif key == "default" and (value is None or "pattern" in node):
            continue  # a quantity's default is an SI number here, which a study file may not hold
        elif key != "title":
            tidy[key] = _tidy(value, names=key in ("properties", "$defs"))
    return tidy
