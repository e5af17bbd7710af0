"""Where commands print: tables and JSON on standard output, messages on standard error.

Texts are printed as they are: square brackets and colons of a path or a reason are not taken for the terminal
library's markup or its emoji.
"""

import json
import sys
from typing import Any

from rich.console import Console

from pipeline.cli.ending import plain

PIPE_WIDTH = 140
"""Columns when the output is no terminal, so that a log keeps every column of a table."""


def tables() -> Console:
    """Return the console for tables."""
    width = None if sys.stdout.isatty() else PIPE_WIDTH
    return Console(width=width, highlight=False, markup=False, emoji=False)


def messages() -> Console:
    """Return the console for messages and progress."""
    return Console(stderr=True, highlight=False, soft_wrap=True, markup=False, emoji=False)


def print_json(value: dict[str, Any]) -> None:
    """Print one JSON object on standard output; NaN and infinities are refused."""
    print(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False))


def warn(lines: list[str]) -> None:
    """Print warnings on standard error, one line each."""
    for line in lines:
        print(f"warning: {plain(line)}", file=sys.stderr)
