"""The strict reader: what it gives, what it refuses, and that it says where."""

from pathlib import Path

import pytest

from safety.strict_yaml import DEEPEST, Document, Problem, YamlError, read_file, read_text


def refused(text: str) -> list[str]:
    with pytest.raises(YamlError) as caught:
        read_text(text, "f")
    assert str(caught.value) == "\n".join(str(p) for p in caught.value.problems)
    return [str(p) for p in caught.value.problems]


def test_plain_data_comes_out() -> None:
    text = "name: NO\nspeeds: [200 rpm, 010, 1e-3]\nnested:\n  - {a: true, b: ~}\n  - 'on'\nempty: {}\n"
    assert read_text(text, "f").data == {
        "name": "NO",
        "speeds": ["200 rpm", 10, 0.001],
        "nested": [{"a": True, "b": None}, "on"],
        "empty": {},
    }


def test_quotes_make_text_of_anything() -> None:
    assert read_text("- '1'\n- \"null\"\n- |\n  true\n- >-\n  2\n", "f").data == ["1", "null", "true\n", "2"]


@pytest.mark.parametrize(
    ("text", "place", "what"),
    [
        ("a: 1\nb: 2\na: 3\n", "f:3:1", "key 'a' stands twice (first in line 1)"),
        ("x:\n  - {q: 1, q: 2}\n", "f:2:12", "key 'q' stands twice (first in line 2)"),
        ("a: &here 1\n", "f:1:4", "anchor '&here'"),
        ("a: *gone\n", "f:1:4", "alias '*gone'"),
        ("&k a: 1\n", "f:1:1", "anchor '&k'"),
        ("a: !!int 3\n", "f:1:4", "tag 'tag:yaml.org,2002:int'"),
        ("a: !mine x\n", "f:1:4", "tag '!mine'"),
        ("a: ! x\n", "f:1:4", "tag '!'"),
        ("<<: {a: 1}\n", "f:1:1", "merge key '<<'"),
        ("1: x\n", "f:1:1", "key '1' is no text"),
        ("a:\n  true: x\n", "f:2:3", "key true is no text"),
        ("~: x\n", "f:1:1", "key empty is no text"),
        ("? [a, b]\n: 1\n", "f:1:3", "a key that is a mapping or a list"),
        ("a: 1\n---\nb: 2\n", "f:2:1", "a second document"),
        ("%YAML 1.1\n---\na: 1\n", "f:1:1", "a directive (%)"),
        ("a: .inf\n", "f:1:4", "'.inf' is no finite number"),
        ("a: 1e999\n", "f:1:4", "'1e999' is too large for a number"),
        ("a: [1,\nb: }\n", "f:2:4", "no valid YAML"),
        ("a:\n\t- 1\n", "f:2:1", "no valid YAML"),
        ("a: 'open\n", "f:2:1", "no valid YAML"),
        ("ok: 1\nbell: \a\n", "f:2:7", "character U+0007"),
        ("", "f:1:1", "the file is empty"),
        ("# only a remark\n\n", "f:1:1", "the file is empty"),
        ("[" * (DEEPEST + 2), f"f:1:{DEEPEST + 2}", f"nested deeper than {DEEPEST} levels"),
    ],
)
def test_what_is_not_allowed_is_refused_where_it_stands(text: str, place: str, what: str) -> None:
    first = refused(text)[0]
    assert first.startswith(f"{place}: {what}")
    assert "; allowed: " in first


def test_all_problems_come_in_one_go_in_the_order_of_the_file() -> None:
    said = refused("a: &x 1\nb: *x\n1: 2\na: {q: 1, q: .nan}\nc: !!str d\n---\ne: 1\n")
    assert [line.split(": ")[0] for line in said] == [
        "f:1:4",
        "f:2:4",
        "f:3:1",
        "f:4:1",
        "f:4:11",
        "f:4:14",
        "f:5:4",
        "f:6:1",
    ]


def test_aliases_neither_recurse_nor_multiply() -> None:
    assert any("alias '*a'" in line for line in refused("&a [*a]\n"))
    bomb = "a0: &a0 [x, x]\n" + "".join(f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]\n" for i in range(1, 60))
    assert len(refused(bomb)) == 60 + 2 * 59


def test_an_absurd_nesting_ends_in_a_sentence() -> None:
    assert len(refused("[" * 100_000)) == 1
    assert len(refused("{a: " * 20_000)) == 1


def test_quoted_merge_sign_and_words_of_other_schemas_are_plain_keys() -> None:
    assert read_text("'<<': 1\non: 2\nNO: 3\n'1': 4\n", "f").data == {"<<": 1, "on": 2, "NO": 3, "1": 4}


def test_positions_of_keys_and_values() -> None:
    document = read_text("steps:\n  - spin: {speed: 60 rpm}\n  - rest:\n", "f")
    assert document.position(()) == (1, 1)
    assert document.position(("steps", 0, "spin", "speed")) == (2, 19)
    assert document.position(("steps", 0, "spin", "speed"), key=True) == (2, 12)
    assert document.position(("steps", 1)) == (3, 5)
    assert document.position(("steps", 0, "spin", "speed", 7)) == (2, 19)
    assert document.position(("steps", 9)) == document.position(("steps",))
    assert document.position(("elsewhere",), key=True) == (1, 1)


def test_parts_of_a_place_that_name_a_model_are_stepped_over() -> None:
    document = read_text("steps:\n  - spin: {speed: 60}\n", "f")
    assert document.position(("steps", 0, "SpinStep", "spin", "speed", "float")) == (2, 19)


def test_a_problem_says_file_line_column_what_and_allowed() -> None:
    problem = read_text("a:\n  b: 7\n", "some.yaml").problem(("a", "b"), "b is 7", "1 to 5")
    assert problem == Problem("some.yaml", 2, 6, "b is 7", "1 to 5")
    assert str(problem) == "some.yaml:2:6: b is 7; allowed: 1 to 5"


def test_a_document_is_as_its_file(tmp_path: Path) -> None:
    path = tmp_path / "b.yaml"
    path.write_bytes("\ufeffgrüße: ja\r\nzwei: 2\r\n".encode())
    document = read_file(path)
    assert isinstance(document, Document)
    assert document.data == {"grüße": "ja", "zwei": 2}
    assert document.position(("zwei",), key=True) == (2, 1)
    assert document.name == str(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"a: 1\nb: \xff\n", ":2:4: byte 0xff is no UTF-8; allowed: a text file in UTF-8"),
        ("a: 1\n".encode("utf-16"), ":1:1: byte 0xff is no UTF-8; allowed: a text file in UTF-8"),
        (b"", ":1:1: the file is empty; allowed: one YAML document"),
        (b"\x00\x01", ":1:1: character U+0000; allowed: printable characters"),
    ],
)
def test_files_that_are_no_text_get_a_clear_sentence(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "b.yaml"
    path.write_bytes(content)
    with pytest.raises(YamlError) as caught:
        read_file(path)
    assert str(caught.value) == f"{path}{said}"


def test_a_missing_file_and_a_folder_get_a_clear_sentence(tmp_path: Path) -> None:
    for path in (tmp_path / "gone.yaml", tmp_path):
        with pytest.raises(YamlError, match=r"cannot be read: .*; allowed: a readable file"):
            read_file(path)
