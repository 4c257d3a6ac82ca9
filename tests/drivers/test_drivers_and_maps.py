"""Supply, switch, inputs and scope against scripted instruments: nothing is sent without a permit, nothing is believed unread."""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from scripted_instrument import IDENTITY, Answer, ScriptedInstrument, block, serving, silent

from drivers.command_map import SHIPPED, CommandMap, read_command_map
from drivers.errors import BenchFault, InstrumentError, LinkDown, NotANumber, Refused, ShortBlock
from drivers.inputs import Inputs
from drivers.instrument_port import InstrumentPort
from drivers.link import Link
from drivers.scope import Capture, CaptureSettings, Progress, Scope
from drivers.supply import Supply
from drivers.switch import PAIRS, RELAY_S, Switch
from safety.permit import Permit, PermitOffice, PermitRefused
from safety.states import State
from safety.strict_yaml import YamlError

RELAYS = {"spin_on": 101, "spin_reverse": 102, "pair_U-V": 111, "pair_V-W": 112, "pair_W-U": 113, "deadman_kick": 161}


class HandClock:
    """Bench time that moves only as it is waited for."""

    def __init__(self) -> None:
        self.now = 8.0
        self.waited: list[float] = []

    def now_s(self) -> float:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += seconds
        self.waited.append(seconds)


class Desk:
    """Scripted instruments and ports to them."""

    def __init__(self, stack: ExitStack, folder: Path) -> None:
        self._stack, self._folder = stack, folder
        self.clock = HandClock()

    def port(
        self, command_map: str | CommandMap, answers: Mapping[str, Answer] | None = None
    ) -> tuple[InstrumentPort, ScriptedInstrument]:
        instrument = self._stack.enter_context(serving(ScriptedInstrument(answers)))
        link = Link(instrument.resource)
        link.open(IDENTITY)
        self._stack.callback(link.close)
        read = read_command_map(command_map, self._folder) if isinstance(command_map, str) else command_map
        return InstrumentPort(link, read), instrument

    def supply(self, answers: Mapping[str, Answer] | None = None) -> tuple[Supply, ScriptedInstrument]:
        port, instrument = self.port("supply-scpi-1999", answers)
        return Supply(port, self.clock, "spin supply"), instrument

    def switch(self) -> tuple[Switch, ScriptedInstrument]:
        port, instrument = self.port("switch-scpi-1999")
        return Switch(port, self.clock, RELAYS), instrument

    def permit(self, purpose: str) -> Permit:
        office = PermitOffice()
        office.note_good_look(self.clock.now)
        return office.issue(purpose, State.TURNING, self.clock.now)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with ExitStack() as stack:
        yield Desk(stack, tmp_path)


# -- supply ----------------------------------------------------------------------------------------------------------


def test_limits_are_set_protection_first_and_each_is_read_back(desk: Desk) -> None:
    supply, instrument = desk.supply()
    supply.configure(24.0, 2.5, 30.0)
    assert instrument.said() == ["VOLT:PROT 30", "VOLT:PROT?", "CURR 2.5", "CURR?", "VOLT 24", "VOLT?"]
    assert instrument.heard.count("SYST:ERR?") == 3
    supply.switch_on(desk.permit("spin supply"))
    assert instrument.said()[-1] == "OUTP ON"


@pytest.mark.parametrize(
    ("query", "reply"), [("VOLT:PROT?", "60"), ("CURR?", "2.51"), ("VOLT?", "23.9"), ("CURR?", "0")]
)
def test_a_limit_that_reads_back_differently_is_refused_and_nothing_goes_on(desk: Desk, query: str, reply: str) -> None:
    supply, instrument = desk.supply({query: reply})
    with pytest.raises(Refused, match=f"{query[:-1]} .*reads back {reply}") as raised:
        supply.configure(24.0, 2.5, 30.0)
    assert raised.value.resource == instrument.resource
    with pytest.raises(Refused, match="limits have not been set and read back"):
        supply.switch_on(desk.permit("spin supply"))
    assert "OUTP ON" not in instrument.heard


