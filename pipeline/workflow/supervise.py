"""Starts the workflow engine, shows how far it is, and passes interrupts on to it."""

import contextlib
import os
import re
import signal
import subprocess
from pathlib import Path
from typing import IO, Any, TextIO

from pipeline.ending import PREFIX
from pipeline.workflow.engine import environment
from pipeline.workflow.progress import Clock, show
from pipeline.workflow.results_lock import name_engine


def supervise(arguments: list[str], results: Path, log: IO[bytes], clock: Clock, lock: TextIO) -> int:
    """Start the engine and show its progress until it ends.

    Parameters
    ----------
    arguments : list of str
        From `pipeline.workflow.engine.command`.
    results : Path
        Folder in which it works.
    log : file
        Gets all that it prints.
    clock : Clock
        Estimates the time that is left.
    lock : file
        From `pipeline.workflow.results_lock.locked_results`; the engine inherits it.

    Returns
    -------
    int
        Its exit code.

    Raises
    ------
    KeyboardInterrupt
        This process was interrupted or made to end; the engine has ended too, and each solver has written its
        state.
    """
    engine = subprocess.Popen(
        arguments, stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=environment(),
        cwd=results, start_new_session=True, pass_fds=[lock.fileno()],
    )  # fmt: skip
    name_engine(lock, engine.pid)
    # A closed terminal ends us as a command would, unless that was asked to be ignored (nohup).
    ours = [signal.SIGTERM, *([signal.SIGHUP] if signal.getsignal(signal.SIGHUP) != signal.SIG_IGN else [])]
    before = {number: signal.signal(number, _interrupt) for number in ours}
    try:
        show(clock, engine)
    except KeyboardInterrupt:
        # The engine passes it on; each solver writes its state and ends.
        with contextlib.suppress(ProcessLookupError):  # it may have ended at the same moment
            os.killpg(engine.pid, signal.SIGINT)
        engine.wait()
        raise
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return engine.returncode


def complaints(log: Path) -> list[str]:
    """What the stations complained of, from the log of the engine, each line once."""
    found = re.findall(rf"^{PREFIX}(.*)$", log.read_text(errors="replace"), re.MULTILINE)
    return list(dict.fromkeys(found))


def _interrupt(_number: int, _frame: Any) -> None:
    raise KeyboardInterrupt
