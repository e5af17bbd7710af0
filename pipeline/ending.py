"""Ends a command: one line on standard error and an exit code."""

import contextlib
import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path

from pipeline.errors import DepthlineError, InputError

PREFIX = "depthline: "
WARNING = "warning: "
_RED, _YELLOW, _PLAIN = "\033[1;31m", "\033[33m", "\033[0m"
INTERRUPTED = 130

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_NOT_WRITABLE = (
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST, errno.EISDIR, errno.ENAMETOOLONG,
    errno.ELOOP,
)  # fmt: skip
"""Reasons for which a path that was given cannot be written; other errors of the system are our faults."""


def ended_well(app: Callable[..., object]) -> int:
    """Run an application and turn what users can fix into one line and an exit code.

    Parameters
    ----------
    app : callable
        The application (it ends by SystemExit when all is well), or a function that returns an exit code.

    Returns
    -------
    int
        Exit code: 0 done, 1 some runs failed or the disk is full, 2 the input is wrong or results cannot be
        written, 3 something is missing, 130 interrupted. A command may also return its code.
    """
    _open_closed_streams()
    try:
        try:
            code = app()
        except SystemExit as ended:
            code = ended.code
        sys.stdout.flush()
    except DepthlineError as error:
        _refuse(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        complain("interrupted; the same command goes on from here")
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever reads our standard output has had enough; what Python flushes at its end must not fail too.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        if error.errno in _NO_ROOM:
            full = error.filename or "results or standard output"
            _refuse(f"{full}: {error.strerror}; make room and run again, nothing is lost")
            return 1
        if error.errno in _NOT_WRITABLE and error.filename:
            _refuse(f"{_hindrance(error.filename)} ({error.strerror}); give another by --results or --out")
            return InputError.exit_code
        raise
    return code if isinstance(code, int) else 0


def _hindrance(path: str | bytes | int) -> str:
    """Name what keeps a path from being written: itself, or the nearest folder above it that there is."""
    found = Path(os.fsdecode(path)) if not isinstance(path, int) else Path(f"/dev/fd/{path}")
    while not os.path.lexists(found) and found != found.parent:
        found = found.parent
    return f"{found}: {'cannot be written' if found.is_dir() else 'is in the way of results'}"


def _open_closed_streams() -> None:
    """Open what a caller has closed of the standard streams, so that no file of ours takes their place."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            # The lowest free number, which is the stream's own unless something has been opened since.
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode))


def complain(line: str) -> None:
    """Print trouble on standard error, each of its lines with our name before it; warnings in colour.

    What a file had in it may be in the message: characters that would steer a terminal are written out.
    """
    _say(line, _YELLOW if line.startswith(WARNING) else "")


def _refuse(line: str) -> None:
    """Print what ends the command, in colour where there is a terminal."""
    _say(line, _RED)


def _say(line: str, colour: str) -> None:
    text = "\n".join(f"{PREFIX}{plain(part)}" for part in line.split("\n"))
    with contextlib.suppress(BrokenPipeError):
        print(coloured(text, colour), file=sys.stderr, flush=True)


def coloured(text: str, colour: str = _YELLOW) -> str:
    """Text for standard error in a colour, by default that of warnings.

    As it is where there is no terminal that shows colours, or where NO_COLOR is set (no-color.org).
    """
    if (
        not colour
        or os.environ.get("NO_COLOR")
        or os.environ.get("TERM") == "dumb"
        or not sys.stderr.isatty()
    ):
        return text
    return f"{colour}{text}{_PLAIN}"


def plain(text: str) -> str:
    """Write a text without characters that would steer a terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
