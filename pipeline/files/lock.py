"""Lock of an open file: one process holds it, and it ends with the last process that inherited the file."""

import errno
import fcntl
from typing import IO, Any

_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS)


def take_lock(stream: IO[Any], without: bool = True) -> bool:
    """Lock an open file, without waiting.

    Processes that inherit the open file share the lock. Shared file systems (NFS) pass it on between nodes.

    Parameters
    ----------
    stream : file
        An open file.
    without : bool
        What to return where the file system has no locks.

    Returns
    -------
    bool
        False where another process holds it.
    """
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        if error.errno in _NO_LOCKS:
            return without
        raise
    return True
