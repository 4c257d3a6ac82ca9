"""Status of the simulated instruments against IEEE 488.2 and the mandated part of SCPI-1999."""

import pytest
from simulated_desk import Desk

ROLES = ("spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs", "simulation")


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.mark.parametrize("role", ROLES)
def test_every_instrument_knows_the_mandated_commands(desk: Desk, role: str) -> None:
    # SCPI-1999 volume 1, 4.1.1 and 4.2.1.
    for line in (
        "*CLS",
        "*ESE 60",
        "*OPC",
        "*RST",
        "*SRE 16",
        "*WAI",
        "STAT:PRES",
        "STAT:OPER:ENAB 8",
        "STAT:QUES:ENAB 1",
    ):
        assert desk.send(role, line) == ""
    for query in (
        "*ESE?",
        "*ESR?",
        "*OPC?",
        "*SRE?",
        "*STB?",
        "*TST?",
        "STAT:OPER?",
        "STAT:QUES:COND?",
        "STAT:QUES:ENAB?",
    ):
        assert desk.send(role, query).isdigit()
    assert desk.send(role, "SYST:VERS?") == "1999.0"
    assert desk.error(role) == '0,"No error"'


@pytest.mark.parametrize(
    ("role", "identity"),
    [
        ("spin_supply", "polemark,simulated supply,SIM-SPIN,"),
        ("sensor_supply", "polemark,simulated supply,SIM-SENSOR,"),
        ("brake_supply", "polemark,simulated supply,SIM-BRAKE,"),
        ("scope", "polemark,simulated scope,SIM-SCOPE,"),
        ("switch", "polemark,simulated switch,SIM-SWITCH,"),
        ("inputs", "polemark,simulated inputs,SIM-INPUTS,"),
        ("simulation", "polemark,simulated control,SIM-CONTROL,"),
    ],
)
def test_identity_has_four_fields_and_says_simulated(desk: Desk, role: str, identity: str) -> None:
    # IEEE 488.2: maker, model, serial, firmware.
    reply = desk.send(role, "*IDN?")
    assert reply.startswith(identity)
    assert reply.count(",") == 3


def test_power_on_bit_is_set_once_and_cleared_by_reading(desk: Desk) -> None:
    # IEEE 488.2: PON is bit 7 of the event register, reading clears it.
    assert desk.send("scope", "*ESR?") == "128"
    assert desk.send("scope", "*ESR?") == "0"


@pytest.mark.parametrize(
    ("line", "code", "bit"),
    [
        # SCPI-1999 volume 2: -1xx sets CME (32), -2xx sets EXE (16).
        ("VOLTS 3", -113, 32),
        ("VOLT", -109, 32),
        ("VOLT 1,2", -108, 32),
        ("VOLT 3 A", -131, 32),
        ("VOLT 9999", -222, 16),
        ("OUTP MAYBE", -224, 16),
    ],
)
def test_an_error_reaches_queue_and_event_register_by_its_class(desk: Desk, line: str, code: int, bit: int) -> None:
    desk.send("spin_supply", "*CLS")
    assert desk.send("spin_supply", line) == ""
    assert desk.send("spin_supply", "*STB?") == "4"
    assert desk.error("spin_supply").startswith(f'{code},"')
    assert desk.error("spin_supply") == '0,"No error"'
    assert desk.send("spin_supply", "*ESR?") == str(bit)


def test_a_query_with_an_error_gets_no_reply(desk: Desk) -> None:
    assert desk.send("spin_supply", "MEAS:VOLTS?") == ""


def test_full_queue_keeps_the_oldest_and_ends_in_overflow(desk: Desk) -> None:
    # -350 of SCPI-1999 volume 2; that the newest entry gives way is from memory.
    for _ in range(40):
        desk.send("scope", "NONSENSE")
    entries = []
    while not (entry := desk.error("scope")).startswith("0,"):
        entries.append(entry)
    assert entries[0].startswith("-113")
    assert entries[-1] == '-350,"Queue overflow"'
    assert len(entries) == 16


def test_event_summary_reaches_the_status_byte(desk: Desk) -> None:
    # IEEE 488.2: ESB 32, MSS 64.
    desk.send("scope", "*CLS;*ESE 1;*SRE 32;*OPC")
    assert desk.send("scope", "*STB?") == "96"


def test_opc_sets_its_bit_only_when_the_sweep_is_over(desk: Desk) -> None:
    # IEEE 488.2: *OPC sets bit 0 of the event register when no operation is pending.
    desk.send("scope", "*CLS;SENS:SWE:POIN 1000;TINT 1E-3;:INIT;*OPC")
    assert desk.send("scope", "*ESR?") == "0"
    # SCPI-1999: bit 3 of the operation condition register is sweeping.
    assert desk.send("scope", "STAT:OPER:COND?") == "8"
    desk.wait(0.9)
    assert desk.send("scope", "*ESR?") == "0"
    desk.wait(0.2)
    assert desk.send("scope", "*ESR?") == "1"
    assert desk.send("scope", "STAT:OPER:COND?") == "0"


def test_several_queries_in_one_message_give_one_reply_with_semicolons(desk: Desk) -> None:
    assert desk.send("sensor_supply", "VOLT 4.5;CURR 0.2;VOLT?;CURR?;:OUTP?") == "4.5;0.2;0"
