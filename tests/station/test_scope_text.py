"""Tables of samples as scopes of many makes write them give the same numbers, whatever marks stand between them."""

import contextlib
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.exit_codes import BadInput
from station.scope_text import DELIMITERS, WAYS, read_table

ROWS = [(i * 0.5, round(3.25 - i * 0.125, 3), 0.5 + i) for i in range(40)]


def text_of(rows: list[tuple[float, ...]], mark: str, *, comma: bool = False, end: str = "") -> str:
    """Write rows with a mark between the fields."""
    lines = [mark.join(f"{value:.6g}" for value in row) + end for row in rows]
    return "\n".join(line.replace(".", ",") if comma else line for line in lines) + "\n"


FORMS = {
    "bare, comma": text_of(ROWS, ","),
    "bare, semicolon and decimal comma": text_of(ROWS, ";", comma=True),
    "bare, tab and decimal comma": text_of(ROWS, "\t", comma=True),
    "bare, spaces": text_of(ROWS, "   "),
    "heading": "t,emf,H1\n" + text_of(ROWS, ","),
    "heading in quotes": '"t","emf","H1"\n' + text_of(ROWS, ","),
    "numbers in quotes": "t,emf,H1\n" + "".join(f'"{a:g}","{b:g}","{c:g}"\n' for a, b, c in ROWS),
    "delimiter at the end of lines": "t;emf;H1;\n" + text_of(ROWS, ";", end=";"),
    "preamble": "Interval;5e-1\nMode;sample\n\nt;emf;H1\n" + text_of(ROWS, ";"),
    "preamble beside the samples": "Points,40,,0,3.25,0.5\nInterval,0.5,,0.5,3.125,1.5\n"
    + "".join(",,," + line + "\n" for line in text_of(ROWS[2:], ",").splitlines()),
    "units in the heading": "t [s];emf (V);H1 (V)\n" + text_of(ROWS, ";"),
    "units below the heading": "t,emf,H1\n(s),(V),(V)\n" + text_of(ROWS, ","),
    "blank lines at the end": "t,emf,H1\n" + text_of(ROWS, ",") + "\n\n  \n",
    "two line ends": ("t,emf,H1\n" + text_of(ROWS, ",")).replace("\n", "\r\n"),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_numbers(form: str, tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_bytes(FORMS[form].encode())
    table = read_table(path)
    assert table.data.shape == (40, 3)
    np.testing.assert_array_equal(table.data, np.array(ROWS))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_headings_and_units_are_read_in_the_encodings_that_scopes_use(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_bytes(
        ("Zeit [\N{MICRO SIGN}s];Spannung [mV];H1 [V]\n" + text_of(ROWS, ";", comma=True)).encode(encoding)
    )
    table = read_table(path)
    assert table.headings == ("Zeit", "Spannung", "H1")
    assert table.units == ("\N{MICRO SIGN}s", "mV", "V")


def test_units_below_the_headings_are_kept_apart_from_them(tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text("t,emf,H1\nms,mV,V\n" + text_of(ROWS, ","))
    table = read_table(path)
    assert (table.headings, table.units) == (("t", "emf", "H1"), ("ms", "mV", "V"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", r"has 0 lines; allowed: columns of samples, 8 rows at least"),
        ("word\n" * 20, r"line 20: 'word' is no row of two or more numbers"),
        ("1.5\n" * 20, r"no row of two or more numbers"),
        ("1,5 2,5\n" * 5 + "1,x 2,5\n" + "1,5 2,5\n" * 60, r"line 6: '1,x 2,5' is no row of 2 numbers"),
        ("t,emf\n" + "0.1,nan\n" * 20, r"'0.1,nan' is no row of two or more numbers"),
        ("0.1,0.2\n" * 10 + "0.1,inf\n" + "0.1,0.2\n" * 60, r"line 11: '0.1,inf' is no row of 2 numbers"),
        ("0.1,0.2\n" * 10 + "0.1\n" + "0.1,0.2\n" * 60, r"line 11: '0.1' is no row of 2 numbers"),
    ],
)
def test_what_is_no_table_is_refused_with_file_and_line(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text(text)
    with pytest.raises(BadInput, match=said) as error:
        read_table(path)
    assert str(path) in str(error.value)


@pytest.mark.parametrize(
    ("line", "numbers"),
    [("1,5\t2", [1.5, 2.0]), ("1;5,2;6", [1.0, 5.2, 6.0]), ("1, 5", [1.0, 5.0]), ("1,5;2,5", [1.5, 2.5])],
)
def test_marks_that_leave_no_doubt_are_understood(line: str, numbers: list[float], tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text(f"{line}\n" * 30)
    assert read_table(path).data[0].tolist() == numbers


def test_a_stated_form_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text("1,2 3,4\n" * 30)
    with pytest.raises(BadInput, match="no row of two or more numbers"):
        read_table(path, "comma")
    assert read_table(path, "space", "comma").data[0].tolist() == [1.2, 3.4]


def test_a_line_has_one_reading_at_most(tmp_path: Path) -> None:
    """Whatever two marks a line holds, every way that fits reads the same numbers."""
    path = tmp_path / "capture.csv"
    for line in (
        "1,5;2",
        "1;2",
        "1,2",
        "1 2",
        "1\t2",
        "1,5\t2,5",
        "1.5;2.5",
        "1.5,2.5",
        "1,5 2,5",
        "1;2,5\t",
        "1.5 ,2",
    ):
        path.write_text(f"{line}\n" * 30)
        readings = set()
        for way in WAYS:
            with contextlib.suppress(BadInput):
                readings.add(tuple(read_table(path, *way).data[0].tolist()))
        assert len(readings) == 1, line


def test_comma_cannot_be_both(tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text("1,5,2,5\n" * 30)
    with pytest.raises(BadInput, match="comma cannot be delimiter and decimal mark at once"):
        read_table(path, "comma", "comma")


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=re.escape(f"{tmp_path / 'none.csv'} cannot be read: No such file")):
        read_table(tmp_path / "none.csv")


finite = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: float(f"{v:.9g}"))


@given(
    rows=st.integers(2, 5).flatmap(lambda columns: st.lists(st.tuples(*[finite] * columns), min_size=8, max_size=90)),
    delimiter=st.sampled_from(["comma", "semicolon", "tab", "space"]),
    comma=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_what_was_written_is_read_when_the_form_is_stated(
    rows: list[tuple[float, ...]], delimiter: str, comma: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    comma = comma and delimiter != "comma"
    mark = DELIMITERS[delimiter] or " "  # type: ignore[index]
    lines = [mark.join(f"{value!r}" for value in row) for row in rows]
    text = "\n".join(line.replace(".", ",") if comma else line for line in lines)
    path = tmp_path_factory.mktemp("text") / "capture.csv"
    path.write_text("a heading that says nothing\n" + text + "\n")
    table = read_table(path, delimiter, "comma" if comma else "point")  # type: ignore[arg-type]
    np.testing.assert_array_equal(table.data, np.array(rows))
