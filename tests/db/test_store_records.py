"""Runs begun and records added: what comes back, and what is refused whole."""

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from store_samples import NOW, document, opened, problems, started, store_record, waveform

from db.canonical import canonical_bytes, digest_of
from db.record_rules import Attachment, WaveformData
from db.store import Begun, Store, StoreError, UnknownRecord


def test_a_record_comes_back_as_it_was_given(tmp_path: Path) -> None:
    start, waves = started(), [waveform(1), waveform(2, dtype="int16")]
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        given = document(begun, start, waves)
        stored = store.add_record(begun.number, given, waves)
    with opened(tmp_path) as store:
        found = store.record(begun.number)
        assert found.document == given
        assert found.digest == stored.digest == digest_of(canonical_bytes(given))
        assert not found.void
        for back, wave in zip(store.waveforms(begun.number), waves, strict=True):
            assert back.counts.dtype == wave.counts.dtype
            assert np.array_equal(back.counts, wave.counts)
            assert (back.digest, back.interval_s, back.scale_v, back.offset_v) == (wave.digest, 1e-5, 0.02, 0.5)
    assert problems(tmp_path / "records.db") == []


def test_a_started_run_is_there_for_another_process_before_it_goes_on(tmp_path: Path) -> None:
    with opened(tmp_path) as store, opened(tmp_path) as other:
        begun = store.begin_run(started())
        assert [run["number"] for run in other.open_runs()] == [begun.number]
        with pytest.raises(UnknownRecord, match=r"there is no record PM-000001; `polemark records` lists"):
            other.record(begun.number)


