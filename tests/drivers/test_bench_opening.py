"""Opening a bench: one run at a time, one clock, the instruments that the file names, and a simulated one that ends."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from scripted_instrument import IDENTITY, ScriptedInstrument, serving

from drivers.bench import Bench
from drivers.bench_clock import ScaledBenchClock, SteppedClock, open_clock
from drivers.bench_file import BenchFile, parse_bench, read_bench
from drivers.bench_lock import BenchLock
from drivers.bench_process import SimulatedBench, simulated_bench
from drivers.errors import BenchFault, BenchInUse, LinkDown, NotANumber, WrongIdentity
from drivers.link import Link
from drivers.scope import CaptureSettings, Progress
from drivers.simulation import Simulation
from safety.clock import MonotonicClock
from safety.permit import PermitOffice
from safety.states import State
from safety.strict_yaml import read_text

ROOT = Path(__file__).parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
DEADLINE_S = 15.0

HOLDER = """
import sys
from pathlib import Path
from drivers.bench_file import parse_bench
from drivers.bench_lock import BenchLock
from safety.strict_yaml import read_file

lock = BenchLock(parse_bench(read_file(Path(sys.argv[1]))))
lock.take()
print("held", flush=True)
sys.stdin.read()
"""

PARENT = """
import sys
from pathlib import Path
from drivers.bench_process import simulated_bench

with simulated_bench(Path(sys.argv[1]), Path(sys.argv[2])) as bench:
    print(bench.pid, flush=True)
    sys.stdin.read()
