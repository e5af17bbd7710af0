"""Lock of a run's folder: one process at a time computes a run, even where a queue starts it twice."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.files.lock import take_lock
from pipeline.records.tree import LOCK, RESULT

POLL_SECONDS = 0.5


@contextmanager
def locked_run(folder: Path) -> Iterator[bool]:
    """Hold a run's folder while the block lasts; wait for whoever holds it.

    A node that the queue has given up may go on computing while its job begins anew elsewhere.

    Parameters
    ----------
    folder : Path
        Folder of the run.

    Yields
    ------
    bool
        Whether another process finished the run while this one waited.
    """
    result = folder / RESULT
    with (folder / LOCK).open("w") as lock:
        before = _time(result)
        while not take_lock(lock):
            time.sleep(POLL_SECONDS)
        yield _time(result) != before


def _time(path: Path) -> int | None:
    return path.stat().st_mtime_ns if path.is_file() else None