def test_rounding_of_the_instrument_is_no_difference(desk: Desk) -> None:
    supply, instrument = desk.supply({"CURR?": "2.4999", "VOLT:PROT?": "3.000E+1"})
    supply.configure(24.0, 2.5, 30.0)
    supply.switch_on(desk.permit("spin supply"))
    assert instrument.heard[-2:] == ["OUTP ON", "SYST:ERR?"]


@pytest.mark.parametrize(("voltage_v", "protection_v"), [(31.0, 30.0), (-1.0, 30.0), (float("nan"), 30.0), (1.0, -1.0)])
def test_a_voltage_outside_its_protection_writes_nothing(desk: Desk, voltage_v: float, protection_v: float) -> None:
    supply, instrument = desk.supply()
    with pytest.raises(Refused, match="outside its protection"):
        supply.configure(voltage_v, 1.0, protection_v)
    assert instrument.said() == []


@pytest.mark.parametrize("trouble", ["stale", "other purpose"])
def test_a_refused_permit_writes_nothing(desk: Desk, trouble: str) -> None:
    supply, instrument = desk.supply()
    supply.configure(24.0, 2.5, 30.0)
    permit = desk.permit("sensor supply" if trouble == "other purpose" else "spin supply")
    if trouble == "stale":
        desk.clock.now += 0.26
    before = list(instrument.heard)
    with pytest.raises(PermitRefused):
        supply.switch_on(permit)
    with pytest.raises(PermitRefused):
        supply.set_voltage(12.0, permit)
    assert instrument.heard == before


def test_off_needs_no_permit_and_is_read_back(desk: Desk) -> None:
    supply, instrument = desk.supply({"OUTP?": "0"})
    supply.configure(24.0, 2.5, 30.0)
    supply.switch_on(desk.permit("spin supply"))
    desk.clock.now += 100
    supply.switch_off()
    assert instrument.said()[-2:] == ["OUTP OFF", "OUTP?"]
    with pytest.raises(Refused, match="limits have not been set"):
        supply.switch_on(desk.permit("spin supply"))


def test_an_output_that_stays_on_is_told(desk: Desk) -> None:
    supply, _ = desk.supply({"OUTP?": "1"})
    with pytest.raises(Refused, match="the output still reads as on"):
        supply.switch_off()


def test_an_error_of_the_instrument_names_the_message(desk: Desk) -> None:
    supply, instrument = desk.supply()
    instrument.errors = ['-222,"Data out of range"']
    with pytest.raises(InstrumentError, match="'VOLT:PROT 30': -222"):
        supply.configure(24.0, 2.5, 30.0)


# 9.91E37 is `not a number` and 9.9E37 infinity: SCPI-1999 volume 1, and from memory.
@pytest.mark.parametrize(
    "reply",
    ["9.91E37", "+9.91E+37", "-9.9E37", "9.9E37", "nan", "inf", "-INF", "overload", "", "1_0", "1e999", "5 V", "1,2"],
)
def test_what_is_no_number_is_never_one(desk: Desk, reply: str) -> None:
    supply, instrument = desk.supply({"MEAS:VOLT?": reply})
    instrument.answers["MEAS:CURR?"] = "1.5"
    with pytest.raises(NotANumber) as raised:
        supply.measure()
    assert (raised.value.resource, raised.value.command) == (instrument.resource, "MEAS:VOLT?")
    assert f"'{reply}'" in raised.value.reply
    with pytest.raises(LinkDown, match="the link is closed"):
        supply.measure()


# NR1, NR2, NR3 of IEEE 488.2.
@pytest.mark.parametrize(
    ("reply", "value"), [("273", 273.0), (".273", 0.273), ("2.73E+2", 273.0), ("-0", 0.0), ("+5", 5.0)]
)
def test_every_form_of_number_is_read(desk: Desk, reply: str, value: float) -> None:
    supply, _ = desk.supply({"MEAS:VOLT?": reply, "MEAS:CURR?": "1.5"})
    assert supply.measure() == (value, 1.5)


