"""SCPI program messages against SCPI-1999 volume 1 (headers, path, channel lists) and IEEE 488.2 (numbers, blocks)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.scpi_grammar import (
    Command,
    CommandTree,
    ScpiError,
    block,
    boolean,
    channel_list,
    number,
    quoted,
    split_message,
)

TREE = CommandTree(
    [
        Command("OUTPut[:STATe]", lambda _: None, 1, 1),
        Command("OUTPut:POLarity", lambda _: None, 1, 1),
        Command("SYSTem:ERRor[:NEXT]?", lambda _: "none"),
        Command("TRIGger:DELay", lambda _: None, 1, 1),
        Command("INITiate[:IMMediate]", lambda _: None),
        Command("SENSe#:VOLTage:RANGe", lambda _: None, 1, 1),
    ]
)


@pytest.mark.parametrize("header", ["SYST:ERR?", "SYSTEM:ERROR?", "system:err?", "Syst:Error:Next?", "SYST:ERR:NEXT?"])
def test_exact_short_and_long_forms_in_any_case_are_the_same_header(header: str) -> None:
    # SCPI-1999 volume 1, 6.2.1.
    assert TREE.find(header)[0].pattern == "SYSTem:ERRor[:NEXT]?"


@pytest.mark.parametrize(
    "header", ["SYSTE:ERR?", "SYS:ERR?", "SYST:ERRO?", "SYST:ERR", "TRIG:DELA", "INIT:IMME", "OUT"]
)
def test_any_other_length_is_an_undefined_header(header: str) -> None:
    # SCPI-1999 volume 1, 6.2.1: SYST or SYSTEM, never SYSTE; error -113 of volume 2.
    with pytest.raises(ScpiError) as caught:
        TREE.find(header)
    assert caught.value.entry().startswith('-113,"Undefined header')


def test_short_form_stops_at_three_letters_where_the_fourth_is_a_vowel() -> None:
    # Public SCPI guide: IMMediate, DELay.
    assert TREE.find("INIT:IMM")[0].pattern == "INITiate[:IMMediate]"
    assert TREE.find("TRIG:DEL")[0].pattern == "TRIGger:DELay"


def test_numeric_suffix_defaults_to_one() -> None:
    # SCPI-1999 volume 1, 6.2.5 (from memory for the clause).
    assert TREE.find("SENS3:VOLT:RANG")[1] == (3,)
    assert TREE.find("SENSE:VOLT:RANGE")[1] == (1,)


@pytest.mark.parametrize(
    ("line", "headers"),
    [
        # SCPI-1999 volume 1, 6.2.4.
        ("OUTP:POL NORM;STAT ON", ["OUTP:POL", "OUTP:STAT"]),
        ("OUTP:POL NORM;:OUTP ON", ["OUTP:POL", "OUTP"]),
        ("VOLT 5;CURR 1", ["VOLT", "CURR"]),
        ("SENS:SWE:POIN 10;*OPC;TINT 1E-5", ["SENS:SWE:POIN", "*OPC", "SENS:SWE:TINT"]),
        (":SYST:ERR?;VERS?", ["SYST:ERR?", "SYST:VERS?"]),
        ("", []),
    ],
)
def test_semicolon_continues_at_the_parent_of_the_last_header(line: str, headers: list[str]) -> None:
    assert [unit.header for unit in split_message(line)] == headers


def test_quoted_semicolons_and_commas_stay_in_their_parameter() -> None:
    (unit,) = split_message('SIM:HAND "a; b, c",5')
    assert unit.parameters == ('"a; b, c"', "5")
    assert quoted(unit.parameters[0]) == "a; b, c"


@pytest.mark.parametrize("line", ["5 VOLT", "VOLT?5", "#13abc"])
def test_what_is_no_header_is_a_syntax_error(line: str) -> None:
    with pytest.raises(ScpiError) as caught:
        list(split_message(line))
    assert caught.value.code == -102


@pytest.mark.parametrize(("text", "value"), [("273", 273), (".273", 0.273), ("2.73E+2", 273), ("-5.", -5), ("5 V", 5)])
def test_nrf_takes_every_form_of_number(text: str, value: float) -> None:
    # IEEE 488.2 NR1, NR2, NR3; a suffix is the unit.
    assert number(text, "V") == pytest.approx(value)


@pytest.mark.parametrize(("text", "code"), [("five", -104), ("5 A", -131), ("61", -222), ("", -104)])
def test_bad_numbers_have_their_own_errors(text: str, code: int) -> None:
    # SCPI-1999 volume 2: -104 data type, -131 suffix, -222 range.
    with pytest.raises(ScpiError) as caught:
        number(text, "V", 0, 60)
    assert caught.value.code == code


def test_boolean_takes_four_words_only() -> None:
    # SCPI-1999 volume 1, 7.3.
    assert [boolean(word) for word in ("ON", "off", "1", "0")] == [True, False, True, False]
    with pytest.raises(ScpiError):
        boolean("YES")


def test_channel_lists() -> None:
    # SCPI-1999 volume 1, chapter 8: (@1,2) and (@1:3).
    assert channel_list("(@1,2)") == [1, 2]
    assert channel_list("(@1:3, 7)") == [1, 2, 3, 7]
    for text in ("1,2", "(@)", "(@1", "(@a)"):
        with pytest.raises(ScpiError):
            channel_list(text)


def test_definite_length_blocks() -> None:
    # IEEE 488.2 definite-length arbitrary block, the examples #15HELLO and #211X1234567890.
    assert block(b"HELLO") == b"#15HELLO"
    assert block(b"X1234567890") == b"#211X1234567890"


@given(st.binary(max_size=300))
@settings(deadline=None, max_examples=40)
def test_block_says_its_own_length_whatever_bytes_it_holds(raw: bytes) -> None:
    made = block(raw)
    digits = int(made[1:2])
    assert int(made[2 : 2 + digits]) == len(raw)
    assert made[2 + digits :] == raw


@given(st.text(max_size=60))
@settings(deadline=None, max_examples=200)
def test_any_line_gives_units_or_one_scpi_error(line: str) -> None:
    codes: list[int] = []
    headers: list[str] = []
    try:
        headers += [unit.header for unit in split_message(line)]
    except ScpiError as error:
        codes.append(error.code)
    assert codes in ([], [-102])
    assert all(headers)