def test_numbers_are_in_series_of_their_kind_and_start_with_one(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        kinds = ("production", "simulated", "production", "training", "simulated")
        numbers = [store.begin_run(started(kind=kind)).number for kind in kinds]
    assert numbers == ["PM-000001", "SIM-000001", "PM-000002", "TRN-000001", "SIM-000002"]


def test_equal_waveforms_of_two_records_are_stored_once_and_read_from_both(tmp_path: Path) -> None:
    wave = waveform(3)
    with opened(tmp_path) as store:
        first, second = (store_record(store, started(), [wave]) for _ in range(2))
        for stored in (first, second):
            assert [w.digest for w in store.waveforms(stored.number)] == [wave.digest]
    assert problems(tmp_path / "records.db") == []


def test_an_attachment_is_named_by_the_record_and_comes_back(tmp_path: Path) -> None:
    photo = Attachment(b"\x89PNG invented")
    start = started()
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        named = [{"name": "plate.png", "media_type": "image/png", "digest": photo.digest}]
        store.add_record(begun.number, document(begun, start, attachments=named), (), [photo])
        assert store.attachment(photo.digest) == photo.content
        with pytest.raises(StoreError, match="the attachment sha256:00 is missing or damaged"):
            store.attachment("sha256:00")


def test_a_clock_set_back_during_a_run_does_not_cost_the_record(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        stored = store_record(store, started(), minutes=-30.0)
        assert store.find()[0].ended_utc == NOW - timedelta(minutes=30)
        assert stored.number == "PM-000001"


def set_at(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(record: dict[str, Any]) -> None:
        *way, last = path.split(".")
        for key in way:
            record = record[int(key)] if isinstance(record, list) else record[key]
        record[last] = value

    return change


def lose(key: str) -> Callable[[dict[str, Any]], None]:
    return lambda record: record.pop(key) and None


UNFIT = {
    "NaN": (set_at("findings.0.u", math.nan), "has no canonical form"),
    "infinity": (set_at("speeds.0.commanded_v", math.inf), "has no canonical form"),
    "half a surrogate": (set_at("job.complaint", "\ud83d"), "has no canonical form"),
    "another format": (set_at("format", "polemark-record-0"), "its format is 'polemark-record-0'; allowed: "),
    "another motor": (set_at("motor.serial", "X"), "its motor_serial is 'X' and the run was begun with 'NB4-20771'"),
    "another job": (set_at("job.number", "X"), "its job is 'X' and the run was begun with 'J-26-0418'"),
    "another number": (set_at("number", "PM-000009"), "its number is 'PM-000009' and the run was begun with"),
    "another stage": (set_at("stage", "as-left"), "its stage is 'as-left' and the run was begun with 'as-found'"),
    "simulated as production": (set_at("bench.simulated", True), "its bench is simulated and its kind is production"),
    "no findings": (lose("findings"), "it lacks 'findings'"),
    "no end": (lose("ended_utc"), "it lacks 'ended_utc'"),
    "an end without zone": (set_at("ended_utc", "2026-03-25T09:00:00"), "is no UTC time"),
    "another outcome": (set_at("outcome", "passed"), "its outcome is 'passed'; allowed: complete, stopped"),
    "another conformity": (set_at("findings.0.conformity", "ok"), "has conformity 'ok'; allowed: nonconforming"),
    "a text as value": (set_at("findings.0.value", "1"), "has value '1'; allowed: a number or null"),
    "a truth as limit": (set_at("findings.0.upper", True), "has upper True; allowed: a number or null"),
    "findings of no form": (set_at("findings", [3]), "its form is wrong"),
    "attachments not given": (set_at("attachments", [{"digest": "sha256:00"}]), "of the attachments it names 1 are not given"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNFIT)
def test_a_record_that_does_not_fit_is_refused_and_leaves_nothing(tmp_path: Path, name: str) -> None:
    spoil, sentence = UNFIT[name]
    start, wave = started(), waveform(4)
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        before = store.head()
        record = document(begun, start, [wave])
        spoil(record)
        with pytest.raises(StoreError) as refused:
            store.add_record(begun.number, record, [wave])
        assert sentence in str(refused.value)
        assert "\n" not in str(refused.value)
        assert store.head() == before
        # The run is still open, and the right record can follow.
        store.add_record(begun.number, document(begun, start, [wave]), [wave])
    assert problems(tmp_path / "records.db") == []


def test_waveforms_must_be_those_that_the_record_names(tmp_path: Path) -> None:
    start, wave, other = started(), waveform(5), waveform(6)
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        record = document(begun, start, [wave])
        refused = {
            "its samples have": [WaveformData(wave.digest, other.counts, 1e-5)],
            "it names 1 are not given, and 0 are": [],
            "it names 0 are not given, and 1 are": [wave, other],
            "s a sample and its waveform": [replace(wave, interval_s=2e-5)],
            "int8 or int16 of one dimension, got float64": [replace(wave, counts=wave.counts.astype(float))],
        }
        for sentence, given in refused.items():
            with pytest.raises(StoreError, match=sentence):
                store.add_record(begun.number, record, given)
        assert store.find() == []


def test_a_run_has_one_record_and_a_record_a_run(tmp_path: Path) -> None:
    start = started()
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        store.add_record(begun.number, document(begun, start))
        with pytest.raises(StoreError, match="run PM-000001 has its record already; allowed: one record a run"):
            store.add_record(begun.number, document(begun, start))
        with pytest.raises(StoreError, match="no run PM-000777 was begun"):
            store.add_record("PM-000777", document(Begun(9, "PM-000777"), start))


@pytest.mark.parametrize("kind", ["simulated", "training"])
@pytest.mark.parametrize("proposed", ["release", "release under concession"])
def test_what_was_simulated_or_practised_can_never_be_released(tmp_path: Path, kind: str, proposed: str) -> None:
    start = started(kind=kind)
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        record = document(begun, start, disposition={"proposed": proposed, "reason": ""})
        with pytest.raises(StoreError, match=f"a {kind} run can never be proposed for {proposed}"):
            store.add_record(begun.number, record)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"kind": "demo"}, "a run of kind 'demo' cannot begin; allowed: production, simulated, training"),
        ({"motor_serial": ""}, "with motor_serial ''; allowed: 1 to 200 printable characters"),
        ({"job": "J\x00"}, "with job 'J\\x00'; allowed: 1 to 200 printable characters"),
        ({"station": "s" * 201}, "allowed: 1 to 200 printable characters"),
        ({"facts": {"job": {"number": "other"}}}, "cannot begin with these facts: its job is 'other'"),
        ({"facts": {"zone": math.nan}}, "has no canonical form"),
    ],
)
def test_a_run_that_could_not_be_kept_is_refused_before_it_begins(
    tmp_path: Path, changes: dict[str, Any], sentence: str
) -> None:
    with opened(tmp_path) as store:
        with pytest.raises(StoreError) as refused:
            store.begin_run(started(**changes))
        assert sentence in str(refused.value)
        assert store.open_runs() == []
        assert store.begin_run(started()).number == "PM-000001"


