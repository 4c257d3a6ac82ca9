"""`polemark people`: accounts are added by a maintainer, and a password is typed unseen or read from a safe place."""

import io
import json
import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import one_sentence, polemark
from people_samples import PASSWORDS, as_person, secret

ROOT = Path(__file__).resolve().parents[2]
DEADLINE_S = 60.0
MARA, TOM = "Mara Example", "Tom Example"


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())


def add_first(data: Path) -> subprocess.CompletedProcess[str]:
    return polemark("people", "add", MARA, "--data", data, "--new-password-file", secret(data.parent, PASSWORDS[MARA]))


def test_accounts_from_the_first_maintainer_to_an_authorised_technician_and_a_retired_one(tmp_path: Path) -> None:
    data = tmp_path / "data"
    nobody = polemark("people", "list", "--data", data)
    assert (nobody.returncode, "No accounts: names are stated, not verified." in nobody.stdout) == (0, True)
    assert add_first(data).stdout.strip() == "Mara Example: maintainer"
    by_mara = as_person(tmp_path, MARA)
    new = ["--new-password-file", secret(tmp_path, PASSWORDS[TOM])]
    added = polemark("people", "add", TOM, "--role", "technician", "--role", "quality", "--data", data, *by_mara, *new)
    assert added.returncode == 0, added.stderr
    allowed = polemark(
        "people", "allow", TOM, "--sequence", "as-left", "--until", "2027-06-30", "--data", data, *by_mara
    )
    assert (allowed.returncode, allowed.stdout.strip()) == (0, "Tom Example may run as-left until 2027-06-30.")
    assert polemark("people", "retire", TOM, "--data", data, *by_mara).returncode == 0
    assert json.loads(polemark("people", "list", "--json", "--data", data).stdout) == [
        {"name": MARA, "roles": ["maintainer"], "active": True, "allowed_until": {}},
        {"name": TOM, "roles": ["technician", "quality"], "active": False, "allowed_until": {"as-left": "2027-06-30"}},
    ]
    listed = polemark("people", "list", "--data", data).stdout
    assert "Tom Example: technician, quality  retired  may run as-left until 2027-06-30" in listed


def test_a_person_changes_the_own_password_and_the_old_one_is_gone(tmp_path: Path) -> None:
    data = tmp_path / "data"
    assert add_first(data).returncode == 0
    old, new = secret(tmp_path, PASSWORDS[MARA]), secret(tmp_path, "quite another password")
    change = ["people", "password", MARA, "--data", data, "--password-file"]
    assert polemark(*change, old, "--new-password-file", new).returncode == 0
    refused = polemark(*change, old, "--new-password-file", new)
    assert refused.returncode == 2
    assert "the password of Mara Example is wrong" in one_sentence(refused)


def test_a_password_comes_from_an_open_descriptor_and_from_the_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    reads, writes = os.pipe()
    os.write(writes, f"{PASSWORDS[MARA]}\n".encode())
    os.close(writes)
    added = polemark("people", "add", MARA, "--data", data, "--new-password-file", f"/dev/fd/{reads}")
    os.close(reads)
    assert added.returncode == 0, added.stderr
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{PASSWORDS[MARA]}\n"))
    again = ["--new-password-file", secret(tmp_path, "another password of hers")]
    done = polemark("people", "password", MARA, "--data", data, "--password-file", "-", *again)
    assert done.returncode == 0, done.stderr


def test_without_a_terminal_and_a_file_no_password_can_be_asked(tmp_path: Path) -> None:
    first = polemark("people", "add", MARA, "--data", tmp_path / "data")
    assert first.returncode == 2
    assert one_sentence(first) == "there is no terminal to ask a password at; allowed: --new-password-file FILE"
    assert add_first(tmp_path / "data").returncode == 0
    second = polemark("people", "retire", MARA, "--as", MARA, "--data", tmp_path / "data")
    assert second.returncode == 2
    assert one_sentence(second) == "there is no terminal to ask a password at; allowed: --password-file FILE"


