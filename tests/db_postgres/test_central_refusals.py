"""A station's ledger is checked before and on arrival: what was changed, or does not continue what central holds, is not taken."""

import dataclasses
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from central_samples import assert_copied_whole, copy, counts, fill, polemark, tampering
from store_samples import NOW

from db.central_errors import HistoryRefused
from db.central_parcel import Parcel
from db.central_source import Source
from db.central_store import Central
from db.merkle import Peaks, leaf_hash
from db.signing import KeyUse, read_or_make_key, sign_head
from db.store import Store

COPIED = 9
"""Entries that central has before a store is changed, see `fill`; another 11 wait."""


@pytest.fixture
def station(url: str, tmp_path: Path) -> Path:
    """Return a station's folder whose first half was copied."""
    folder = tmp_path / "station"
    fill(folder, "station-1", runs=2)
    assert copy(folder, url, "station-1") == COPIED
    fill(folder, "station-1", runs=3, seed=2)
    return folder


def edit(statement: str) -> Callable[[sqlite3.Connection, Path], object]:
    return lambda connection, folder: connection.executescript(statement)


def write_anew(connection: sqlite3.Connection, folder: Path, position: int) -> None:
    """Change an entry and make leaves, tree and signatures fit again, as the owner of the station's key could."""
    connection.execute(
        "UPDATE entries SET content = CAST(replace(CAST(content AS TEXT), 'J-', 'K-') AS BLOB) WHERE position = ?",
        [position],
    )
    uses = {read_or_make_key(folder / "keys", use).name: use for use in KeyUse}
    peaks = Peaks()
    for place, content in connection.execute("SELECT position, content FROM entries ORDER BY position").fetchall():
        peaks = peaks.added(leaf_hash(content))
        connection.execute("UPDATE entries SET leaf = ? WHERE position = ?", [leaf_hash(content), place])
        found = connection.execute("SELECT key FROM heads WHERE size = ?", [peaks.size]).fetchone()
        if found is not None:
            head = sign_head(read_or_make_key(folder / "keys", uses[found[0]]), peaks.size, peaks.root(), NOW)
            connection.execute(
                "UPDATE heads SET root = ?, peaks = ?, at_utc = ?, signature = ? WHERE size = ?",
                [head.root, peaks.raw, "2026-03-25T08:02:55.000000Z", head.signature, head.size],
            )


CHANGES: dict[str, tuple[Callable[[sqlite3.Connection, Path], object], str]] = {
    "the content of an entry that waits": (
        edit("UPDATE entries SET content = CAST('{}' AS BLOB) WHERE position = 12"),
        "entry 12 is missing, or does not fit its digest; the store was changed",
    ),
    "the content of an entry that was copied": (
        edit("UPDATE entries SET content = CAST('{}' AS BLOB) WHERE position = 4"),
        "entry 4 is missing, or does not fit its digest; the store was changed",
    ),
    "what a waiting entry says beside its document": (
        edit("UPDATE entries SET subject = 'PM-000099' WHERE position = 12"),
        "entry 12 says record PM-000099 beside a document of record PM-000003",
    ),
    "a waiting entry taken out": (
        edit("DELETE FROM runs WHERE position = 12; DELETE FROM entries WHERE position = 12"),
        "entry 12 is missing, or does not fit its digest",
    ),
    "a waiting signature": (
        edit("UPDATE heads SET signature = zeroblob(64) WHERE size = 13"),
        "the head of size 13 does not fit the entries, or is not signed by its key",
    ),
    "a waiting root": (
        edit("UPDATE heads SET root = zeroblob(32) WHERE size = 13"),
        "the head of size 13 does not fit the entries, or is not signed by its key",
    ),
    "the root that central has": (
        edit("UPDATE heads SET root = zeroblob(32) WHERE size = 9"),
        "its first 9 entries are not those that central holds of station station-1",
    ),
    "a copied entry, with the whole tree signed anew by the station's own key": (
        lambda connection, folder: write_anew(connection, folder, 3),
        "its first 9 entries are not those that central holds of station station-1",
    ),
    "the samples of a waveform that waits": (
        edit("UPDATE waveforms SET packed = (SELECT max(packed) FROM waveforms)"),
        "waveforms or attachments of record PM-.* are missing or do not fit their digests",
    ),
    "a photograph that waits": (
        edit("UPDATE attachments SET content = x'00' WHERE CAST(content AS TEXT) LIKE 'photograph 2 1'"),
        "1 waveforms or attachments of record PM-.* are missing or do not fit their digests",
    ),
    "all photographs taken out": (
        edit("DELETE FROM attachments"),
        "1 waveforms or attachments of record PM-.* are missing or do not fit their digests",
    ),
}  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_nothing_is_taken_of_a_store_that_was_changed(url: str, station: Path, change: str) -> None:
    before = counts(url)
    make, sentence = CHANGES[change]
    with tampering(station) as connection:
        make(connection, station)
    with pytest.raises(HistoryRefused, match=sentence):
        copy(station, url, "station-1")
    assert counts(url) == before