def test_voids_and_amendments_stand_beside_a_record_that_stays_as_it_is(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        stored = store_record(store, started())
        before = store.record(stored.number)
        size = store.head().size  # type: ignore[union-attr]
        store.add_amendment(
            stored.number, "Robin Sample", "misread plate", NOW, what="motor.shop_tag", before="T-118", after="T-119"
        )
        store.add_void(stored.number, "Kim Sample", "wrong motor on the bench", NOW)
        after = store.record(stored.number)
        assert (after.document, after.digest) == (before.document, before.digest)
        assert [(n["kind"], n["by"], n["why"]) for n in after.amendments] == [
            ("amendment", "Robin Sample", "misread plate"), ("void", "Kim Sample", "wrong motor on the bench"),
        ]  # fmt: skip
        assert after.amendments[0]["after"] == "T-119"
        assert after.void
        # An earlier sheet saw fewer entries, and can be made again.
        assert store.record(stored.number, size) == before
        with pytest.raises(StoreError, match="record PM-000001 is void already"):
            store.add_void(stored.number, "Kim Sample", "again", NOW)
        with pytest.raises(UnknownRecord):
            store.add_void("PM-000099", "Kim Sample", "no such record", NOW)
        for by, why in (("", "why"), ("who", "  ")):
            with pytest.raises(StoreError, match="a void must say who and why"):
                store.add_void(stored.number, by, why, NOW)
    assert problems(tmp_path / "records.db") == []


def test_jobs_and_motors_are_kept_and_the_latest_entry_counts(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        assert store.job("J-1") is None
        assert store.motor("S-1") is None
        store.add_job({"number": "J-1", "customer": "Alder Packaging (invented)", "complaint": "hot"}, "S-1", NOW)
        store.add_job({"number": "J-1", "customer": "Alder Packaging (invented)", "complaint": "runs hot"}, "S-1", NOW)
        store.add_motor({"serial": "S-1", "shop_tag": "T-1", "nameplate": {"Type": "NB"}}, "nb4-100", NOW)
        assert store.job("J-1")["complaint"] == "runs hot"  # type: ignore[index]
        assert store.motor("T-1") == store.motor("S-1")
        assert store.motor("S-1")["nameplate"] == {"Type": "NB"}  # type: ignore[index]
        with pytest.raises(StoreError, match="a job needs the text 'number'"):
            store.add_job({"customer": "nobody"}, "S-1", NOW)
    assert problems(tmp_path / "records.db") == []


def test_a_store_at_a_server_or_elsewhere_says_what_an_address_may_be() -> None:
    for address in ("mysql://localhost/x", "sqlite://", "postgresql+pg8000://x/y"):
        with pytest.raises(StoreError, match=r"allowed: a path, sqlite:///FILE, postgresql\+psycopg://HOST/DATABASE"):
            Store.open(address)
    with pytest.raises(StoreError, match="the store's address: "):
        Store.open("://")
