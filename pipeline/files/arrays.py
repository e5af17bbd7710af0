"""Reads array archives (.npz) of the results whole, or reports that they are broken."""

import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import MADE_AGAIN, Broken, InputError

# What numpy and zipfile raise for bytes that are no archive, were cut off, or were changed.
_FAULTS = (
    AttributeError, EOFError, IndexError, MemoryError, NotImplementedError, OverflowError, RuntimeError,
    SyntaxError, TypeError, UnicodeError, ValueError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip


def read_archive(path: Path, names: Sequence[str] | None = None) -> dict[str, NDArray[Any]]:
    """Read the arrays of an archive.

    Parameters
    ----------
    path : Path
        The file.
    names : sequence of str, optional
        Arrays that must be there; all that are there when absent.

    Returns
    -------
    dict of ndarray
        By name.

    Raises
    ------
    InputError
        If it is missing.
    Broken
        If it is no archive, is cut off, lacks an array, or holds objects.
    """
    try:
        with np.load(path, allow_pickle=False) as archive:
            return {name: archive[name] for name in (archive.files if names is None else names)}
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the station before this one has not finished") from None
    except OSError as error:
        raise Broken(path, error.strerror or str(error)[:80], MADE_AGAIN) from None
    except KeyError as error:
        raise Broken(path, f"lacks {error.args[0]}"[:80], MADE_AGAIN) from None
    except _FAULTS:
        raise Broken(path, "no array archive, or cut off, or its bytes were changed", MADE_AGAIN) from None