def test_replies_that_are_not_as_many_as_the_queries_are_no_numbers(desk: Desk) -> None:
    supply, instrument = desk.supply({"MEAS:VOLT?": "24"})
    with pytest.raises(NotANumber, match="1 replies in '24'; allowed: 2"):
        supply.measure()
    assert instrument.said() == ["MEAS:VOLT?", "MEAS:CURR?"]


def test_a_failed_change_of_limits_leaves_no_older_ones(desk: Desk) -> None:
    supply, instrument = desk.supply()
    supply.configure(24.0, 2.5, 30.0)
    instrument.answers["VOLT:PROT?"] = "30"
    with pytest.raises(Refused, match="reads back 30"):
        supply.configure(5.0, 2.5, 10.0)
    with pytest.raises(Refused, match="allowed: 0 to 0 V"):
        supply.set_voltage(24.0, desk.permit("spin supply"))
    assert instrument.said()[-1] == "VOLT:PROT?"


# -- switch and inputs -----------------------------------------------------------------------------------------------


def all_open() -> dict[str, bool]:
    return dict.fromkeys(PAIRS, True)


def test_a_refused_permit_closes_no_relay(desk: Desk) -> None:
    switch, instrument = desk.switch()
    with pytest.raises(PermitRefused):
        switch.close("spin_on", desk.permit("spin supply"))
    stale = desk.permit("switch")
    desk.clock.now += 1.0
    with pytest.raises(PermitRefused):
        switch.close("spin_on", stale)
    assert instrument.said() == []
    assert not switch.state("spin_on")


def test_relays_close_and_open_by_name(desk: Desk) -> None:
    switch, instrument = desk.switch()
    switch.close("spin_on", desk.permit("switch"))
    assert switch.state("spin_on")
    switch.open("spin_on")
    assert not switch.state("spin_on")
    switch.close("spin_on", desk.permit("switch"))
    switch.open_all()
    assert not switch.state("spin_on")
    assert instrument.said() == ["ROUT:CLOS (@101)", "ROUT:OPEN (@101)", "ROUT:CLOS (@101)", "ROUT:OPEN:ALL"]


def test_a_relay_that_is_not_wired_is_refused(desk: Desk) -> None:
    switch, instrument = desk.switch()
    for act in (
        lambda: switch.close("brake", desk.permit("switch")),
        lambda: switch.open("brake"),
        lambda: switch.state("brake"),
    ):
        with pytest.raises(Refused, match=r"brake.*no such relay; allowed: spin_on, spin_reverse, pair_U-V"):
            act()
    assert instrument.said() == []


class Mirrors:
    """Mirror contacts as they would follow what a switch was told; `seen` is what it had heard at each reading."""

    def __init__(self, switch: Switch, instrument: ScriptedInstrument) -> None:
        self.switch, self.instrument = switch, instrument
        self.seen: list[list[str]] = []

    def __call__(self) -> dict[str, bool]:
        self.seen.append(self.instrument.said())
        return {pair: not self.switch.state(f"pair_{pair}") for pair in PAIRS}


def test_a_pair_is_broken_before_another_is_made_and_seen_made(desk: Desk) -> None:
    switch, instrument = desk.switch()
    mirrors = Mirrors(switch, instrument)
    switch.connect_pair("U-V", lambda: desk.permit("switch"), mirrors)
    switch.connect_pair("V-W", lambda: desk.permit("switch"), mirrors)
    uv, no_uv, vw = "ROUT:CLOS (@111)", "ROUT:OPEN (@111)", "ROUT:CLOS (@112)"
    assert instrument.said() == [uv, no_uv, vw]
    assert mirrors.seen == [[], [uv], [uv, no_uv], [uv, no_uv, vw]]
    assert desk.clock.waited == [RELAY_S] * 4
    assert (switch.state("pair_U-V"), switch.state("pair_V-W")) == (False, True)
    switch.connect_pair(None, lambda: desk.permit("switch"), mirrors)
    assert instrument.said()[-1] == "ROUT:OPEN (@112)"


