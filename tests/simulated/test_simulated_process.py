"""The simulated bench as a process: start, end, links and their faults, clocks."""

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest

ROLES = ["spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs", "simulation"]


class Client:
    """One raw connection."""

    def __init__(self, port: int, timeout_s: float = 5.0) -> None:
        self.sock = socket.create_connection(("127.0.0.1", port), timeout=timeout_s)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.file = self.sock.makefile("rb")

    def write(self, line: str) -> None:
        self.sock.sendall(line.encode() + b"\n")

    def query(self, line: str) -> bytes:
        self.write(line)
        return self.file.readline()

    def close(self) -> None:
        self.file.close()
        self.sock.close()


class Process:
    """One running bench."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "drivers.simulated", *arguments]
        self.child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        assert self.child.stdout is not None
        self.greeting: dict[str, Any] = json.loads(self.child.stdout.readline())
        self.ports: dict[str, int] = self.greeting["ports"]
        self.clients: list[Client] = []

    def client(self, role: str) -> Client:
        self.clients.append(Client(self.ports[role]))
        return self.clients[-1]

    def close(self) -> None:
        for client in self.clients:
            client.close()
        assert self.child.stdin is not None
        self.child.stdin.close()
        try:
            self.child.wait(5)
        finally:
            self.child.kill()
            for stream in (self.child.stdout, self.child.stderr):
                assert stream is not None
                stream.close()


Start = Callable[..., Process]


@pytest.fixture
def start() -> Iterator[Start]:
    with ExitStack() as stack:

        def begin(*arguments: str) -> Process:
            process = Process(*arguments)
            stack.callback(process.close)
            return process

        yield begin


def test_greeting_names_every_port_and_each_answers_as_itself(start: Start) -> None:
    bench = start()
    assert list(bench.ports) == ROLES
    assert bench.greeting["pid"] == bench.child.pid
    identities = {bench.client(role).query("*IDN?") for role in ROLES}
    assert len(identities) == len(ROLES)
    assert all(text.startswith(b"polemark,simulated ") for text in identities)


def test_ends_when_its_input_ends(start: Start) -> None:
    bench = start()
    client = bench.client("scope")
    assert client.query("*IDN?")
    assert bench.child.stdin is not None
    bench.child.stdin.close()
    assert bench.child.wait(3) == 0
    assert client.file.readline() == b""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ends_on_a_signal(start: Start, number: signal.Signals) -> None:
    bench = start()
    bench.child.send_signal(number)
    assert bench.child.wait(3) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--fault", "gremlins"], "unknown fault 'gremlins'; allowed: weak magnet"),
        (["--motors", "/nowhere/motors.yaml"], "/nowhere/motors.yaml"),
        (["--clock", "scaled", "--factor", "9"], "clock factor must be above 0 and at most 5, got 9"),
        (["--clock", "sundial"], "invalid choice"),
    ],
)
def test_bad_arguments_are_refused_with_exit_code_2(arguments: list[str], words: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "drivers.simulated", *arguments], input=b"", capture_output=True, timeout=20, check=False
    )
    assert done.returncode == 2
    assert words in done.stderr.decode()
    assert done.stdout == b""


def test_help_lists_every_fault() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "drivers.simulated", "--help"], capture_output=True, timeout=20, check=True
    )
    text = done.stdout.decode()
    assert "brake drags" in text
    assert "scope cut in mid block" in text


def test_a_command_to_one_instrument_comes_before_the_next_query_to_another(start: Start) -> None:
    bench = start()
    switch, inputs, control = bench.client("switch"), bench.client("inputs"), bench.client("simulation")
    seen = []
    for i in range(150):
        switch.write(f"ROUT:{'CLOS' if i % 2 else 'OPEN'} (@112)")
        seen.append(inputs.query("SENS:DATA? (@12)"))
        control.query("SIM:CLOC:ADV? 0.1")
    assert seen == [b"0\n" if i % 2 else b"1\n" for i in range(150)]


def test_opc_query_answers_only_when_the_sweep_is_done(start: Start) -> None:
    # IEEE 488.2: *OPC? replies 1 when all pending operations are finished.
    bench = start()
    scope, control = bench.client("scope"), bench.client("simulation")
    scope.write("SENS:SWE:POIN 1000;TINT 1E-3;:INIT;*OPC?")
    scope.sock.settimeout(0.15)
    with pytest.raises(TimeoutError):
        scope.sock.recv(10)
    scope.sock.settimeout(5)
    control.query("SIM:CLOC:ADV? 1.0")
    assert scope.sock.recv(10) == b"1\n"


def test_block_arrives_whole_with_newlines_inside(start: Start) -> None:
    bench = start()
    scope, control = bench.client("scope"), bench.client("simulation")
    scope.write("SENS1:VOLT:RANG 1;OFFS -0.039;:SENS:SWE:POIN 20000;TINT 1E-5;:INIT")
    control.query("SIM:CLOC:ADV? 0.2")
    scope.write("TRAC:DATA? CH1")
    head = scope.file.read(7)
    assert head == b"#520000"
    data = scope.file.read(20001)
    assert data[-1:] == b"\n"
    assert b"\n" in data[:-1]
    assert scope.query("*IDN?").startswith(b"polemark,simulated scope")


def test_stepped_time_moves_only_when_told(start: Start) -> None:
    control = start().client("simulation")
    assert control.query("SIM:CLOC:MODE?") == b"stepped\n"
    assert float(control.query("SIM:CLOC?")) == 0.0
    time.sleep(0.1)
    assert float(control.query("SIM:CLOC?")) == 0.0
    assert float(control.query("SIM:CLOC:ADV? 12.5")) == pytest.approx(12.5)


def test_scaled_time_runs_by_itself_and_cannot_be_pushed(start: Start) -> None:
    control = start("--clock", "scaled", "--factor", "4").client("simulation")
    assert control.query("SIM:CLOC:MODE?") == b"scaled\n"
    first, began = float(control.query("SIM:CLOC?")), time.monotonic()
    time.sleep(0.3)
    passed = float(control.query("SIM:CLOC?")) - first
    assert passed == pytest.approx(4 * (time.monotonic() - began), rel=0.25)
    control.write("SIM:CLOC:ADV? 1")
    assert control.query("SYST:ERR?").startswith(b"-221")


def test_dead_man_drops_by_itself_when_nobody_talks(start: Start) -> None:
    bench = start("--clock", "scaled", "--factor", "1")
    switch, control, supply = bench.client("switch"), bench.client("simulation"), bench.client("spin_supply")
    control.query('SIM:HAND "close guards";:SIM:CLOC?')
    switch.query("ROUT:CLOS (@161);CLOS (@101);*OPC?")
    supply.query("VOLT 6;CURR 5;:OUTP ON;*OPC?")
    time.sleep(0.9)
    control.write("SIM:LOG? 0")
    head = control.file.read(2)
    events = json.loads(control.file.read(int(control.file.read(int(head[1:])))))
    times = {(e["what"], e["value"]): e["t_s"] for e in events}
    assert times["deadman_ok", False] - times["deadman_ok", True] <= 0.5
    assert times["contactor", False] == times["deadman_ok", False]


def identity(bench: Process, role: str = "scope", timeout_s: float = 0.4) -> bytes:
    client = bench.client(role)
    client.sock.settimeout(timeout_s)
    return client.query("*IDN?")


def test_silent_instrument_never_answers_and_its_neighbours_do(start: Start) -> None:
    bench = start("--fault", "scope silent")
    with pytest.raises(TimeoutError):
        identity(bench)
    assert identity(bench, "switch")


def test_slow_instrument_holds_nobody_up(start: Start) -> None:
    bench = start("--fault", "scope slow")
    slow, quick = bench.client("scope"), bench.client("switch")
    began = time.monotonic()
    slow.write("*IDN?")
    quick.query("*IDN?")
    between = time.monotonic() - began
    assert slow.file.readline().startswith(b"polemark")
    assert between < 0.19 < 0.2 <= time.monotonic() - began


@pytest.mark.parametrize(
    ("fault", "looks"),
    [
        ("scope garbage", lambda reply: b"\xff" in reply),
        ("scope wrong identity", lambda reply: reply.startswith(b"other maker")),
        ("scope cut", lambda reply: reply == b""),
    ],
)
def test_spoilt_answers(start: Start, fault: str, looks: Callable[[bytes], bool]) -> None:
    assert looks(identity(start("--fault", fault)))


def test_late_reply_comes_after_the_asker_has_given_up_and_then_all_is_well(start: Start) -> None:
    bench = start("--fault", "switch late reply")
    first = bench.client("switch")
    first.sock.settimeout(0.3)
    first.write("*IDN?")
    with pytest.raises(TimeoutError):
        first.sock.recv(100)
    first.sock.settimeout(5)
    assert first.sock.recv(100).startswith(b"polemark,simulated switch")
    assert identity(bench, "switch").startswith(b"polemark,simulated switch")


def test_nothing_listens_where_a_connection_is_refused(start: Start) -> None:
    bench = start("--fault", "inputs refuses connection")
    with pytest.raises(ConnectionRefusedError):
        bench.client("inputs")
    control = bench.client("simulation")
    control.write('SIM:FAUL "scope refuses connection",ON')
    control.query("SIM:CLOC?")
    with pytest.raises(ConnectionError):
        assert bench.client("scope").query("*IDN?"), "reset without a word"


@pytest.mark.parametrize(("fault", "closes"), [("scope short block", False), ("scope cut in mid block", True)])
def test_blocks_that_end_too_early(start: Start, fault: str, closes: bool) -> None:
    bench = start("--fault", fault)
    scope, control = bench.client("scope"), bench.client("simulation")
    scope.write("SENS:SWE:POIN 10000;TINT 1E-6;:INIT")
    control.query("SIM:CLOC:ADV? 0.1")
    scope.sock.settimeout(0.3)
    scope.write("TRAC:DATA? CH1")
    received = b""
    ended = False
    try:
        while chunk := scope.sock.recv(65536):
            received += chunk
        ended = True
    except TimeoutError:
        pass
    assert received.startswith(b"#510000")
    assert len(received) < 9000
    assert ended is closes
