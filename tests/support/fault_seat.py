"""A place to try faults at: a simulated bench of its own, a proxy before it, a data folder, and station processes."""

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from fault_checker import Event, LogReader
from fault_proxy import SILENT, Proxy

from drivers.bench_file import read_bench
from drivers.bench_process import simulated_bench
from drivers.errors import BenchFault
from drivers.link import Link
from drivers.simulation import Simulation

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
MOTORS = (("MT41-20391", "ostrel-mt41"), ("B5-00871", "brackwater-b5"), ("Q3-77120", "quillmere-q3"))
POLL_S = 0.01
LONGEST_RUN_S = 90.0
HEAD = """\
sequence: {name}
title: A short run for a fault to break into
stage: as-found
revision: "1"
steps:
"""
BY_HAND = """\
  - name: open the guards
    ask: {prompt: "Motor clamped, both guards open for the hand turn", answer: confirm, hands: [clamp motor, open guards]}
  - energise: {output: sensor supply}
  - energise: {output: brake}
  - name: hand turn
    capture: {signals: sensors, winding_pair: U-V, drive: hand, duration: 2.5 s, interval: 100 us}
  - name: close the guards
    ask: {prompt: "Hands off the shaft, both guards closed", answer: confirm, hands: [close guards]}
"""
GUARDED = """\
  - name: close the guards
    ask: {prompt: "Motor clamped, both guards closed", answer: confirm, hands: [clamp motor, close guards]}
  - energise: {output: sensor supply}
  - energise: {output: brake}
"""
FIRST = """\
  - name: first slow spin
    spin: {direction: CW, speed: 60 rpm, first: true}
"""
BOTH_WAYS = """\
  - spin: {direction: CW, speed: 150 rpm}
  - name: encoder counts
    capture: {signals: encoder, winding_pair: U-V, turns: 1.2, interval: 10 us}
  - name: another pair
    capture: {signals: sensors, winding_pair: V-W, cycles: 8, interval: 50 us}
  - spin: {direction: CCW, speed: 150 rpm}
  - name: the third pair
    capture: {signals: sensors, winding_pair: W-U, cycles: 8, interval: 50 us}
"""
REST = "  - rest: {}\n"
SEQUENCES = {
    "guarded": GUARDED + FIRST + BOTH_WAYS + REST,
    "by-hand": BY_HAND + FIRST + BOTH_WAYS + REST,
    "short": GUARDED + FIRST + REST,
}
"""What the station runs: 9 to 16 s of bench time, and a short run to see that the bench works."""


