"""One process at a time computes a run, even where a queue has started it twice."""

import errno
import fcntl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.flow.campaign.provenance import RESULT

LOCK = ".lock"

POLL_SECONDS = 0.5


@contextmanager
def alone(folder: Path) -> Iterator[bool]:
    """Hold a run's folder while the block lasts; wait for whoever holds it.

    A node that the queue has given up may go on computing while its job begins anew elsewhere. The lock is
    one of POSIX, which shared file systems pass on from node to node; where one does not, nothing is locked.

    Parameters
    ----------
    folder : Path
        Folder of the run.

    Yields
    ------
    bool
        Whether somebody else finished the run while we waited.
    """
    result = folder / RESULT
    with (folder / LOCK).open("w") as lock:
        before = _time(result)
        while True:
            try:
                fcntl.lockf(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError as error:
                if error.errno in (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS):
                    break
                if error.errno not in (errno.EACCES, errno.EAGAIN):
                    raise
            time.sleep(POLL_SECONDS)
        yield _time(result) != before


def _time(path: Path) -> int | None:
    return path.stat().st_mtime_ns if path.is_file() else None
