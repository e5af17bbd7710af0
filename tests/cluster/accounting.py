"""The cluster with accounting: slurmdbd on a MariaDB of its own, brought up by hand like the rest of it."""

import secrets
import subprocess
from pathlib import Path

from one_node_slurm import Cluster, find_program, free_port, user_name, wait_until

PACKAGES = "slurmdbd mariadb-server-core mariadb-client-core"

ACCOUNT = "ballworks"
"""Invented; the one account of the cluster, which every job must be charged to."""

DATABASE_DAEMON = """\
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
DbdHost=localhost
DbdAddr=127.0.0.1
DbdPort={port}
SlurmUser={user}
StorageType=accounting_storage/mysql
StorageHost=127.0.0.1
StoragePort={database_port}
StorageUser=slurm
StoragePass={password}
StorageLoc=accounting
LogFile={folder}/slurmdbd.log
PidFile={folder}/slurmdbd.pid
"""

STORAGE = """\
AccountingStorageType=accounting_storage/slurmdbd
AccountingStorageHost=127.0.0.1
AccountingStoragePort={port}
AccountingStoragePass={folder}/munge.socket
AccountingStorageEnforce=associations"""

GRANT = """\
create database accounting;
create user 'slurm'@'127.0.0.1' identified by '{password}';
grant all on accounting.* to 'slurm'@'127.0.0.1';
"""


class AccountedCluster(Cluster):
    """The cluster of one node, which keeps account of its jobs and refuses those without an account."""

    def __init__(self, folder: Path) -> None:
        self._port, self._database_port = free_port(), free_port()
        super().__init__(folder, accounting=STORAGE.format(port=self._port, folder=folder))

    def start(self) -> None:
        self.start_munge()
        self._start_database()
        settings = self.folder / "slurmdbd.conf"
        settings.touch(0o600)
        settings.write_text(
            DATABASE_DAEMON.format(
                folder=self.folder, port=self._port, user=user_name(),
                database_port=self._database_port, password=self._password,
            )
        )  # fmt: skip
        # It takes its configuration from beside that of the cluster.
        self.start_daemon("slurmdbd", ["-D"], PACKAGES)
        wait_until(lambda: self._add("cluster", "loopback"))
        self._add("account", ACCOUNT)
        self._add("user", user_name(), f"Account={ACCOUNT}")
        self.start_controller()
        self.start_node()

    def _add(self, *what: str) -> bool:
        return self.ask("sacctmgr", "-i", "add", *what).returncode == 0

    def _start_database(self) -> None:
        data, self._password = self.folder / "database", secrets.token_hex(16)
        user = f"--user={user_name()}"
        subprocess.run(
            [
                find_program("mariadb-install-db", PACKAGES), "--no-defaults", f"--datadir={data}", user,
                "--auth-root-authentication-method=normal", "--skip-test-db",
            ],
            check=True, capture_output=True,
        )  # fmt: skip
        grant = self.folder / "grant.sql"
        grant.touch(0o600)
        grant.write_text(GRANT.format(password=self._password))
        self.start_daemon("mariadbd", [
            "--no-defaults", f"--datadir={data}", f"--socket={self.folder}/database.socket", user,
            "--bind-address=127.0.0.1", f"--port={self._database_port}", f"--init-file={grant}",
        ], PACKAGES)  # fmt: skip
        wait_until((self.folder / "database.socket").exists)