@dataclass(slots=True)
class Launcher:
    """The process that forks station processes."""

    process: "subprocess.Popen[bytes]"
    _pids: "queue.SimpleQueue[int]" = field(default_factory=queue.SimpleQueue)
    _exits: dict[int, int] = field(default_factory=dict)

    @classmethod
    def start(cls) -> "Launcher":
        # One thread for the algebra: the forks would each bring up threads of their own, and many of them run at once.
        environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        made = cls(
            subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("fault_station.py"))],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=environment,
                cwd=ROOT,
                start_new_session=True,
            )
        )
        threading.Thread(target=made._listen, daemon=True).start()
        return made

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            message = json.loads(line)
            if "exit" in message:
                self._exits[message["pid"]] = message["exit"]
            elif "pid" in message:
                self._pids.put(message["pid"])

    def begin(self, args: list[str], said: Path) -> int:
        """Start `polemark` with arguments; return its process number."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps({"args": args, "said": str(said)}).encode() + b"\n")
        self.process.stdin.flush()
        return self._pids.get(timeout=30.0)

    def exit_code(self, pid: int) -> int | None:
        """Return the exit code of a process that has ended, else None."""
        return self._exits.get(pid)

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(10.0)


@dataclass(slots=True)
class Seat:
    """A bench with its proxy and its station; use it as a context manager."""

    folder: Path
    factor: float
    seed: int
    launcher: Launcher = field(init=False)
    proxy: Proxy = field(init=False)
    simulation: Simulation = field(init=False)
    bench_pid: int = 0
    bench_count: int = 0
    run_count: int = 0
    _log: LogReader = field(init=False)
    _stack: ExitStack = field(default_factory=ExitStack)

    def __enter__(self) -> "Seat":
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "answers.yaml").write_text("{}\n", encoding="utf-8")
        for name, steps in SEQUENCES.items():
            (self.folder / f"{name}.yaml").write_text(HEAD.replace("{name}", name) + steps, encoding="utf-8")
        self.launcher = Launcher.start()
        self.renew_bench()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()
        self.launcher.close()

    @property
    def log_path(self) -> Path:
        return self.folder / f"bench-{self.bench_count}.log"

    @property
    def database(self) -> Path:
        return self.folder / "data" / "records.db"

    def renew_bench(self) -> None:
        """Start a new bench in the place of the old one; the data folder stays."""
        self._stack.close()
        self.bench_count += 1
        self._log = LogReader(self.log_path)
        own = self.folder / "own.yaml"
        started = self._stack.enter_context(
            simulated_bench(
                TEMPLATE, own, clock="scaled", factor=self.factor, seed=self.seed + self.bench_count, log=self.log_path
            )
        )
        self.bench_pid = started.pid
        entries = read_bench(own).entries()
        ports = {role: int(entry.resource.split("::")[2]) for role, entry in entries.items()}
        control = entries["simulation"]
        link = Link(control.resource, timeout_s=10.0)
        link.open(control.identity)
        self._stack.callback(link.close)
        self.simulation = Simulation(link)
        del ports["simulation"]
        self.proxy = self._stack.enter_context(Proxy(ports, self.factor, self._shows))
        text = own.read_text(encoding="utf-8")
        for role, port in ports.items():
            text = text.replace(f"::{port}::", f"::{self.proxy.own_ports[role]}::")
        (self.folder / "bench.yaml").write_text(text, encoding="utf-8")

    def _shows(self, name: str) -> None:
        sign = "spoils" if name.rpartition(": ")[2] in SILENT else "shows"
        with contextlib.suppress(BenchFault):
            self.simulation.note(f"{sign}: {name}")

    # -- time ----------------------------------------------------------------------------------------------------------

    def sleep(self, bench_s: float) -> None:
        """Let bench time pass."""
        time.sleep(bench_s / self.factor)

    def until(self, there: Callable[[], bool], within_bench_s: float) -> bool:
        """Wait for something; tell whether it came."""
        end = time.monotonic() + within_bench_s / self.factor
        while not there():
            if time.monotonic() > end:
                return False
            time.sleep(POLL_S)
        return True

    # -- the station -----------------------------------------------------------------------------------------------------

    def begin(self, sequence: str, motor: tuple[str, str], *, reset_by: str | None = None) -> int:
        """Start a run of the station as a process of its own."""
        self.run_count += 1
        serial, kind = motor
        args = [
            "run", str(self.folder / f"{sequence}.yaml"), "--motor", serial, "--type", kind,
            # A job of its own each time, since a stage that was done already needs a reason to be done again.
            "--job", f"J-{self.run_count}", "--bench", str(self.folder / "bench.yaml"), "--data", str(self.folder / "data"),
            "--answers", str(self.folder / "answers.yaml"),
        ]  # fmt: skip
        return self.launcher.begin(args + (["--reset", reset_by] if reset_by else []), self.said_path)

    @property
    def said_path(self) -> Path:
        """What the latest run said."""
        return self.folder / f"said-{self.run_count}.txt"

    def said(self) -> str:
        return self.said_path.read_text(encoding="utf-8", errors="replace") if self.said_path.exists() else ""

    def running(self, pid: int) -> bool:
        return self.launcher.exit_code(pid) is None

    def wait(self, pid: int) -> int | None:
        """Wait for the end of a run; None if it had to be killed because it never ended."""
        if self.until(lambda: not self.running(pid), LONGEST_RUN_S * self.factor):
            return self.launcher.exit_code(pid)
        os.kill(pid, signal.SIGKILL)
        return None

    # -- the bench ---------------------------------------------------------------------------------------------------------

    def log(self, start: int = 0) -> list[Event]:
        return self._log.all()[start:]

    def await_stillness(self) -> None:
        """Let a shaft run out, and the dead-man relay drop."""
        with contextlib.suppress(BenchFault):
            self.until(lambda: abs(float(self.simulation.state()["speed_rpm"])) < 0.5, 6.0)
            # Nobody looks after a killed station, so nothing else would tell the log that the shaft stands.
            self.simulation.note("the shaft was waited for")


@contextlib.contextmanager
def seat(folder: Path, factor: float, seed: int) -> Iterator[Seat]:
    """Make a seat and take it away again."""
    with Seat(folder, factor, seed) as made:
        yield made
