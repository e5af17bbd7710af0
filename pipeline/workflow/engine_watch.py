"""Stops a station when the workflow engine that started it has ended.

`depthline run` starts the engine in a session of its own, whose leader it is; stations and the shells between
stay in that session, on the node of a queue in that of the job's script. The leader's end is thus the end of
whoever waits, however it came about. Solvers have sessions of their own and end with their station.
"""

import os
import signal
import threading
import time

from pipeline.machine.processes import is_alive, start_time

STARTED_BY_ENGINE = "DEPTHLINE_STARTED_BY_ENGINE"
"""Set in the environment of what the engine starts; a station that is started by hand has no engine."""

POLL_SECONDS = 1.0


def leave_with_engine() -> None:
    """Send this process SIGTERM when the leader of its session ends.

    A station that computes a flow has the solver write its state then, and leaves; the others just leave.
    Nothing is watched in a process that no engine started, nor where the leader cannot be seen.
    """
    leader = os.getsid(0)
    started = start_time(leader)
    if STARTED_BY_ENGINE not in os.environ or leader == os.getpid() or started is None:
        return

    def watch() -> None:
        while is_alive(leader, started):
            time.sleep(POLL_SECONDS)
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name="engine watch", daemon=True).start()
