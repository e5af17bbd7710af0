"""Field types of the study model: quantities, plain numbers, and sections that refuse unknown keys.

Every message is written to stand after "FILE:LINE: KEY: VALUE: ".
"""

import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self, get_origin

from pydantic import (
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ModelWrapValidatorHandler,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, InitErrorDetails, PydanticCustomError, core_schema

from pipeline.study.units import LONGEST, NUMBER, Kind, QuantityError, parse_quantity, quantity_pattern

PROBLEM = "depthline"
"""Error type of messages that are already in their final wording."""


def problem(message: str) -> PydanticCustomError:
    """Return a pydantic error with a final message (braces in it are not taken as placeholders)."""
    return PydanticCustomError(PROBLEM, "{message}", {"message": message})


def from_study_file(info: ValidationInfo) -> bool:
    """Whether a study file is being read (quantities are texts with units) rather than SI values."""
    return bool(info.context and "folder" in info.context)


@dataclass(frozen=True)
class Quantity:
    """Annotation of a float that a study file writes with a unit and Python holds in SI.

    Parameters
    ----------
    kind : Kind
        What it is.
    lowest, highest : str
        The range, ends included, in trade units.
    example : str
        A sensible value, for messages and for the JSON Schema.
    """

    kind: Kind
    lowest: str
    highest: str
    example: str

    @cached_property
    def _range(self) -> tuple[float, float]:
        return parse_quantity(self.lowest, self.kind), parse_quantity(self.highest, self.kind)

    def _in_range(self, value: float) -> bool:
        low, high = self._range
        return low <= value <= high

    def _validate(self, value: Any, info: ValidationInfo) -> float:
        if isinstance(value, str):
            number = self._read(value)
        elif isinstance(value, bool) or not isinstance(value, (int, float)):
            raise problem(
                f'is not {self.kind.name}; write a number and its unit, for instance "{self.example}"'
            )
        elif from_study_file(info):
            raise problem(f'has no unit; write for instance "{self._with_unit(str(value))}"')
        else:
            number = float(value)
        if not self._in_range(number):
            raise problem(f"is outside the range {self.lowest} to {self.highest}")
        return number

    def _read(self, text: str) -> float:
        if len(text) <= LONGEST and re.fullmatch(NUMBER, text.strip()):
            raise problem(f'has no unit; write for instance "{self._with_unit(text.strip())}"')
        try:
            return parse_quantity(text, self.kind)
        except QuantityError as error:
            raise problem(str(error)) from None

    def _with_unit(self, number: str) -> str:
        """Return the number with the example's unit where that is in range, else the example."""
        suggestion = f"{number} {self.example.split(maxsplit=1)[1]}"
        try:
            return suggestion if self._in_range(parse_quantity(suggestion, self.kind)) else self.example
        except QuantityError:
            return self.example

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "string", "pattern": quantity_pattern(self.kind), "examples": [self.example]}


@dataclass(frozen=True)
class Number:
    """Annotation of a plain number within a range.

    Parameters
    ----------
    lowest, highest : float
        The range, ends included.
    example : float
        A sensible value, for messages and for the JSON Schema.
    whole : bool
        Whether only whole numbers will do; they are returned as int.
    """

    lowest: float
    highest: float
    example: float
    whole: bool = False

    def _validate(self, value: Any) -> float | int:
        wanted = "a whole number" if self.whole else "a number"
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise problem(f"is not {wanted}; write for instance {_plain(self.example)}")
        if self.whole and value != int(value):
            raise problem(f"is not a whole number; write for instance {_plain(self.example)}")
        if not self.lowest <= value <= self.highest:
            raise problem(f"is outside the range {_plain(self.lowest)} to {_plain(self.highest)}")
        return int(value) if self.whole else float(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        kind = "integer" if self.whole else "number"
        return {"type": kind, "minimum": self.lowest, "maximum": self.highest, "examples": [self.example]}


def _plain(number: float) -> str:
    return f"{number:g}".replace("e-0", "e-").replace("e+0", "e")


AUTO = "auto"
"""Stands in a study file for a list that is worked out from the rest of the study."""


@dataclass(frozen=True)
class OrAuto:
    """Annotation of a list that a study file may leave to be worked out: `auto`, kept as an empty list.

    Parameters
    ----------
    example : str
        A sensible list, for messages.
    """

    example: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        listed = handler(source)
        return core_schema.no_info_wrap_validator_function(
            self._validate,
            listed,
            serialization=core_schema.plain_serializer_function_ser_schema(lambda value: value or AUTO),
        )

    def _validate(self, value: Any, handler: Callable[[Any], Any]) -> Any:
        if value == AUTO:
            return []
        if isinstance(value, str):
            raise problem(f"is not a list; write for instance {self.example}, or {AUTO}")
        return handler(value)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"anyOf": [{"const": AUTO}, handler(schema)]}