def test_a_password_file_that_others_may_read_or_that_is_empty_or_gone_is_refused(tmp_path: Path) -> None:
    wide = secret(tmp_path, PASSWORDS[MARA])
    wide.chmod(0o644)
    empty = tmp_path / "empty"
    empty.touch(mode=0o600)
    for path, sentence in (
        (wide, "may be read by others (mode 0644); allowed: mode 0600"),
        (empty, "has an empty first line; allowed: the password in its first line"),
        (tmp_path / "gone", "cannot be read: No such file or directory"),
    ):
        done = polemark("people", "add", MARA, "--data", tmp_path / "data", "--new-password-file", path)
        assert done.returncode == 2
        assert sentence in one_sentence(done)


def test_what_is_missing_or_unknown_is_named(tmp_path: Path) -> None:
    data = tmp_path / "data"
    early = polemark("people", "add", TOM, "--data", data, *as_person(tmp_path, MARA))
    assert "there are no accounts yet; allowed: the first maintainer, added without --as" in one_sentence(early)
    assert add_first(data).returncode == 0
    by_mara = as_person(tmp_path, MARA)
    for words, sentence in (
        (["add", TOM], "who is to add people is not said; allowed: --as NAME, a person of role maintainer"),
        (["retire", "Nobody", *by_mara], "there is no account of Nobody; allowed: one that `polemark people list` shows"),
        (["allow", MARA, "--sequence", "as-left", "--until", "June", *by_mara], "--until is 'June'; allowed: a date such as"),
        (["allow", MARA, "--sequence", "as-lift", "--until", "2027-01-01", *by_mara], "no sequence is called 'as-lift'"),
        (["retire", MARA, *by_mara], "Mara Example is the last maintainer; allowed: add another one first"),
    ):  # fmt: skip
        done = polemark("people", *words, "--data", data)
        assert done.returncode == 2, done.stdout
        assert sentence in one_sentence(done)


@contextmanager
def at_a_terminal(*words: str | Path) -> Iterator[tuple["subprocess.Popen[bytes]", int]]:
    """Run a command at a terminal; yield it with the end at which a person types and reads."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "station.cli", *map(str, words)],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdin=slave, stdout=slave, stderr=slave,
        start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    try:
        yield process, master
    finally:
        process.kill()
        process.wait()
        os.close(master)


def test_a_password_typed_at_a_terminal_is_not_shown(tmp_path: Path) -> None:
    shown = b""
    with at_a_terminal("people", "add", MARA, "--data", tmp_path / "data") as (process, terminal):
        for prompt in (b"New password of Mara Example: ", b"New password of Mara Example again: "):
            shown += read_until(terminal, prompt)
            os.write(terminal, f"{PASSWORDS[MARA]}\n".encode())
        shown += read_until(terminal, b"Mara Example: maintainer")
        assert process.wait(DEADLINE_S) == 0
    assert PASSWORDS[MARA].encode() not in shown


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ([b"\x04"], b"no password was given; nothing was done"),
        ([b"first of two words\n", b"second of two\n"], b"the two passwords differ; nothing was changed"),
    ],
)
def test_no_password_or_two_different_ones_end_with_a_sentence(
    tmp_path: Path, typed: list[bytes], sentence: bytes
) -> None:
    with at_a_terminal("people", "add", MARA, "--data", tmp_path / "data") as (process, terminal):
        for prompt, keys in zip((b"Example: ", b"again: "), typed, strict=False):
            read_until(terminal, prompt)
            os.write(terminal, keys)
        assert b"Traceback" not in read_until(terminal, sentence)
        assert process.wait(DEADLINE_S) == 2


def read_until(descriptor: int, awaited: bytes) -> bytes:
    """Read what a terminal shows until it shows this."""
    end, shown = time.monotonic() + DEADLINE_S, b""
    while awaited not in shown:
        assert time.monotonic() < end, shown
        if select.select([descriptor], [], [], 1.0)[0]:
            shown += os.read(descriptor, 1000)
    return shown


@pytest.mark.parametrize(
    "command",
    [
        ["people"], ["people", "add"], ["people", "list"], ["people", "retire"], ["people", "allow"],
        ["people", "password"], ["sign"], ["decide"], ["unlock"], ["approve"], ["approved"],
    ],
)  # fmt: skip
def test_help_of_every_command_answers_and_no_option_takes_a_password_itself(command: list[str]) -> None:
    done = polemark(*command, "--help")
    assert (done.returncode, "Usage:" in done.stdout) == (0, True)
    assert "--password " not in done.stdout
