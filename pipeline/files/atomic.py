"""Writes files atomically: to a temporary name, then renamed."""

import fnmatch
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.files.lock import take_lock

TEMPORARY = ".*.????????"
"""Temporary names: `.NAME.` and the eight characters of `tempfile.mkstemp`."""


@contextmanager
def atomic_open(path: Path, durable: bool = True) -> Iterator[BinaryIO]:
    """Open a binary file under a temporary name and rename it to `path` when the block ends well.

    Parameters
    ----------
    path : Path
        Final name; its folder is made when missing.
    durable : bool
        Whether the content is on the disk before the rename, so that a power cut leaves the old file or the
        new one and never an empty one. False for files that are written anew when they are broken.

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
            take_lock(stream)  # so that `remove_leftovers` leaves it
            yield stream
            stream.flush()
            if durable:
                os.fsync(stream.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def remove_leftovers(folder: Path) -> list[Path]:
    """Remove the temporary files of writers that were killed.

    Parameters
    ----------
    folder : Path
        Looked through with its subfolders; need not exist.

    Returns
    -------
    list of Path
        Files that were removed: those with a temporary name of ours whose lock no process holds.
    """
    removed = []
    # Not `rglob`, which fails on a folder that another process removes meanwhile (Python 3.11).
    found = [
        Path(place, name) for place, _, names in os.walk(folder) for name in fnmatch.filter(names, TEMPORARY)
    ]
    for path in sorted(found):
        if path.is_symlink() or not path.is_file():
            continue
        try:
            with path.open("rb") as stream:
                if take_lock(stream, without=False):
                    path.unlink()
                    removed.append(path)
        except FileNotFoundError:
            continue  # renamed meanwhile
    return removed


def set_aside(path: Path, into: Path | None = None) -> Path:
    """Move a file, or a folder that stands in its place, away as NAME.broken.

    Parameters
    ----------
    path : Path
        What is broken.
    into : Path, optional
        Folder to move it into; its own when absent.

    Returns
    -------
    Path
        Where it is now. What an earlier call has left there is replaced.
    """
    path = Path(path)
    aside = (path.parent if into is None else Path(into)) / f"{path.name}.broken"
    if aside.is_dir() and not aside.is_symlink():
        shutil.rmtree(aside)
    os.replace(path, aside)
    return aside


def write_text(path: Path, text: str, durable: bool = True) -> None:
    """Write `text` (UTF-8) to `path` atomically."""
    with atomic_open(path, durable) as stream:
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
    if path.is_file() and path.read_bytes() == text.encode():
        return False
    if path.is_dir():
        set_aside(path)
    write_text(path, text, durable=False)  # an empty one is not unchanged; a study has thousands
    return True
