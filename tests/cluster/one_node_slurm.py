"""A Slurm cluster of one node on the loopback address, brought up by hand: no systemd, nothing left behind.

slurmctld, slurmd and munged run with configuration, key, sockets and spool below one folder, as the user who
runs the tests. The distribution's packages slurmctld, slurmd, slurm-client and munge are enough.
"""

import os
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

PATIENCE = 300.0
"""Seconds for anything to come about: a machine may have other work."""

DAEMONS = ("munged", "slurmctld", "slurmd")
PACKAGES = "slurmctld slurmd slurm-client munge"

CONFIGURATION = """\
ClusterName=loopback
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={controller_port}
SlurmdPort={node_port}
SlurmUser={user}
SlurmdUser={user}
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CryptoType=crypto/munge
CommunicationParameters=NoCtldInAddrAny,NoInAddrAny
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SwitchType=switch/none
SlurmdParameters=config_overrides
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
{accounting}
JobAcctGatherType=jobacct_gather/none
SchedulerParameters=batch_sched_delay=0,sched_interval=2
SlurmdTimeout={slurmd_timeout}
KillWait=5
MinJobAge=600
InactiveLimit=0
ReturnToService=2
NodeName={host} NodeAddr=127.0.0.1 CPUs={cpus} RealMemory={memory} State=UNKNOWN
PartitionName=compute Nodes={host} Default=YES MaxTime=INFINITE OverTimeLimit=0 State=UP
"""

# The job step strips SLURM_* from the environment before it calls srun, so that a configuration which stands
# in no system folder would not be found.
SRUN = """\
#!/bin/sh
export SLURM_CONF={configuration}
exec {srun} "$@"
"""


def find_program(name: str, packages: str = PACKAGES) -> str:
    found = shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin")
    assert found, f"{name} was not found; on Debian or Ubuntu: apt-get install {packages}"
    return found


def user_name() -> str:
    return subprocess.run(["id", "-un"], capture_output=True, text=True, check=True).stdout.strip()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(what: Callable[[], object], seconds: float = PATIENCE, every: float = 0.1) -> None:
    """Wait until `what` returns something true; fail when it takes longer than `seconds`."""
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, f"not so within {seconds} s: {what}"
        time.sleep(every)


class Cluster:
    """The cluster; `start` brings it up, `stop` takes it down.

    Parameters
    ----------
    folder : Path
        For everything that it writes; short, since sockets have short names.
    cpus, memory : int
        Of its node; MB. It may claim more than the machine has.
    slurmd_timeout : int
        Seconds after which the controller takes a silent node for lost.
    accounting : str
        Lines of the configuration about it.
    """

    def __init__(
        self,
        folder: Path,
        cpus: int = 8,
        memory: int = 64_000,
        slurmd_timeout: int = 5,
        accounting: str = "AccountingStorageType=accounting_storage/none",
    ) -> None:
        self.folder = folder
        self.configuration = folder / "slurm.conf"
        self._processes: dict[str, subprocess.Popen[bytes]] = {}
        for name in ("state", "spool", "bin"):
            (folder / name).mkdir()
        folder.chmod(0o700)  # munged wants its folders closed to others
        key = folder / "munge.key"
        key.write_bytes(secrets.token_bytes(128))
        key.chmod(0o600)
        self.configuration.write_text(
            CONFIGURATION.format(
                host=socket.gethostname().split(".")[0],
                folder=folder,
                cpus=cpus,
                memory=memory,
                user=user_name(),
                controller_port=free_port(),
                node_port=free_port(),
                accounting=accounting,
                slurmd_timeout=slurmd_timeout,
            )
        )
        wrapper = folder / "bin/srun"
        wrapper.write_text(SRUN.format(configuration=self.configuration, srun=find_program("srun")))
        wrapper.chmod(0o755)

    @property
    def environment(self) -> dict[str, str]:
        """Of whoever uses the cluster."""
        path = f"{self.folder / 'bin'}:{os.environ['PATH']}:/usr/sbin:/sbin"
        return os.environ | {"SLURM_CONF": str(self.configuration), "PATH": path}

    def start(self) -> None:
        self.start_munge()
        self.start_controller()
        self.start_node()

    def start_munge(self) -> None:
        self.start_daemon("munged", [
            "--foreground", "--force", f"--key-file={self.folder}/munge.key",
            f"--socket={self.folder}/munge.socket", f"--pid-file={self.folder}/munged.pid",
            f"--seed-file={self.folder}/munged.seed", f"--log-file={self.folder}/munged.log",
        ])  # fmt: skip
        wait_until((self.folder / "munge.socket").exists)

    def start_controller(self) -> None:
        self.start_daemon("slurmctld", ["-D", "-f", str(self.configuration)])
        wait_until(lambda: self.ask("scontrol", "ping").returncode == 0)

    def start_node(self, lost: str | None = None) -> None:
        """Start slurmd; `lost` is the node as scontrol names it, when it was declared down."""
        self.start_daemon("slurmd", ["-D", "-f", str(self.configuration)])
        if lost is not None:
            self.ask("scontrol", "update", lost, "State=RESUME")
        wait_until(lambda: self.say("sinfo", "-h", "-o", "%t") in ("idle", "mix", "alloc"))

    def start_daemon(self, name: str, arguments: list[str], packages: str = PACKAGES) -> None:
        with (self.folder / f"{name}.out").open("ab") as output:
            self._processes[name] = subprocess.Popen(
                [find_program(name, packages), *arguments], stdout=output, stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL, env=self.environment, start_new_session=True,
            )  # fmt: skip

    def halt(self, name: str) -> None:
        """End one daemon; jobs at work go on."""
        process = self._processes.pop(name)
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def kill_jobs(self) -> None:
        """Kill every process of every job, as a loss of power does."""
        ours = f"SLURM_CONF={self.configuration}\0".encode()
        for entry in Path("/proc").glob("[0-9]*"):
            try:
                variables = (entry / "environ").read_bytes()
                steward = (entry / "comm").read_text().startswith("slurmstepd")
                if ours in variables and (steward or b"SLURM_JOB_ID=" in variables):
                    os.kill(int(entry.name), signal.SIGKILL)
            except OSError:  # it has ended meanwhile
                continue

    def stop(self) -> None:
        if self._processes.keys() >= set(DAEMONS):
            self.ask("scancel", "--user", str(os.getuid()))
            wait_until(lambda: not self.jobs())
        for name in reversed(list(self._processes)):
            self.halt(name)

    def ask(self, *command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(command, env=self.environment, capture_output=True, text=True, check=False)

    def say(self, *command: str) -> str:
        return self.ask(*command).stdout.strip()

    def jobs(self, *states: str) -> list[str]:
        """Numbers of the jobs in the queue, those in `states` alone when given."""
        chosen = ["--states", ",".join(states)] if states else []
        return self.say("squeue", "-h", "-o", "%i", *chosen).split()


Kind = TypeVar("Kind", bound=Cluster)


@contextmanager
def brought_up(kind: type[Kind]) -> Iterator[Kind]:
    """A cluster in a folder of its own, taken down and removed at the end."""
    folder = Path(tempfile.mkdtemp(prefix="slurm"))
    made = kind(folder)
    try:
        made.start()
        yield made
    finally:
        made.stop()
        shutil.rmtree(folder)
