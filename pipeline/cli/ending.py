"""How a command ends: one line on standard error and an exit code."""

import errno
import sys
from collections.abc import Callable

from pipeline.errors import DepthlineError

PREFIX = "depthline: "
INTERRUPTED = 130


def ended_well(app: Callable[..., object]) -> int:
    """Run an application and turn what users can mend into one line and an exit code.

    Parameters
    ----------
    app : callable
        The application (it ends by SystemExit when all is well), or a function that returns an exit code.

    Returns
    -------
    int
        Exit code: 0 done, 1 some runs failed or the disk is full, 2 the input is wrong, 3 something is
        missing, 130 interrupted. A command may also return its code.
    """
    try:
        code = app()
    except DepthlineError as error:
        complain(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        complain("interrupted; the same command goes on from here")
        return INTERRUPTED
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise
        complain(f"{error.filename or 'results'}: {error.strerror}; make room and run again, nothing is lost")
        return 1
    return code if isinstance(code, int) else 0


def complain(line: str) -> None:
    """Print trouble on standard error, each of its lines with our name before it.

    What a file had in it may be in the message: characters that would steer a terminal are written out.
    """
    print("\n".join(f"{PREFIX}{_plain(part)}" for part in line.split("\n")), file=sys.stderr, flush=True)


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
