"""Writing files so that nobody ever sees half of one."""

import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.errors import InputError


@contextmanager
def atomic_open(path: Path) -> Iterator[BinaryIO]:
    """Open a binary file under a temporary name and rename it to `path` when the block ends well.

    Parameters
    ----------
    path : Path
        Final name; its folder is made when missing.

    Yields
    ------
    BinaryIO
        The temporary file, in the same folder, so that the rename is atomic. When the block raises, the
        temporary file is removed and an existing `path` stays as it was.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            yield stream
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_text(path: Path, text: str) -> None:
    """Write `text` (UTF-8) to `path` atomically."""
    with atomic_open(path) as stream:
        stream.write(text.encode())


def write_json(path: Path, value: Any) -> None:
    """Write `value` as indented JSON to `path` atomically; NaN and infinities are refused."""
    write_text(path, json.dumps(value, indent=1, allow_nan=False) + "\n")


def write_json_if_changed(path: Path, value: Any) -> bool:
    """Write `value` as JSON only when the file's content would change.

    The workflow reruns what is newer than its results; an unchanged file must keep its time.

    Returns
    -------
    bool
        Whether the file was written.
    """
    text = json.dumps(value, indent=1, allow_nan=False) + "\n"
    path = Path(path)
    if path.is_file() and path.read_text() == text:
        return False
    write_text(path, text)
    return True


def read_json(path: Path) -> Any:
    """Read a JSON file of ours.

    Raises
    ------
    InputError
        If it is missing or broken.
    """
    try:
        return json.loads(Path(path).read_text())
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the station before this one has not finished") from None
    except json.JSONDecodeError as error:
        raise InputError(f"{path}:{error.lineno}: not JSON ({error.msg}); remove it and run again") from None
