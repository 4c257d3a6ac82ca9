"""Every way that a link can fail ends in one named fault, and nothing is asked of the instrument after it."""

import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from scripted_instrument import IDENTITY, Answer, ScriptedInstrument, block, late, reset, serving, silent, then_close

from drivers import session as session_module
from drivers.errors import BenchFault, InstrumentError, LinkDown, LinkTimeout, ShortBlock, WrongIdentity
from drivers.link import Link

TIMEOUT_S = 0.1
LATE_S = 0.2
PROMPT_S = 1.0
DEADLINE_S = 10.0


@pytest.fixture
def instrument() -> Iterator[ScriptedInstrument]:
    with serving(ScriptedInstrument()) as served:
        yield served


@pytest.fixture
def link(instrument: ScriptedInstrument) -> Iterator[Link]:
    made = Link(instrument.resource, timeout_s=TIMEOUT_S)
    made.open(IDENTITY)
    yield made
    made.close()


def closed_for_good(link: Link, instrument: ScriptedInstrument) -> None:
    """Whatever is asked of a link after its fault, the instrument hears nothing of it."""
    heard = list(instrument.heard)
    acts: tuple[Callable[[], object], ...] = (
        lambda: link.query("AFTER?"),
        lambda: link.write("AFTER"),
        lambda: link.query_block("AFTER?"),
        lambda: link.open(IDENTITY),
    )
    for act in acts:
        with pytest.raises(LinkDown, match="the link is closed"):
            act()
    assert instrument.heard == heard


def states_what_happened(fault: BenchFault, link: Link, command: str, reply: str) -> None:
    assert (fault.resource, fault.command) == (link.resource, command)
    assert reply in fault.reply
    assert str(fault) == f"{fault.resource}: '{command}': {fault.reply}"


def test_a_good_link_queries_writes_reads_blocks_and_tells_its_traffic(instrument: ScriptedInstrument) -> None:
    told: list[tuple[str, str]] = []
    instrument.answers |= {"ASK?": "42", "DATA?": block(b"abc")}
    link = Link(instrument.resource, lambda *said: told.append(said))
    assert link.open(IDENTITY) == "maker,model,S-1,1.0"
    assert link.query("ASK?") == "42"
    link.write("SET 1")
    assert link.query_block("DATA?") == b"abc"
    assert link.query("ASK?") == "42"
    link.close()
    link.close()
    assert instrument.heard == ["*IDN?", "*CLS", "ASK?", "SET 1", "DATA?", "ASK?"]
    # SHA-256 of `abc`: FIPS 180-4.
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert told[3:] == [
        ("to", "ASK?"), ("from", "42"), ("to", "SET 1"), ("to", "DATA?"), ("from", f"block of 3 bytes sha256:{digest}"),
        ("to", "ASK?"), ("from", "42"), ("closed", "closed"),
    ]  # fmt: skip


def test_a_log_that_fails_keeps_no_link_open(instrument: ScriptedInstrument) -> None:
    def full(way: str, text: str) -> None:
        raise OSError(f"no space left for {way} {text}")

    link = Link(instrument.resource, full)
    with pytest.raises(OSError, match="no space left"):
        link.open(IDENTITY)
    link.close()
    with pytest.raises(LinkDown, match="the link is closed"):
        link.query("AFTER?")


def test_a_refused_connection_is_a_link_that_is_down() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        link = Link(f"TCPIP0::127.0.0.1::{unused.getsockname()[1]}::SOCKET")
        started_s = time.monotonic()
        with pytest.raises(LinkDown) as raised:
            link.open(IDENTITY)
    assert time.monotonic() - started_s < PROMPT_S
    assert not isinstance(raised.value, LinkTimeout)
    assert raised.value.resource == link.resource
    assert "refused" in str(raised.value)
    with pytest.raises(LinkDown, match="the link is closed"):
        link.query("AFTER?")


def test_a_resource_that_is_no_address_is_a_link_that_is_down() -> None:
    with pytest.raises(LinkDown, match="nonsense: 'open': could not be opened"):
        Link("nonsense").open(None)


def test_a_link_that_was_never_opened_says_so() -> None:
    with pytest.raises(LinkDown, match=r"the link is closed \(never opened\)"):
        Link("TCPIP0::127.0.0.1::1::SOCKET").query("ASK?")


