"""Errors that a user can fix, each with the exit code that it ends the program with."""

from pathlib import Path

MADE_AGAIN = "depthline run sets it aside and makes it again"
"""What becomes of a broken file of the results."""


class DepthlineError(Exception):
    """Base of the errors that end a command with one line on standard error.

    The message is that line: what is wrong, where (file, key, value), and what would be right.
    """

    exit_code = 1


class InputError(DepthlineError):
    """The input is wrong; nothing was written."""

    exit_code = 2


class Broken(InputError):
    """A file of the results that cannot be used; `what` is wrong with it."""

    def __init__(self, path: Path, what: str, remedy: str) -> None:
        super().__init__(f"{path}: is broken ({what}); {remedy}")
        self.path, self.what = Path(path), what


class MissingError(DepthlineError):
    """Something that the command needs is not on this machine."""

    exit_code = 3