@pytest.mark.parametrize(("shown", "words"), [((), "no pair"), (("V-W",), "V-W"), (("U-V", "W-U"), "U-V, W-U")])
def test_a_pair_that_its_mirror_contacts_do_not_show_alone_is_opened_again(
    desk: Desk, shown: tuple[str, ...], words: str
) -> None:
    switch, instrument = desk.switch()
    readings = iter([all_open(), all_open() | dict.fromkeys(shown, False)])
    with pytest.raises(Refused, match=f"mirror contacts show {words} connected; allowed: U-V alone"):
        switch.connect_pair("U-V", lambda: desk.permit("switch"), lambda: next(readings))
    assert instrument.said() == ["ROUT:CLOS (@111)", "ROUT:OPEN (@111)"]
    assert not switch.state("pair_U-V")


def test_a_winding_pair_is_never_closed_like_another_relay(desk: Desk) -> None:
    switch, instrument = desk.switch()
    with pytest.raises(Refused, match="use connect_pair"):
        switch.close("pair_U-V", desk.permit("switch"))
    assert instrument.said() == []


def test_a_connected_spin_motor_is_never_reversed(desk: Desk) -> None:
    switch, instrument = desk.switch()
    switch.close("spin_reverse", desk.permit("switch"))
    switch.close("spin_on", desk.permit("switch"))
    switch.open("spin_reverse")
    before = instrument.said()
    with pytest.raises(Refused, match="the spin motor is connected; allowed: with spin_on open"):
        switch.close("spin_reverse", desk.permit("switch"))
    assert instrument.said() == before


@pytest.mark.parametrize("stuck", PAIRS)
@pytest.mark.parametrize("wanted", [*PAIRS, None])
def test_a_mirror_contact_that_shows_a_closed_relay_makes_no_pair(desk: Desk, stuck: str, wanted: str | None) -> None:
    switch, instrument = desk.switch()
    with pytest.raises(Refused, match=f"mirror contact shows {stuck} still connected"):
        switch.connect_pair(wanted, lambda: desk.permit("switch"), lambda: all_open() | {stuck: False})
    assert instrument.said() == []


def test_a_mirror_contact_that_is_not_read_makes_no_pair(desk: Desk) -> None:
    switch, instrument = desk.switch()
    with pytest.raises(Refused, match="mirror contact shows V-W, W-U still connected"):
        switch.connect_pair("U-V", lambda: desk.permit("switch"), lambda: {"U-V": True})
    assert instrument.said() == []


def test_the_permit_for_a_pair_is_asked_for_after_the_break(desk: Desk) -> None:
    switch, instrument = desk.switch()
    stale = desk.permit("switch")
    desk.clock.now += 1.0
    with pytest.raises(PermitRefused):
        switch.connect_pair("U-V", lambda: stale, all_open)
    assert instrument.said() == []


def test_each_kick_changes_the_dead_man_relay(desk: Desk) -> None:
    switch, instrument = desk.switch()
    instrument.answers["ROUT:CLOS? (@101,102,111,112,113,161)"] = "0,0,0,0,0,1"
    for _ in range(3):
        switch.kick()
    switch.open_all()
    switch.kick()
    assert switch.read_states()["deadman_kick"]
    close, open_ = "ROUT:CLOS (@161)", "ROUT:OPEN (@161)"
    assert instrument.said()[:5] == [close, open_, close, "ROUT:OPEN:ALL", close]


