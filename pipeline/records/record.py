"""Reading and writing the JSON records of a results folder; a record that is broken is refused in one line.

Every JSON file that one station writes for another is a `Record` in a module of this folder. What can be
computed again is set aside as NAME.broken (`pipeline.files.atomic.set_aside`), so that nothing is lost.
"""

import json
import math
import zipfile
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import MADE_AGAIN, Broken, InputError
from pipeline.files.atomic import write_json
from pipeline.files.clean_numbers import clean_json

LARGEST_BYTES = 256_000_000
"""No record is larger: ten times decision.json of 50 patterns."""

NotNegative = Annotated[float, Field(ge=0.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Count = Annotated[int, Field(ge=0)]
AtLeastOne = Annotated[int, Field(ge=1)]


class Part(BaseModel):
    """An object within a record: strict types, finite numbers; keys that it does not know are passed over."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


class Record(Part):
    """A JSON file of a results folder.

    Its attributes are the keys of the file. `remedy` says what to do when the file is broken; `version` is
    that of its form, which `write` puts into the file; a file without one is of version 1.
    """

    remedy: ClassVar[str] = MADE_AGAIN
    version: ClassVar[int] = 1

    def changed(self, **changes: Any) -> Self:
        """Return a copy with other values, which are checked as those of a file are."""
        return type(self).model_validate(self.content() | changes)

    def content(self) -> dict[str, object]:
        """JSON content of the file: the keys that were given or read, without the defaults of others."""
        return self.model_dump(exclude_unset=True, by_alias=True)


AnyRecord = TypeVar("AnyRecord", bound=Record)


def read(path: Path, kind: type[AnyRecord]) -> AnyRecord:
    """Read a record.

    Parameters
    ----------
    path : Path
        The file.
    kind : type of Record
        What it should be.

    Returns
    -------
    Record
        Of that kind.

    Raises
    ------
    Broken
        It is a directory, is too large, cannot be read, is no UTF-8, no JSON, not of its form, or of another
        version.
    InputError
        It is missing.
    """
    value = read_object(path, kind.remedy)
    version = value.get("version", 1)
    if version is True or version != kind.version:
        what = f"version {version!r:.20}, this Depthline knows {kind.version}"
        raise Broken(path, what, f"use the Depthline that wrote it, or {kind.remedy}")
    try:
        return kind.model_validate(value)
    except ValidationError as error:
        raise Broken(path, fault(error)[:200], kind.remedy) from None


def read_object(path: Path, remedy: str = MADE_AGAIN) -> dict[str, object]:
    """Read a JSON object of whatever keys, to compare it as a whole; raises as `read` does."""
    path = Path(path)
    try:
        if path.is_dir():
            raise Broken(path, "a directory", remedy)
        if path.stat().st_size > LARGEST_BYTES:
            raise Broken(path, f"{path.stat().st_size} bytes", remedy)
        value = json.loads(path.read_bytes().decode("utf-8"), parse_constant=_no_constant)
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the station before this one has not finished") from None
    except OSError as error:
        raise Broken(path, error.strerror or "cannot be read", remedy) from None
    except UnicodeDecodeError:
        raise Broken(path, "not UTF-8", remedy) from None
    except RecursionError:
        raise Broken(path, "nested too deeply", remedy) from None
    except ValueError as error:
        where = f"line {error.lineno}: {error.msg}" if isinstance(error, json.JSONDecodeError) else str(error)
        raise Broken(path, f"not JSON, {where}" if path.stat().st_size else "empty", remedy) from None
    if not isinstance(value, dict):
        raise Broken(path, "not a JSON object", remedy)
    return value


def write(path: Path, record: Record) -> None:
    """Write a record with its version, its numbers clean, atomically."""
    write_json(path, clean_json(record.content()) | {"version": record.version})


def finite(value: float) -> float | None:
    """Value of a record: None where it is not finite, which JSON has no word for."""
    return float(value) if math.isfinite(value) else None


def fault(error: ValidationError) -> str:
    """First fault that validation found: its place and what is wrong with it, in one line."""
    first = error.errors(include_url=False)[0]
    place = ""
    for part in first["loc"]:
        place += f"[{part}]" if isinstance(part, int) else f".{part}" if place else str(part)
    if first["type"] == "missing":
        return f'the key "{place}" is missing'
    what = str(first["msg"]).removeprefix("Value error, ").removeprefix("Input ")
    return f"{place}: {what}" if place else what


def check_archive(path: Path) -> None:
    """Look whether an array archive (.npz) is whole, by its table of contents, without reading its arrays.

    Raises
    ------
    Broken
        It is not.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            last = max(archive.infolist(), key=lambda member: member.header_offset)
            if last.header_offset + last.compress_size > path.stat().st_size:
                raise Broken(path, "cut off", MADE_AGAIN)
    except (zipfile.BadZipFile, ValueError, EOFError):
        raise Broken(path, "not an array archive, or cut off", MADE_AGAIN) from None
    except OSError as error:
        raise Broken(path, error.strerror or "cannot be read", MADE_AGAIN) from None


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")
