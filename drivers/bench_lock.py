"""One run at a time on a bench: a lock file of the station's own, since bus locks are missing or can be stolen."""

import fcntl
import hashlib
import json
import os
import tempfile
import time
from pathlib import Path

from drivers.bench_file import BenchFile
from drivers.errors import BenchInUse


class BenchLock:
    """Held by the process that runs the bench; the system lets go of it when the process ends, however it ends."""

    def __init__(self, bench: BenchFile) -> None:
        # The spin supply is what may turn a shaft, so whoever has its address has the bench.
        key = hashlib.sha256(bench.spin_supply.resource.encode()).hexdigest()[:16]
        self._path = Path(tempfile.gettempdir()) / f"polemark-bench-{key}.lock"
        self._name = bench.name
        self._descriptor: int | None = None

    def take(self) -> None:
        """Take the lock.

        Raises
        ------
        BenchInUse
            Another process holds it; the message says which, and since when.
        """
        try:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        except OSError as error:
            raise BenchInUse(
                f"bench {self._name}",
                "lock",
                f"{self._path} cannot be opened: {error.strerror}; allowed: a file of ours",
            ) from None
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(descriptor, 200).decode("utf-8", "replace")
            os.close(descriptor)
            raise BenchInUse(
                f"bench {self._name}", "lock", f"in use by {_who(holder)}; allowed: one run at a time"
            ) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps({"pid": os.getpid(), "since": int(time.time())}).encode(), 0)
        self._descriptor = descriptor

    def release(self) -> None:
        """Let go; never raises, and twice is fine."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)


def _who(text: str) -> str:
    try:
        holder = json.loads(text)
        since = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(holder["since"]))
        return f"process {holder['pid']} since {since}"
    except (ValueError, KeyError, TypeError):
        return "another process"