def distinct(key: Callable[[float], str]) -> Callable[[list[float]], list[float]]:
    """Return a validator that refuses values whose `key` (their name in paths) is the same."""

    def check(values: list[float]) -> list[float]:
        seen: dict[str, int] = {}
        for position, value in enumerate(values):
            name = key(value)
            if name in seen:
                raise problem(
                    f"values {seen[name] + 1} and {position + 1} are the same to the digits kept ({name}); "
                    "keep one of them"
                )
            seen[name] = position
        return values

    return check


class Section(BaseModel):
    """A group of keys of the study file.

    The attribute's name carries the SI unit (`depth_m`); its alias is the key in the study file (`depth`).
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_by_name=True, validate_by_alias=True, allow_inf_nan=False
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Yield (key, message) for combinations of keys that are wrong whatever their values.

        Parameters
        ----------
        given : mapping
            Values as given, by study-file key.
        """
        yield from ()

    @model_validator(mode="wrap")
    @classmethod
    def _explain(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        """Validate, and turn every problem into its final wording, all of them at once."""
        found: list[InitErrorDetails] = []
        section = None
        try:
            section = handler(data)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                if detail["type"] == "default_factory_not_called":
                    continue  # a default that depends on a key that is wrong itself
                found.append(
                    InitErrorDetails(
                        type=problem(cls._wording(detail)), loc=detail["loc"], input=detail["input"]
                    )
                )
        if isinstance(data, Mapping):
            given: dict[str, object] = {cls._key(name): value for name, value in data.items()}
            for key, message in cls.key_rules(given):
                found.append(InitErrorDetails(type=problem(message), loc=(key,), input=given.get(key, data)))
        if section is None or found:
            raise ValidationError.from_exception_data(cls.__name__, found)
        return section

    @classmethod
    def _wording(cls, detail: Any) -> str:
        kind, message, location = detail["type"], detail["msg"], detail["loc"]
        if kind == PROBLEM:
            return str(message)
        key = str(location[-1]) if location else ""
        field = cls._field(key)
        if kind == "missing":
            return f"is missing; write for instance {_example(key, field)}"
        if kind == "extra_forbidden":
            return f"is not a key here; {cls._nearest_key(key)}"
        if kind == "literal_error":
            choices = re.findall(r"'([^']*)'", detail["ctx"]["expected"])
            nearest = difflib.get_close_matches(str(detail["input"])[:LONGEST], choices, n=1)
            hint = f'; did you mean "{nearest[0]}"?' if nearest else ""
            return f"is not one of {', '.join(choices)}{hint}"
        if kind == "list_type":
            return f"is not a list; write for instance {_example(key, field)}"
        if kind in ("model_type", "model_attributes_type", "dict_type"):
            return "is not a group of keys; write the keys below it, indented, one a line"
        if kind in ("too_short", "string_too_short"):
            return f"is empty; write for instance {_example(key, field)}"
        if kind == "too_long":
            return f"has more than {detail['ctx']['max_length']} entries; split the study"
        if kind == "string_too_long":
            return f"is longer than {detail['ctx']['max_length']} characters"
        if kind == "bool_type":
            return "is not true or false; write one of the two"
        if kind == "string_type":
            return 'is not text; put it in quotes ("...") when it looks like a number'
        return str(message)[0].lower() + str(message)[1:]

    @classmethod
    def _field(cls, key: str) -> FieldInfo | None:
        for name, field in cls.model_fields.items():
            if key in (name, field.alias):
                return field
        return None

    @classmethod
    def _key(cls, name: str) -> str:
        """Return the study file's key of an attribute; a key already, or an unknown name, as it is."""
        field = cls.model_fields.get(name)
        return (field.alias if field else None) or name

    @classmethod
    def _nearest_key(cls, key: str) -> str:
        keys = [cls._key(name) for name in cls.model_fields]
        nearest = difflib.get_close_matches(key[:LONGEST], keys, n=1)
        return f'did you mean "{nearest[0]}"?' if nearest else f"the keys here are {', '.join(keys)}"


def _example(key: str, field: FieldInfo | None) -> str:
    """Return "KEY: EXAMPLE" from the field's own example or from that of its annotation."""
    if field is None:
        return f"{key}: ..."
    if field.examples:
        example = field.examples[0]
        shown = f"[{', '.join(map(str, example))}]" if isinstance(example, list) else str(example)
        return f"{key}: {shown}"
    for mark in field.metadata:
        if isinstance(mark, Quantity):
            return f"{key}: {mark.example}"
        if isinstance(mark, Number):
            return f"{key}: {_plain(mark.example)}"
    if get_origin(field.annotation) is list:
        return f'"{key}:" and its entries below it, each begun with "- "'
    return f'"{key}:" and its keys below it, indented'