"""


def bench_at(resource: str, *changes: tuple[str, str]) -> BenchFile:
    text = TEMPLATE.read_text(encoding="utf-8")
    for old, new in (("TCPIP0::127.0.0.1::{spin_supply}::SOCKET", resource), *changes):
        assert old in text
        text = text.replace(old, new)
    return parse_bench(read_text(text, "bench.yaml"))


def real_bench(resource: str) -> BenchFile:
    text = TEMPLATE.read_text(encoding="utf-8")
    control = text[text.index("simulation:\n") : text.index("# How the EMF")]
    return bench_at(resource, ("simulated: true\n", ""), ("clock: stepped\n", ""), (control, ""))


@pytest.fixture
def own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the lock files of a test apart from all others; children inherit the place."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    return tmp_path


# -- lock ------------------------------------------------------------------------------------------------------------


def test_a_bench_held_by_another_process_is_in_use_until_that_ends(own_locks: Path) -> None:
    path = own_locks / "bench.yaml"
    bench = bench_at("TCPIP0::127.0.0.1::1::SOCKET")
    path.write_text(bench.text, encoding="utf-8")
    lock = BenchLock(bench)
    with subprocess.Popen([sys.executable, "-c", HOLDER, path], stdin=-1, stdout=-1, cwd=ROOT) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(
            BenchInUse, match=rf"simulated-1.*in use by process {holder.pid} since 20.* UTC; allowed: one run"
        ):
            lock.take()
        BenchLock(bench_at("TCPIP0::127.0.0.1::2::SOCKET")).take()
        # Killed, not asked to end: the system lets go.
        holder.kill()
        holder.wait(DEADLINE_S)
        lock.take()
    with pytest.raises(BenchInUse, match=f"process {os.getpid()} since"):
        BenchLock(bench).take()
    lock.release()
    lock.release()
    again = BenchLock(bench)
    again.take()
    again.release()


def test_a_lock_file_that_says_nothing_still_locks(own_locks: Path) -> None:
    bench = bench_at("TCPIP0::127.0.0.1::1::SOCKET")
    first = BenchLock(bench)
    first.take()
    (written,) = own_locks.glob("polemark-bench-*.lock")
    written.write_bytes(b"")
    with pytest.raises(BenchInUse, match="in use by another process"):
        BenchLock(bench).take()
    first.release()


def test_a_lock_file_of_somebody_else_is_one_clear_fault(own_locks: Path) -> None:
    bench = bench_at("TCPIP0::127.0.0.1::1::SOCKET")
    first = BenchLock(bench)
    first.take()
    first.release()
    (written,) = own_locks.glob("polemark-bench-*.lock")
    written.unlink()
    written.symlink_to(own_locks / "elsewhere")
    with pytest.raises(BenchInUse, match=r"polemark-bench-.*\.lock cannot be opened"):
        BenchLock(bench).take()


# -- clock -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("clock", ["stepped", "scaled"])
def test_a_real_bench_is_refused_another_clock_even_past_its_file(clock: str) -> None:
    bench = real_bench("TCPIP0::127.0.0.1::1::SOCKET").model_copy(update={"clock": clock})
    with pytest.raises(ValueError, match=f"bench simulated-1 is real: its clock is monotonic, got {clock}"):
        open_clock(bench, None)


def test_a_real_bench_has_the_monotonic_clock_even_with_a_control_side_at_hand() -> None:
    bench = real_bench("TCPIP0::127.0.0.1::1::SOCKET")
    assert isinstance(open_clock(bench, Simulation(Link("unused"))), MonotonicClock)


def test_a_simulated_bench_without_its_control_side_is_refused() -> None:
    with pytest.raises(ValueError, match="its clock is monotonic, got stepped"):
        open_clock(bench_at("TCPIP0::127.0.0.1::1::SOCKET"), None)


def test_a_stepped_clock_moves_only_as_it_waits() -> None:
    answers = {"SIM:CLOC?": "3.5", "SIM:CLOC:ADV? 0.250000000": "3.75", "SIM:CLOC:MODE?": "stepped"}
    with serving(ScriptedInstrument(dict(answers))) as instrument:
        link = Link(instrument.resource)
        link.open(IDENTITY)
        clock = open_clock(bench_at("TCPIP0::127.0.0.1::1::SOCKET"), Simulation(link))
        assert isinstance(clock, SteppedClock)
        assert clock.now_s() == 3.5
        clock.wait(0.25)
        assert clock.now_s() == 3.75
        clock.wait(0.0)
        clock.wait(-1.0)
        assert instrument.said() == ["SIM:CLOC:MODE?", "SIM:CLOC?", "SIM:CLOC:ADV? 0.250000000"]
        link.close()


def test_a_long_wait_on_a_stepped_clock_is_taken_in_steps() -> None:
    answers = {"SIM:CLOC?": "0", "SIM:CLOC:ADV? 1.000000000": "1", "SIM:CLOC:ADV? 0.500000000": "2.5"}
    with serving(ScriptedInstrument(dict(answers))) as instrument:
        link = Link(instrument.resource)
        link.open(IDENTITY)
        clock = SteppedClock(Simulation(link))
        clock.wait(2.5)
        assert clock.now_s() == 2.5
        assert instrument.said("SIM:CLOC?") == ["SIM:CLOC:ADV? 1.000000000"] * 2 + ["SIM:CLOC:ADV? 0.500000000"]
        link.close()


def test_a_bench_that_tells_no_time_is_a_named_fault() -> None:
    with serving(ScriptedInstrument({"SIM:CLOC?": "noon", "SIM:STAT?": b"#14{no}\n"})) as instrument:
        link = Link(instrument.resource)
        link.open(IDENTITY)
        with pytest.raises(NotANumber, match="'noon'; allowed: a number"):
            SteppedClock(Simulation(link))
        with pytest.raises(BenchFault, match="answers what is no JSON"):
            Simulation(link).state()
        link.close()


# -- the simulated bench ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    with simulated_bench(TEMPLATE, tmp_path_factory.mktemp("bench") / "bench.yaml") as started:
        yield started


def test_a_started_bench_opens_and_checks_without_energising_anything(running: SimulatedBench) -> None:
    traffic: list[tuple[float, str, str, str]] = []
    with Bench.open(read_bench(running.bench_path), traffic=lambda *said: traffic.append(said)) as bench:
        checks = bench.check()
        assert [c for c in checks if not c.ok] == []
        assert [c.what for c in checks] == [
            "spin supply is off", "spin supply takes limits", "sensor supply is off", "sensor supply takes limits",
            "brake supply is off", "brake supply takes limits", "relays are open", "contacts answer",
            "mirror contacts agree", "scope captures",
        ]  # fmt: skip
        assert checks[-1].detail == "4 waveforms of 1000 samples"
        assert bench.simulation is not None
        assert bench.simulation.state()["speed_rpm"] == 0
    sent = " ".join(text for _, _, way, text in traffic if way == "to")
    assert "MEAS:VOLT?" in sent
    assert not any(word in sent for word in ("OUTP ON", "OUTP 1", "ROUT:CLOS ("))
    # The log: bench time that never runs back, roles, directions; blocks by length and digest; no control side.
    assert [t for t, *_ in traffic] == sorted(t for t, *_ in traffic)
    assert {role for _, role, _, _ in traffic} == {
        "spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs",
    }  # fmt: skip
    assert {way for _, _, way, _ in traffic} == {"to", "from", "closed"}
    blocks = [
        text for _, role, _, text in traffic if role == "scope" and text.startswith("block of 1000 bytes sha256:")
    ]
    assert len(blocks) == 4


def test_a_capture_at_standstill_has_every_channel_and_the_time_it_started(running: SimulatedBench) -> None:
    settings = CaptureSettings(
        "none", ("emf", "H1", "H2", "H3"), None, 1e-5, 20_000, (20.0, 10.0, 10.0, 10.0), (0.0, 2.5, 2.5, 2.5)
    )
    with Bench.open(read_bench(running.bench_path)) as bench:
        bench.scope.prepare(settings)
        began_s = bench.clock.now_s()
        bench.scope.arm()
        assert bench.scope.progress() is Progress.SWEEPING
        bench.clock.wait(0.1)
        assert bench.scope.progress() is Progress.SWEEPING
        bench.clock.wait(0.11)
        assert bench.scope.progress() is Progress.DONE
        capture = bench.scope.fetch()
    assert (capture.settings, capture.started_s) == (settings, began_s)
    assert [w.counts.shape for w in capture.waveforms] == [(20_000,)] * 4
    # Nothing turns and nothing is connected: no more than a few steps of the scope's noise and pick-up about zero.
    assert abs(float(capture.waveforms[0].volts().mean())) < 0.5


def test_identities_are_what_answered_with_the_files_calibration(running: SimulatedBench) -> None:
    file = read_bench(running.bench_path)
    with Bench.open(file) as bench:
        identities = {i.role: i for i in bench.identities()}
    assert list(identities) == list(file.entries())
    for role, entry in file.entries().items():
        found = identities[role]
        assert (found.maker, found.model, found.serial) == (entry.maker, entry.model, entry.serial)
        assert (found.calibration_due, found.certificate) == (entry.calibration_due, entry.certificate)
        assert found.firmware
    assert [i.kind for i in identities.values()] == ["supply"] * 3 + ["scope", "switch", "inputs", "control"]


def test_an_open_bench_is_in_use_and_a_closed_one_is_free(running: SimulatedBench) -> None:
    file = read_bench(running.bench_path)
    with Bench.open(file) as bench:
        with pytest.raises(BenchInUse):
            Bench.open(file)
        bench.close()
        with Bench.open(file) as again:
            assert again.check()[0].ok


def test_another_instrument_is_refused_and_leaves_the_bench_free(running: SimulatedBench, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(running.bench_path.read_text("utf-8").replace("SIM-SWITCH", "SIM-OTHER"), encoding="utf-8")
    with pytest.raises(WrongIdentity, match=r"SIM-SWITCH.*allowed: polemark,simulated switch,SIM-OTHER"):
        Bench.open(read_bench(other))
    with Bench.open(read_bench(running.bench_path)) as bench:
        assert bench.check()[0].ok


def test_a_supply_that_is_on_fails_the_check_and_the_rest_is_still_checked(running: SimulatedBench) -> None:
    file = read_bench(running.bench_path)
    with Bench.open(file) as bench:
        other = Link(file.sensor_supply.resource)
        other.open(None)
        other.write("OUTP ON")
        other.check_errors("OUTP ON")
        failed = [c for c in bench.check() if not c.ok]
        other.write("OUTP OFF")
        other.check_errors("OUTP OFF")
        other.close()
        assert [c.what for c in failed] == ["sensor supply is off", "sensor supply takes limits"]
        assert "it is on; allowed: off at rest" in failed[0].detail
        assert [c for c in bench.check() if not c.ok] == []


def test_a_bench_on_another_clock_than_its_file_says_is_refused(running: SimulatedBench, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    text = running.bench_path.read_text("utf-8").replace("clock: stepped", "clock: scaled")
    other.write_text(text, encoding="utf-8")
    with pytest.raises(BenchFault, match="runs on a stepped clock; allowed: scaled, as its bench file says"):
        Bench.open(read_bench(other))


def test_a_scaled_clock_keeps_the_benchs_own_time(tmp_path: Path) -> None:
    with (
        simulated_bench(TEMPLATE, tmp_path / "bench.yaml", clock="scaled", factor=5.0) as started,
        Bench.open(read_bench(started.bench_path)) as bench,
    ):
        assert isinstance(bench.clock, ScaledBenchClock)
        assert bench.simulation is not None
        before_s = bench.clock.now_s()
        bench.clock.wait(0.5)
        earlier_s = bench.clock.now_s()
        theirs_s = bench.simulation.now_s()
        later_s = bench.clock.now_s()
        assert earlier_s - before_s >= 0.5
        # The zero was taken within one question's time, here and there; half a second of bench time is 100 ms of a
        # busy machine's.
        assert earlier_s - 0.5 < theirs_s < later_s + 0.5


def test_a_lost_spin_supply_is_told_to_switch_off_before_its_link_closes(running: SimulatedBench) -> None:
    with Bench.open(read_bench(running.bench_path)) as bench:
        assert bench.simulation is not None
        office = PermitOffice()
        bench.spin_supply.configure(0.0, 1.0, 5.0)
        office.note_good_look(bench.clock.now_s())
        bench.spin_supply.switch_on(office.issue("spin supply", State.STARTING, bench.clock.now_s()))
        assert bench.spin_supply.is_on()
        bench.simulation.fault("spin supply reads no number", on=True)
        with pytest.raises(NotANumber, match="spin supply at TCPIP0"):
            bench.spin_supply.measure()
        with pytest.raises(LinkDown, match="the link is closed"):
            bench.spin_supply.switch_off()
        bench.simulation.fault("spin supply reads no number", on=False)
    with Bench.open(read_bench(running.bench_path)) as again:
        assert not again.spin_supply.is_on()


def ended(pid: int) -> bool:
    """Whether a process is gone; one that waits to be collected by its new parent counts as gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def test_the_simulated_bench_ends_with_its_context(tmp_path: Path) -> None:
    with simulated_bench(TEMPLATE, tmp_path / "bench.yaml", clock="scaled", factor=2.0) as started:
        assert not ended(started.pid)
        file = read_bench(started.bench_path)
        assert (file.clock, file.clock_factor) == ("scaled", 2.0)
    assert ended(started.pid)


def test_the_simulated_bench_ends_when_its_parent_is_killed(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, TEMPLATE, tmp_path / "bench.yaml"], stdin=-1, stdout=-1, cwd=ROOT
    ) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert not ended(child)
        parent.send_signal(signal.SIGKILL)
        parent.wait(DEADLINE_S)
    until_s = time.monotonic() + DEADLINE_S
    while not ended(child) and time.monotonic() < until_s:
        time.sleep(0.02)
    assert ended(child)


def test_a_simulated_bench_that_cannot_start_says_why(tmp_path: Path) -> None:
    with (
        pytest.raises(BenchFault, match=r"simulated bench: 'start': .*no-such-fault"),
        simulated_bench(TEMPLATE, tmp_path / "bench.yaml", faults=["no-such-fault"]),
    ):
        pass
    assert not (tmp_path / "bench.yaml").exists()
