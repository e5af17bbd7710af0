"""Forms of JSON values: what keys and kinds of values a file must hold, and the first place that differs."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Form = Any
"""`str` or `bool`; a `Number`; an `OneOf`; `Maybe(form)`; `[form]` for a list; `{key: form}` for an object
with at least these keys, where a key that ends in "?" may be absent; `Values(form)` for an object with any
keys; or a function from a value to its first fault, None where it has none."""


@dataclass(frozen=True)
class Number:
    """A finite number within a range, its ends included."""

    lowest: float = -math.inf
    highest: float = math.inf


@dataclass(frozen=True)
class OneOf:
    """One of some words."""

    words: tuple[str, ...]


@dataclass(frozen=True)
class Maybe:
    """A value of a form, or null."""

    form: Form


@dataclass(frozen=True)
class Values:
    """An object whose values are all of one form."""

    form: Form


def fault(value: Any, form: Form, at: str = "") -> str | None:
    """First place where a value is not of its form.

    Parameters
    ----------
    value : object
        From `json.loads`.
    form : Form
        What it should be.
    at : str
        Where the value stands, for the message.

    Returns
    -------
    str or None
        "PLACE is missing", or "PLACE is not WHAT IT SHOULD BE"; None when all is well.
    """
    if isinstance(form, Maybe):
        return None if value is None else fault(value, form.form, at)
    if isinstance(form, Values):
        if not isinstance(value, dict):
            return f"{at or 'it'} is not an object"
        return _first(fault(each, form.form, _below(at, key)) for key, each in value.items())
    if isinstance(form, dict):
        return _object_fault(value, form, at)
    if isinstance(form, list):
        if not isinstance(value, list):
            return f"{at or 'it'} is not a list"
        return _first(fault(each, form[0], f"{at}[{place}]") for place, each in enumerate(value))
    if not isinstance(form, type | Number | OneOf):
        rule: Callable[[Any], str | None] = form
        return rule(value)
    wrong = _what_it_should_be(value, form)
    return None if wrong is None else f"{at or 'it'} is not {wrong}"


def _what_it_should_be(value: Any, form: Form) -> str | None:
    if form is str:
        return None if isinstance(value, str) else "text"
    if form is bool:
        return None if isinstance(value, bool) else "true or false"
    if isinstance(form, OneOf):
        return None if value in form.words else f"one of {', '.join(form.words)}"
    if isinstance(form, Number):
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if number and form.lowest <= value <= form.highest:
            return None
        if not (math.isfinite(form.lowest) or math.isfinite(form.highest)):
            return "a finite number"
        upper = f" to {form.highest:g}" if math.isfinite(form.highest) else " up"
        return f"a number from {form.lowest:g}{upper}"
    raise TypeError(f"{form!r} is no form")


def _object_fault(value: Any, form: Mapping[str, Form], at: str) -> str | None:
    if not isinstance(value, dict):
        return f"{at or 'it'} is not an object"
    for key, of_key in form.items():
        name = key.removesuffix("?")
        if name in value:
            if found := fault(value[name], of_key, _below(at, name)):
                return found
        elif not key.endswith("?"):
            return f'the key "{_below(at, name)}" is missing'
    return None


def _below(at: str, key: str) -> str:
    return f"{at}.{key}" if at else key


def _first(found: Any) -> str | None:
    return next((each for each in found if each), None)