def test_relay_states_are_read_from_the_instrument(desk: Desk) -> None:
    switch, instrument = desk.switch()
    instrument.answers["ROUT:CLOS? (@101,102,111,112,113,161)"] = "0,0,1,0,0,1"
    assert switch.read_states() == {
        "spin_on": False,
        "spin_reverse": False,
        "pair_U-V": True,
        "pair_V-W": False,
        "pair_W-U": False,
        "deadman_kick": True,
    }
    instrument.answers["ROUT:CLOS? (@101,102,111,112,113,161)"] = "0,1,0"
    with pytest.raises(NotANumber, match="3 values in '0,1,0'; allowed: 6"):
        switch.read_states()


def test_contacts_and_code_are_read_by_name(desk: Desk) -> None:
    port, _ = desk.port("inputs-scpi-1999", {"SENS:DATA? (@1,11,12)": "1,1,0", "SENS:DATA? (@20)": "7"})
    inputs = Inputs(port, {"stop_circuit": 1, "mirror_U-V": 11, "adapter_code": 20, "mirror_V-W": 12})
    assert inputs.read() == {"stop_circuit": True, "mirror_U-V": True, "mirror_V-W": False, "adapter_code": 7}
    assert inputs.mirrors() == {"U-V": True, "V-W": False}


# -- scope -----------------------------------------------------------------------------------------------------------

SIGNALS = ("emf", "H1", "H2", "H3")
SETTINGS = CaptureSettings("sensors", SIGNALS, "U-V", 1e-5, 2, (200.0, 10.0, 10.0, 10.0), (0.0, 2.5, 2.5, 2.5))
SHIPPED_TEXT = (SHIPPED / "scope-scpi-1999.yaml").read_text(encoding="utf-8")


def scope_map(folder: Path, *changes: tuple[str, str]) -> CommandMap:
    text = SHIPPED_TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "scope.yaml").write_text(text, encoding="utf-8")
    return read_command_map("scope.yaml", folder)


INT16 = (("INT,8", "INT,16"), ("width: 8", "width: 16"))
SWAPPED = (("NORM", "SWAP"), ("order: big-endian", "order: little-endian"))


def scope(desk: Desk, folder: Path, raw: bytes, *changes: tuple[str, str]) -> tuple[Scope, ScriptedInstrument]:
    answers: dict[str, Answer] = {f"TRAC:DATA? CH{n}": block(raw) for n in (1, 2, 3, 4)}
    answers |= {f"SENS{n}:VOLT:SCAL?": "0.5" for n in (1, 2, 3, 4)}
    answers |= {"*ESR?": "0", "*OPC": silent, "STAT:OPER:COND?": "0"}
    port, instrument = desk.port(scope_map(folder, *changes), answers)
    return Scope(port, desk.clock), instrument


def taken(made: Scope) -> Capture:
    made.prepare(SETTINGS)
    made.arm()
    return made.fetch()


# Two int16, -5 and 0x4849: FF FB 48 49 in normal order, FB FF 49 48 swapped (IEEE 488.2, pattern of a public parser's tests).
@pytest.mark.parametrize(
    ("raw", "changes", "counts", "kind"),
    [
        (b"\xff\xfb\x48\x49", INT16, [-5, 0x4849], np.int16),
        (b"\xfb\xff\x49\x48", INT16 + SWAPPED, [-5, 0x4849], np.int16),
        (b"\x80\x7f", (), [-128, 127], np.int8),
        (b"\x0a\xfb", SWAPPED, [10, -5], np.int8),
        (b"\x0a\x0a\x0d\x0a", INT16, [0x0A0A, 0x0D0A], np.int16),
    ],
)
def test_samples_of_both_widths_and_orders(
    desk: Desk, tmp_path: Path, raw: bytes, changes: tuple[tuple[str, str], ...], counts: list[int], kind: type
) -> None:
    made, _ = scope(desk, tmp_path, raw, *changes)
    capture = taken(made)
    assert [w.signal for w in capture.waveforms] == list(SIGNALS)
    for waveform, offset_v in zip(capture.waveforms, SETTINGS.offsets_v, strict=True):
        assert waveform.counts.dtype == kind
        assert waveform.counts.tolist() == counts
        assert waveform.volts().tolist() == [c * 0.5 + offset_v for c in counts]
    assert (capture.interval_s, capture.started_s, capture.settings) == (1e-5, 8.0, SETTINGS)


