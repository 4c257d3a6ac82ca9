"""A PostgreSQL server of its own for tests: own folder, no network, gone afterwards."""

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from db.process_identity import Process

INSTALLED = Path("/usr/lib/postgresql")
MISSING = (
    f"the PostgreSQL server's programs are not below {INSTALLED}; install Debian's package `postgresql` "
    "(apt-get install postgresql) to run these tests"
)
# A server that is thrown away need not outlive a power cut. That it does not wait for its log (synchronous_commit) is what a
# careless administrator might set; the store must not rely on it.
SETTINGS = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off -c listen_addresses=''"


class ServerMissing(RuntimeError):  # noqa: N818
    """The programs are not installed."""


def programs() -> Path:
    """Return the folder of the newest installed server's programs.

    Raises
    ------
    ServerMissing
        There is none; the message says what to install.
    """
    found = [path for path in INSTALLED.glob("*/bin") if (path / "initdb").exists()]
    if not found:
        raise ServerMissing(MISSING)
    return max(found, key=lambda path: float(path.parent.name))


@dataclass
class Cluster:
    folder: Path
    identity: dict[str, Any]
    """User to run as: the server refuses to run as root."""

    def url(self, database: str = "postgres") -> str:
        return f"postgresql+psycopg://polemark@/{database}?host={self.folder}"

    def new_database(self, name: str) -> str:
        self._run("createdb", "-h", str(self.folder), "-U", "polemark", name)
        return self.url(name)

    def initialise(self) -> None:
        self._run(
            "initdb", "-D", f"{self.folder}/data", "-A", "trust", "-U", "polemark", "-E", "UTF8", "--locale=C.UTF-8",
            "--no-sync",
        )  # fmt: skip

    def start(self) -> None:
        options = f"{SETTINGS} -k {self.folder}"
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-w", "-l", f"{self.folder}/log", "-o", options, "start")

    def stop(self) -> None:
        """Stop at once, as a crash does: nothing is finished or written."""
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-m", "immediate", "-w", "stop")

    def kill(self) -> None:
        """Kill every process of the server where it stands."""
        pid = int((self.folder / "data/postmaster.pid").read_text().split("\n", 1)[0])
        # Held first, so that it brings no more children into the world.
        os.kill(pid, signal.SIGSTOP)
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        processes = [pid, *map(int, children)]
        for process in processes:
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        while any(Process.of(process).started_ticks for process in processes):
            time.sleep(0.01)
        # Their numbers may stay in the table of processes for a while, which the server would take for its own life.
        (self.folder / "data/postmaster.pid").unlink()
        (self.folder / ".s.PGSQL.5432.lock").unlink()

    def _run(self, program: str, *arguments: str) -> None:
        path = programs()
        subprocess.run(
            [path / program, *arguments],
            check=True,
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            env={"PATH": f"{path}:/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
            timeout=60,
            **self.identity,
        )


@contextlib.contextmanager
def private_cluster() -> Iterator[Cluster]:
    """Give a running server that nobody else can reach.

    Raises
    ------
    ServerMissing
        The programs are not installed.
    """
    programs()
    # Not below pytest's folder: a socket's path must be short, and another user must come to it.
    folder, identity = Path(tempfile.mkdtemp(prefix="polemark-postgres-", dir="/tmp")), {}
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
        identity = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    cluster = Cluster(folder, identity)
    try:
        cluster.initialise()
        cluster.start()
        yield cluster
    finally:
        with contextlib.suppress(subprocess.CalledProcessError):
            cluster.stop()
        shutil.rmtree(folder, ignore_errors=True)