def test_a_backup_that_is_older_than_what_was_copied_is_refused(url: str, tmp_path: Path) -> None:
    fill(tmp_path / "station", "station-1", runs=2)
    shutil.copytree(tmp_path / "station", tmp_path / "backup")
    fill(tmp_path / "station", "station-1", runs=3, seed=2)
    copy(tmp_path / "station", url, "station-1")
    before = counts(url)
    with pytest.raises(
        HistoryRefused, match="it holds 9 entries and central holds 20 of station station-1; it is older"
    ):
        copy(tmp_path / "backup", url, "station-1")
    # It went on from the backup, so it is longer now, and another history.
    fill(tmp_path / "backup", "station-1", runs=9, seed=3)
    with pytest.raises(HistoryRefused, match="went on from a copy of the other, nothing was copied"):
        copy(tmp_path / "backup", url, "station-1")
    assert counts(url) == before
    assert_copied_whole(tmp_path / "station", url, "station-1")


def test_another_station_of_the_same_name_is_refused_whether_it_has_more_entries_or_less(
    url: str, tmp_path: Path
) -> None:
    fill(tmp_path / "one", "station-1", runs=3)
    copy(tmp_path / "one", url, "station-1")
    before = counts(url)
    for runs in (1, 3, 9):
        fill(tmp_path / f"of-{runs}", "station-1", runs=runs)
        with pytest.raises(
            HistoryRefused, match="central holds another ledger as station station-1, begun with another key"
        ):
            copy(tmp_path / f"of-{runs}", url, "station-1")
    assert counts(url) == before
    # Under a name of its own it is welcome.
    copy(tmp_path / "of-1", url, "station-1 hall B")
    assert_copied_whole(tmp_path / "of-1", url, "station-1 hall B")


def test_one_ledger_has_one_name(url: str, tmp_path: Path) -> None:
    fill(tmp_path, "station-1", runs=1)
    copy(tmp_path, url, "station-1")
    before = counts(url)
    with pytest.raises(
        HistoryRefused, match="holds this ledger as station station-1; allowed: that name, not station-2"
    ):
        copy(tmp_path, url, "station-2")
    assert counts(url) == before


def test_a_copied_store_that_goes_on_under_another_key_is_refused_until_someone_answers_for_the_key(
    url: str, tmp_path: Path
) -> None:
    fill(tmp_path / "station", "station-1", runs=2)
    copy(tmp_path / "station", url, "station-1")
    before = counts(url)
    shutil.copytree(tmp_path / "station", tmp_path / "stolen", ignore=shutil.ignore_patterns("keys"))
    fill(tmp_path / "stolen", "station-1", runs=2, seed=2)
    key = read_or_make_key(tmp_path / "stolen/keys", KeyUse.PRODUCTION).name
    with pytest.raises(
        HistoryRefused, match=f"knows another key of station station-1 for production; .* --accept-key {key}, nothing"
    ):
        copy(tmp_path / "stolen", url, "station-1")
    assert counts(url) == before
    assert copy(tmp_path / "stolen", url, "station-1", accepted=(key,)) == 9
    assert_copied_whole(tmp_path / "stolen", url, "station-1")


def altered(**changes: object) -> Callable[[Parcel], Parcel]:
    return lambda parcel: dataclasses.replace(parcel, **changes)  # type: ignore[arg-type]


def with_entry(place: int, **changes: object) -> Callable[[Parcel], Parcel]:
    def change(parcel: Parcel) -> Parcel:
        entries = list(parcel.entries)
        entries[place] = dataclasses.replace(entries[place], **changes)  # type: ignore[arg-type]
        return dataclasses.replace(parcel, entries=entries)

    return change


def signed_by_a_stranger(parcel: Parcel, folder: Path) -> Parcel:
    stranger = read_or_make_key(folder / "stranger", KeyUse.PRODUCTION)
    heads = [(sign_head(stranger, h.size, h.root, h.at_utc), peaks) for h, peaks in parcel.heads]
    return dataclasses.replace(parcel, heads=heads)


