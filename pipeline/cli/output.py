"""Output of commands: tables and JSON on standard output, messages on standard error.

Texts are printed as they are: square brackets and colons of a path or a reason are not taken for the terminal
library's markup or its emoji.
"""

import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from rich.console import Console
from rich.progress import Progress

from pipeline.ending import WARNING, coloured, plain
from pipeline.files.clean_numbers import clean_json

PLAIN_SECONDS = 10.0
"""Between two lines of progress where there is no terminal to show a bar."""

PIPE_WIDTH = 140
"""Columns when the output is no terminal, so that a log keeps every column of a table."""


def tables() -> Console:
    """Return the console for tables."""
    width = None if sys.stdout.isatty() else PIPE_WIDTH
    return Console(width=width, highlight=False, markup=False, emoji=False)


def messages() -> Console:
    """Return the console for messages and progress."""
    return Console(stderr=True, highlight=False, soft_wrap=True, markup=False, emoji=False)


def print_json(value: Mapping[str, object]) -> None:
    """Print one JSON object on standard output, its numbers clean; NaN and infinities are refused."""
    print(json.dumps(clean_json(value), indent=1, ensure_ascii=False, allow_nan=False))


def warn(lines: list[str]) -> None:
    """Print warnings on standard error, one line each."""
    for line in lines:
        print(coloured(f"{WARNING}{plain(line)}"), file=sys.stderr)


@contextmanager
def shown_progress(what: str) -> Iterator[Callable[[float], None]]:
    """Show how far a computation is, on standard error: a bar on a terminal, else a line now and then.

    Parameters
    ----------
    what : str
        What is computed, for instance "laying out ico332".

    Yields
    ------
    callable
        To be called with the share that is done, from 0 to 1.
    """
    if not sys.stderr.isatty():
        last = time.monotonic()

        def say(share: float) -> None:
            nonlocal last
            if time.monotonic() - last >= PLAIN_SECONDS:
                last = time.monotonic()
                print(f"{what}: {100 * share:.0f} %", file=sys.stderr, flush=True)

        yield say
        return
    with Progress(console=messages(), transient=True) as progress:
        task = progress.add_task(what, total=1.0)
        yield lambda share: progress.update(task, completed=share)
