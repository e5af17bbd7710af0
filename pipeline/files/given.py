"""Reads files that people give: regular, of bounded size, text in UTF-8 or a recognised encoding."""

import os
import stat
from pathlib import Path

from pipeline.errors import InputError

_OTHER_FORMATS = (
    (b"\xd0\xcf\x11\xe0", "a spreadsheet's own format (.xls)"),
    (b"\x1f\x8b", "compressed (gzip)"),
    (b"BZh", "compressed (bzip2)"),
    (b"\xfd7zXZ", "compressed (xz)"),
    (b"\x28\xb5\x2f\xfd", "compressed (Zstandard)"),
    (b"%PDF", "a PDF"),
    (b"PAR1", "a Parquet file"),
    (b"\xff\xfe", "text in UTF-16"),
    (b"\xfe\xff", "text in UTF-16"),
)
"""First bytes of files that are given in place of plain text, and what they are."""


def given_bytes(path: Path, largest_bytes: int, wanted: str) -> bytes:
    """Read a file from a user; neither a pipe that never ends nor a file too large is waited for.

    Parameters
    ----------
    path : Path
        A regular file, or a link to one.
    largest_bytes : int
        Size that is refused when exceeded; no more than this is ever read.
    wanted : str
        What the file should be, for messages: "a CSV of launches".

    Returns
    -------
    bytes
        Its content.

    Raises
    ------
    InputError
        There is no such file, it cannot be read, is not a regular file, or is too large.
    """
    try:
        # Without O_NONBLOCK a named pipe without a writer is waited for in the call of open itself.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file; {wanted} is needed") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read ({reason}); {wanted} is needed") from None
    too_large = f"{path}: is larger than {_size(largest_bytes)}; {wanted} is needed"
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            what = "a folder" if stat.S_ISDIR(found.st_mode) else "no regular file"
            raise InputError(f"{path}: cannot be read (it is {what}); {wanted} is needed")
        if found.st_size > largest_bytes:
            raise InputError(too_large)
        with os.fdopen(os.dup(descriptor), "rb") as stream:
            content = stream.read(largest_bytes + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); {wanted} is needed") from None
    finally:
        os.close(descriptor)
    if len(content) > largest_bytes:
        raise InputError(too_large)
    return content


def given_text(path: Path, largest_bytes: int, wanted: str) -> str:
    """Read a text file from a user, as `given_bytes` does.

    Returns
    -------
    str
        Its text, without a byte order mark.

    Raises
    ------
    InputError
        As for `given_bytes`; or it is not text in UTF-8, with its line and what it seems to be.
    """
    content = given_bytes(path, largest_bytes, wanted)
    if other := _other_format(content):
        raise InputError(f"{path}: is not text in UTF-8 but {other}; {wanted} is needed")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(f"{path}:{line}: is not text in UTF-8; {wanted} is needed") from None


def _other_format(content: bytes) -> str | None:
    if content.startswith(b"PK\x03\x04"):
        names = content[:4096]
        if b"xl/" in content or b"[Content_Types].xml" in names:
            return "a spreadsheet (.xlsx)"
        return "a ZIP archive"
    return next((what for magic, what in _OTHER_FORMATS if content.startswith(magic)), None)


def _size(number: int) -> str:
    return f"{number // 2**20} MiB" if number >= 2**20 else f"{number // 2**10} KiB"
