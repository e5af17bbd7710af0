"""Errors that a user can mend, each with the exit code it ends the program with."""


class DepthlineError(Exception):
    """Base of the errors that end a command with one line on standard error.

    The message is that line: what is wrong, where (file, key, value), and what would be right.
    """

    exit_code = 1


class InputError(DepthlineError):
    """The input is wrong; nothing was written."""

    exit_code = 2


class MissingError(DepthlineError):
    """Something that the command needs is not on this machine."""

    exit_code = 3