def test_silence_is_a_prompt_timeout(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers["ASK?"] = silent
    started_s = time.monotonic()
    with pytest.raises(LinkTimeout) as raised:
        link.query("ASK?")
    assert TIMEOUT_S <= time.monotonic() - started_s < PROMPT_S
    states_what_happened(raised.value, link, "ASK?", "no answer in time")
    closed_for_good(link, instrument)


def test_a_late_reply_is_never_taken_for_the_next_answer(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers |= {"ASK?": late(LATE_S, b"old\n"), "OTHER?": "new"}
    with pytest.raises(LinkTimeout):
        link.query("ASK?")
    time.sleep(LATE_S)
    with pytest.raises(LinkDown, match=r"OTHER\?.*the link is closed \(no answer in time\)"):
        link.query("OTHER?")
    closed_for_good(link, instrument)
    fresh = Link(instrument.resource)
    fresh.open(IDENTITY)
    assert fresh.query("OTHER?") == "new"
    fresh.close()


@pytest.mark.parametrize("surplus", [b"2\n", b"2"])
def test_a_surplus_reply_is_never_taken_for_the_next_answer(
    link: Link, instrument: ScriptedInstrument, surplus: bytes
) -> None:
    instrument.answers |= {"ASK?": b"1\n" + surplus, "OTHER?": "3"}
    assert link.query("ASK?") == "1"
    with pytest.raises(LinkDown) as raised:
        link.query("OTHER?")
    states_what_happened(raised.value, link, "OTHER?", "unread bytes of an earlier reply")
    assert "OTHER?" not in instrument.heard
    closed_for_good(link, instrument)


def test_bytes_after_a_block_are_never_taken_for_the_next_answer(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers |= {"DATA?": block(b"abc") + b"more\n", "OTHER?": "3"}
    assert link.query_block("DATA?") == b"abc"
    with pytest.raises(LinkDown, match="unread bytes of an earlier reply"):
        link.query("OTHER?")
    closed_for_good(link, instrument)


def test_a_peer_that_closed_while_idle_is_found_before_the_next_command(
    link: Link, instrument: ScriptedInstrument
) -> None:
    instrument.answers["ASK?"] = then_close(b"1\n")
    assert link.query("ASK?") == "1"
    time.sleep(0.05)
    started_s = time.monotonic()
    with pytest.raises(LinkDown) as raised:
        link.write("SET 1")
    assert time.monotonic() - started_s < TIMEOUT_S
    states_what_happened(raised.value, link, "SET 1", "the instrument closed the connection")
    closed_for_good(link, instrument)


BLOCK_FAULTS: dict[str, tuple[Answer, type[BenchFault], str]] = {
    # IEEE 488.2 definite-length block: '#', a digit n, n digits of length, the bytes, then the newline.
    "peer closes mid-block": (then_close(b"#3100abc"), ShortBlock, "3 of 101 bytes came, then the instrument closed"),
    "peer closes before its block": (then_close(b""), LinkDown, "the instrument closed the connection"),
    "peer closes mid-header": (then_close(b"#3"), ShortBlock, "0 of 3 bytes came, then the instrument closed"),
    "peer resets": (reset, LinkDown, ""),
    "nothing comes": (silent, LinkTimeout, "no answer in time"),
    "shorter than its header says": (b"#210ABCD\n", ShortBlock, "5 of 11 bytes came, then nothing in time"),
    "longer than its header says": (b"#13ABCDE\n", ShortBlock, "ends with b'D'; allowed: a newline"),
    "indefinite": (b"#0ABCD\n", ShortBlock, "starts with b'#0'; allowed: a definite-length block"),
    "no block": (b"12,13\n", ShortBlock, "starts with b'12'"),
    "no length": (b"#2x4ABCD\n", ShortBlock, "length b'x4'; allowed: digits"),
    "length beyond all sense": (b"#9999999999A\n", ShortBlock, "length b'999999999'; allowed: digits, up to"),
}


@pytest.mark.parametrize("case", BLOCK_FAULTS)
def test_a_bad_block_is_one_named_fault(link: Link, instrument: ScriptedInstrument, case: str) -> None:
    instrument.answers["DATA?"], kind, reply = BLOCK_FAULTS[case]
    started_s = time.monotonic()
    with pytest.raises(kind) as raised:
        link.query_block("DATA?")
    assert time.monotonic() - started_s < PROMPT_S
    assert type(raised.value) is kind
    states_what_happened(raised.value, link, "DATA?", reply)
    closed_for_good(link, instrument)


def test_a_peer_that_closes_while_a_reply_is_due_is_found_before_the_timeout(instrument: ScriptedInstrument) -> None:
    instrument.answers["ASK?"] = then_close(b"")
    link = Link(instrument.resource, timeout_s=5.0)
    link.open(IDENTITY)
    started_s, spent_s = time.monotonic(), time.process_time()
    with pytest.raises(LinkDown) as raised:
        link.query("ASK?")
    assert time.monotonic() - started_s < PROMPT_S
    assert time.process_time() - spent_s < PROMPT_S
    states_what_happened(raised.value, link, "ASK?", "the instrument closed the connection")
    closed_for_good(link, instrument)


def test_a_block_that_drips_has_a_deadline_all_the_same(instrument: ScriptedInstrument) -> None:
    def drip(connection: socket.socket) -> None:
        connection.sendall(b"#3100")
        for _ in range(20):
            time.sleep(TIMEOUT_S / 2)
            connection.sendall(b".")

    instrument.answers["DATA?"] = drip
    link = Link(instrument.resource, timeout_s=TIMEOUT_S)
    link.open(IDENTITY)
    started_s = time.monotonic()
    with pytest.raises(ShortBlock, match=r"[0123] of 101 bytes came, then nothing in time"):
        link.query_block("DATA?")
    assert time.monotonic() - started_s < PROMPT_S
    closed_for_good(link, instrument)


def test_opening_has_its_own_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    class Hanging:
        closed = threading.Event()
        go_on = threading.Event()

        def open_resource(self, *_: object, **__: object) -> "Hanging":
            self.go_on.wait(DEADLINE_S)
            return self

        def close(self) -> None:
            self.closed.set()

    hanging = Hanging()
    monkeypatch.setattr(session_module, "OPEN_TIMEOUT_S", 0.05)
    monkeypatch.setattr(session_module, "_resource_manager", lambda: hanging)
    started_s = time.monotonic()
    # An address for documentation: RFC 5737.
    with pytest.raises(LinkDown, match="could not be opened: did not open within"):
        Link("TCPIP0::192.0.2.1::1::SOCKET").open(IDENTITY)
    assert time.monotonic() - started_s < PROMPT_S
    # What opens too late is closed again.
    hanging.go_on.set()
    assert hanging.closed.wait(DEADLINE_S)


def test_a_command_that_is_cut_short_by_a_person_closes_the_link(link: Link, instrument: ScriptedInstrument) -> None:
    class Interrupting:
        def unfit(self) -> str:
            return ""

        def write(self, text: str) -> None:
            raise KeyboardInterrupt(text)

        def close(self) -> None:
            pass

    link._session = Interrupting()  # type: ignore[assignment]
    with pytest.raises(KeyboardInterrupt):
        link.query("ASK?")
    with pytest.raises(LinkDown, match=r"the link is closed \(interrupted\)"):
        link.query("ASK?")
    assert "ASK?" not in instrument.heard


def test_last_words_are_said_once_when_a_fault_closes_the_link(instrument: ScriptedInstrument) -> None:
    instrument.answers["ASK?"] = b"\xff\n"
    link = Link(instrument.resource, last_words="OUTP OFF")
    link.open(IDENTITY)
    with pytest.raises(LinkDown):
        link.query("ASK?")
    link.close()
    until_s = time.monotonic() + DEADLINE_S
    while "OUTP OFF" not in instrument.heard and time.monotonic() < until_s:
        time.sleep(0.01)
    assert instrument.heard == ["*IDN?", "*CLS", "ASK?", "OUTP OFF"]


def test_last_words_are_said_to_no_other_instrument_nor_into_silence_nor_at_a_plain_close(
    instrument: ScriptedInstrument,
) -> None:
    instrument.answers["ASK?"] = silent
    mute = Link(instrument.resource, timeout_s=TIMEOUT_S, last_words="OUTP OFF")
    mute.open(IDENTITY)
    with pytest.raises(LinkTimeout):
        mute.query("ASK?")
    link = Link(instrument.resource, last_words="OUTP OFF")
    with pytest.raises(WrongIdentity):
        link.open(("maker", "model", "S-9"))
    plain = Link(instrument.resource, last_words="OUTP OFF")
    plain.open(IDENTITY)
    plain.close()
    check = Link(instrument.resource)
    check.open(IDENTITY)
    check.close()
    assert "OUTP OFF" not in instrument.heard


def test_a_reset_while_a_reply_is_due_is_a_link_that_is_down(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers["ASK?"] = reset
    with pytest.raises(LinkDown) as raised:
        link.query("ASK?")
    states_what_happened(raised.value, link, "ASK?", "")
    closed_for_good(link, instrument)


def test_a_reply_that_is_no_text_is_a_link_that_is_down(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers["ASK?"] = b"\xff\xfe\n"
    with pytest.raises(LinkDown) as raised:
        link.query("ASK?")
    states_what_happened(raised.value, link, "ASK?", "bytes that are no text: ff fe")
    closed_for_good(link, instrument)


# IEEE 488.2: the payload may hold newline, ';' or '#', and the length may have leading zeros.
@pytest.mark.parametrize("raw", [b"", b"\n", b"\n" * 1000, b"a\n#15;b\r\n", bytes(range(256)) * 600])
def test_a_block_keeps_every_byte(link: Link, instrument: ScriptedInstrument, raw: bytes) -> None:
    instrument.answers |= {"DATA?": block(raw), "PADDED?": b"#9%09d%s\n" % (len(raw), raw), "ASK?": "1"}
    assert link.query_block("DATA?") == raw
    assert link.query_block("PADDED?") == raw
    assert link.query("ASK?") == "1"


def test_a_block_without_a_newline_is_read_where_the_map_says_so(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers |= {"DATA?": b"#13AB\n", "ASK?": "1"}
    assert link.query_block("DATA?", terminator=False) == b"AB\n"
    assert link.query("ASK?") == "1"


@pytest.mark.parametrize("other", ["maker,model,S-2,1.0", "maker,model", "other,model,S-1,1.0", ""])
def test_another_instrument_than_the_one_named_is_refused(instrument: ScriptedInstrument, other: str) -> None:
    instrument.answers["*IDN?"] = other
    link = Link(instrument.resource)
    with pytest.raises(WrongIdentity) as raised:
        link.open(IDENTITY)
    states_what_happened(raised.value, link, "*IDN?", f"'{other}' answers; allowed: maker,model,S-1")
    assert instrument.heard == ["*IDN?"]
    closed_for_good(link, instrument)


def test_an_entry_of_the_error_queue_is_a_fault_with_all_entries(link: Link, instrument: ScriptedInstrument) -> None:
    # -222 and -113: SCPI-1999 volume 2, list of errors.
    instrument.errors = ['-222,"Data out of range"', '-113,"Undefined header"']
    with pytest.raises(InstrumentError) as raised:
        link.check_errors("VOLT 900")
    states_what_happened(raised.value, link, "VOLT 900", '-222,"Data out of range"; -113,"Undefined header"')
    closed_for_good(link, instrument)


def test_no_error_by_any_spelling_of_zero_is_none(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.errors = ['+0,"No error"']
    link.check_errors("VOLT 5")
    assert instrument.heard[-1] == "SYST:ERR?"


@pytest.mark.parametrize("reply", ["nonsense", "", "-222.0"])
def test_an_error_queue_that_answers_no_number_is_a_fault(
    link: Link, instrument: ScriptedInstrument, reply: str
) -> None:
    instrument.errors = [reply]
    with pytest.raises(InstrumentError):
        link.check_errors("VOLT 5")
    closed_for_good(link, instrument)


def test_an_error_queue_that_never_empties_ends_in_a_fault(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers["SYST:ERR?"] = '-350,"Queue overflow"'
    with pytest.raises(InstrumentError, match="Queue overflow"):
        link.check_errors("VOLT 5")
    closed_for_good(link, instrument)


def test_threads_that_share_a_link_get_their_own_answers(link: Link, instrument: ScriptedInstrument) -> None:
    instrument.answers |= {f"ASK {n}?": str(n) for n in range(4)}
    wrong: list[str] = []

    def ask(number: int) -> None:
        wrong.extend(r for _ in range(50) if (r := link.query(f"ASK {number}?")) != str(number))

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert len(instrument.said()) == 200