UNSIGNED = (("width:", "signed: false\n  width:"),)
REFERENCE = (("  set_points:", '  read_reference: {header: "SENS{channel}:REF?", response: number}\n  set_points:'),)


# volts = (count - reference) x scale + offset, whatever stands for what (the rule of the map, worked by hand).
@pytest.mark.parametrize(
    ("raw", "changes", "volts"),
    [
        (b"\x00\xff", UNSIGNED, [0.0, 127.5]),
        (b"\x00\xff", UNSIGNED + REFERENCE, [-64.0, 63.5]),
        (b"\x80\x7f", REFERENCE, [-128.0, -0.5]),
        (b"\x80\x00\x00\x01", INT16 + UNSIGNED, [16384.0, 0.5]),
        (b"\x80\x00\x00\x01", INT16 + UNSIGNED + SWAPPED, [64.0, 128.0]),
    ],
)
def test_unsigned_samples_and_a_reference_count_are_a_matter_of_the_map(
    desk: Desk, tmp_path: Path, raw: bytes, changes: tuple[tuple[str, str], ...], volts: list[float]
) -> None:
    made, instrument = scope(desk, tmp_path, raw, *changes)
    instrument.answers |= {f"SENS{n}:REF?": "128" for n in (1, 2, 3, 4)}
    emf = taken(made).waveforms[0]
    assert emf.volts().tolist() == volts
    assert emf.counts.dtype == (np.int16 if INT16[0] in changes else np.int8)


PER_DIVISION = (
    ('"SENS{channel}:VOLT:RANG"', '"SENS{channel}:VOLT:DIV", factor: 0.125'),
    ('"SENS{channel}:VOLT:RANG?"', '"SENS{channel}:VOLT:DIV?", factor: 0.125'),
)