ON_ARRIVAL: dict[str, tuple[Callable[[Parcel], Parcel], str]] = {
    "content": (with_entry(1, content=b"{}"), r"entry 10 \(motor S-2\) does not fit its digest"),
    "content and leaf": (with_entry(1, content=b"{}", leaf=leaf_hash(b"{}")), "the head of size 11 does not fit the entries"),
    "kind": (with_entry(1, kind="job"), "entry 10 says job S-2 beside a document of motor S-2"),
    "place": (with_entry(1, position=11), "entry 10 is missing: entry 11 comes next"),
    "root before": (altered(root=bytes(32)), "holds another ledger as station station-1"),
    "origin": (altered(origin=bytes(32)), "holds another ledger as station station-1"),
    "last head": (lambda p: dataclasses.replace(p, heads=p.heads[:-1]), "entry 19 has no signed head"),
    "peaks": (
        lambda p: dataclasses.replace(p, heads=[(p.heads[0][0], bytes(len(p.heads[0][1]))), *p.heads[1:]]),
        "the head of size 10 does not fit the entries",
    ),
    "signature": (
        lambda p: dataclasses.replace(
            p, heads=[(dataclasses.replace(p.heads[0][0], signature=bytes(64)), p.heads[0][1]), *p.heads[1:]]
        ),
        "the head of size 10 is not signed by a key of the station",
    ),
}  # fmt: skip


@pytest.mark.parametrize("change", ON_ARRIVAL)
def test_what_changed_on_the_way_is_not_taken_and_nothing_of_its_parcel(url: str, station: Path, change: str) -> None:
    before = counts(url)
    make, sentence = ON_ARRIVAL[change]
    with Store.open(station / "records.db") as store, Central.open(url) as central:
        parcel = Source(store, "station-1").parcel(COPIED)
        with pytest.raises(HistoryRefused, match=sentence):
            central.arrive(make(parcel))
        assert counts(url) == before
        assert central.arrive(parcel) == len(parcel.entries)
    assert_copied_whole(station, url, "station-1")


def test_heads_signed_by_a_key_that_the_station_never_entered_are_not_taken(url: str, station: Path) -> None:
    before = counts(url)
    with Store.open(station / "records.db") as store, Central.open(url) as central:
        parcel = signed_by_a_stranger(Source(store, "station-1").parcel(COPIED), station)
        with pytest.raises(HistoryRefused, match="the head of size 10 is not signed by a key of the station"):
            central.arrive(parcel)
    assert counts(url) == before


def test_a_refusal_is_one_sentence_and_ends_with_the_stores_code_even_where_copying_goes_on_for_ever(
    url: str, station: Path
) -> None:
    before = counts(url)
    with tampering(station) as connection:
        connection.execute("UPDATE entries SET content = CAST('{}' AS BLOB) WHERE position = 12")
    for arguments in ((), ("--follow",)):
        process = polemark("copy", "--to", url, "--data", station, *arguments)
        out, errors = process.communicate(timeout=60)
        assert (process.returncode, out, errors.count("\n")) == (4, "", 1)
        assert "entry 12 is missing, or does not fit its digest; the store was changed, or is damaged" in errors
    assert counts(url) == before


WRONG = {
    "an address that is no server's": (("--to", "sqlite:///central.db"), 4, "a central store cannot be kept at sqlite:///central.db"),
    "no address": ((), 2, "Missing option '--to'"),
    "a folder without records": (("--to", "postgresql+psycopg://127.0.0.1:9/x", "--data", "empty"), 2, "there is no empty/records.db"),
    "a name that cannot be printed": (("--to", "postgresql+psycopg://127.0.0.1:9/x", "--station", "a\tb"), 2, "allowed: 1 to 200 printable"),
    "a pause of nothing": (("--to", "postgresql+psycopg://127.0.0.1:9/x", "--interval", "0"), 2, "0 is not in the range x>=0.1"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_wrong_input_of_the_copy_command_is_said(tmp_path: Path, what: str) -> None:
    fill(tmp_path / "polemark-data", "station-1", runs=1)
    arguments, code, sentence = WRONG[what]
    process = polemark("copy", *arguments, folder=tmp_path)
    _, errors = process.communicate(timeout=60)
    assert (process.returncode, errors.count("\n")) == (code, 1), errors
    assert sentence in errors