def test_a_scope_that_takes_volts_per_division_gets_them(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02", *PER_DIVISION)
    made.prepare(SETTINGS)
    assert [m for m in instrument.said() if "DIV " in m] == [
        "SENS1:VOLT:DIV 25", "SENS2:VOLT:DIV 1.25", "SENS3:VOLT:DIV 1.25", "SENS4:VOLT:DIV 1.25",
    ]  # fmt: skip


def test_a_scope_may_take_its_next_wider_range_and_the_capture_says_so(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    instrument.answers |= {"SENS1:VOLT:RANG?": "500", "SENS1:VOLT:OFFS?": "1"}
    capture = taken(made)
    assert capture.settings.ranges_v == (500.0, 10.0, 10.0, 10.0)
    assert capture.settings.offsets_v == (1.0, 2.5, 2.5, 2.5)
    assert capture.waveforms[0].volts().tolist() == [1.5, 2.0]
    instrument.answers["SENS1:VOLT:RANG?"] = "501"
    with pytest.raises(Refused, match="range of channel 1': reads back 501; allowed: 200 to 500"):
        made.prepare(SETTINGS)


@pytest.mark.parametrize("raw", [b"", b"\x01", b"\x01\x02\x03", b"\x01\x02\x03\x04"])
def test_a_block_that_is_not_samples_times_width_is_a_short_block_and_closes(
    desk: Desk, tmp_path: Path, raw: bytes
) -> None:
    made, _ = scope(desk, tmp_path, raw)
    with pytest.raises(ShortBlock, match=f"TRAC:DATA. CH1': {len(raw)} bytes; allowed: 2"):
        taken(made)
    with pytest.raises(LinkDown, match="the link is closed"):
        made.progress()


@pytest.mark.parametrize(
    ("query", "reply", "words"),
    [
        ("FORM:DATA?", "ASC", "answers 'ASC'; allowed: INT,8"),
        ("FORM:BORD?", "SWAP", "answers 'SWAP'; allowed: NORM"),
        ("SENS:SWE:POIN?", "1", "samples': reads back 1; allowed: 2"),
        ("SENS:SWE:TINT?", "2E-5", "interval': reads back 2e-05; allowed: 1e-05"),
        ("SENS1:VOLT:RANG?", "100", "reads back 100"),
        ("SENS4:VOLT:OFFS?", "0", "reads back 0"),
    ],
)
def test_a_scope_setting_that_reads_back_differently_is_refused(
    desk: Desk, tmp_path: Path, query: str, reply: str, words: str
) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    instrument.answers[query] = reply
    with pytest.raises(Refused, match=words):
        made.prepare(SETTINGS)
    with pytest.raises(Refused, match="nothing was prepared"):
        made.arm()
    assert "INIT" not in instrument.heard


def test_a_setting_that_fails_leaves_no_older_one_to_start(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    made.prepare(SETTINGS)
    instrument.answers["SENS:SWE:POIN?"] = "1"
    with pytest.raises(Refused, match="samples"):
        made.prepare(SETTINGS)
    with pytest.raises(Refused, match="nothing was prepared"):
        made.arm()


# Operation status: bit 3 sweeping, bit 5 waiting for trigger; event status bit 0 operation complete (SCPI-1999 volume 1).
def test_progress_tells_four_things_apart(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    with pytest.raises(Refused, match="nothing was captured"):
        made.fetch()
    made.prepare(SETTINGS)
    assert made.progress() is Progress.NOT_ARMED
    made.arm()
    instrument.answers["STAT:OPER:COND?"] = "32"
    assert made.progress() is Progress.WAITING
    instrument.answers["STAT:OPER:COND?"] = "8"
    assert made.progress() is Progress.SWEEPING
    instrument.answers["*ESR?"] = "1"
    assert made.progress() is Progress.DONE
    instrument.answers["*ESR?"] = "0"
    assert made.progress() is Progress.DONE
    made.abort()
    assert made.progress() is Progress.NOT_ARMED


def test_a_second_capture_is_not_done_because_the_first_was(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    made.prepare(SETTINGS)
    made.arm()
    instrument.answers["*ESR?"] = "1"
    assert made.progress() is Progress.DONE
    instrument.answers |= {"*ESR?": "0", "STAT:OPER:COND?": "8"}
    made.arm()
    assert made.progress() is Progress.SWEEPING


def test_a_status_that_is_no_number_is_a_fault(desk: Desk, tmp_path: Path) -> None:
    made, instrument = scope(desk, tmp_path, b"\x01\x02")
    made.prepare(SETTINGS)
    made.arm()
    instrument.answers["*ESR?"] = "ready"
    with pytest.raises(NotANumber, match="'ready'; allowed: a number"):
        made.progress()


def test_a_scope_needs_a_map_that_tells_of_samples(desk: Desk) -> None:
    port, _ = desk.port("supply-scpi-1999")
    with pytest.raises(BenchFault, match="says nothing of samples"):
        Scope(port, desk.clock)


# -- foreign command maps --------------------------------------------------------------------------------------------

FOREIGN = """
command_map: invented
kind: supply
joined: false
messages:
  set_voltage: {header: "SET:U", parameter: "{value},OUT1"}
  read_voltage: {header: "GET:U?", parameter: "OUT1", response: number}
  set_current: {header: "SET:I", parameter: "{value},OUT1"}
  read_current: {header: "GET:I?", parameter: "OUT1", response: number}
  set_protection: {header: "GUARD:U", parameter: "{value}"}
  read_protection: {header: "GUARD:U?", response: number}
  switch_on: {header: "GO"}
  switch_off: {header: "HALT"}
  read_output: {header: "RUNS?", response: boolean}
  measure_voltage: {header: "SEE:U?", response: number}
  measure_current: {header: "SEE:I?", response: number}
  read_error: {header: "WRONG?", response: text}
"""


def test_a_foreign_map_makes_another_language_work(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "invented.yaml").write_text(FOREIGN, encoding="utf-8")
    answers: dict[str, Answer] = {
        "GET:U? OUT1": "12", "GET:I? OUT1": "0.5", "GUARD:U?": "15", "RUNS?": "OFF", "SEE:U?": "11.9", "SEE:I?": "0.2", "WRONG?": "0",
    }  # fmt: skip
    port, instrument = desk.port("invented.yaml", answers)
    supply = Supply(port, desk.clock, "sensor supply")
    supply.configure(12.0, 0.5, 15.0)
    supply.switch_on(desk.permit("sensor supply"))
    assert supply.measure() == (11.9, 0.2)
    supply.switch_off()
    assert "SYST:ERR?" not in instrument.heard
    assert instrument.said("WRONG?") == [
        "GUARD:U 15", "GUARD:U?", "SET:I 0.5,OUT1", "GET:I? OUT1", "SET:U 12,OUT1", "GET:U? OUT1", "GO", "SEE:U?",
        "SEE:I?", "HALT", "RUNS?",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("  switch_off: {header: \"HALT\"}\n", "", "messages are missing: switch_off"),
        ("kind: supply", "kind: heater", "kind"),
        ('{header: "GO"}', '{heading: "GO"}', "unknown key 'heading'"),
        ('{header: "GO"}', '{header: ""}', "header"),
        ("response: boolean", "response: maybe", "response"),
        ("kind: supply", "kind: supply\nkind: supply", "kind"),
        ("response: boolean", "response: number", "read_output answers with number; allowed: boolean"),
        ('{header: "GO"}', '{header: "GO", response: text}', "switch_on answers with text; allowed: no response"),
        ("  switch_on:", "  switch_up: {header: UP}\n  switch_on:", "no driver asks for 'switch_up'"),
        ("{value},OUT1", "5,OUT1", r"set_voltage has no place .*allowed: a message with \{value\}"),
        ('{header: "GUARD:U?"', '{header: "GUARD:U?", factor: 0', "read_protection has factor 0"),
        (
            "joined: false",
            "samples: {width: 8, order: big-endian, format_name: A, order_name: B, sweeping_bit: 3, waiting_bit: 5}",
            "samples must be described for a scope; allowed: in a scope's map, and in no other",
        ),
        ("joined: false", "samples: {width: 12}", "width is '12'; allowed: 8 or 16"),
    ],
)  # fmt: skip
def test_a_map_that_breaks_a_rule_is_refused_with_its_place(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in FOREIGN
    (tmp_path / "invented.yaml").write_text(FOREIGN.replace(old, new), encoding="utf-8")
    with pytest.raises(YamlError, match=rf"invented\.yaml:[0-9]+:[0-9]+: .*{words}"):
        read_command_map("invented.yaml", tmp_path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("{value},OUT1", "{volts},OUT1"),
        ("{value},OUT1", "{value.real},OUT1"),
        ("{value},OUT1", "{value,OUT1"),
        ("{value},OUT1", "{},OUT1"),
        ('"GO"', '"GO {value}"'),
        ('"SEE:U?"', '"SEE:U{channel}?"'),
    ],
)
def test_a_map_with_a_placeholder_that_no_driver_fills_is_refused(tmp_path: Path, old: str, new: str) -> None:
    (tmp_path / "invented.yaml").write_text(FOREIGN.replace(old, new), encoding="utf-8")
    with pytest.raises(YamlError, match=r"invented\.yaml:[0-9]+:[0-9]+: .*placeholder"):
        read_command_map("invented.yaml", tmp_path)


@pytest.mark.parametrize("name", sorted(p.stem for p in SHIPPED.glob("*.yaml")))
def test_every_shipped_map_is_whole(name: str, tmp_path: Path) -> None:
    assert read_command_map(name, tmp_path).command_map == name
