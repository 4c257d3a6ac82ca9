"""What can be asked of the records, with what was voided, stopped, simulated or practised told apart."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from store_samples import NOW, opened, started, store_record

from db.engine import reading, writing
from db.store import Store


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with two jobs, stages in order, one void, one stopped and two that do not count."""
    folder = tmp_path_factory.mktemp("line")
    with opened(folder) as store:
        for day, (job, serial, stage, kind, outcome) in enumerate(
            [
                ("J-1", "S-1", "as-found", "production", "complete"),  # PM-000001, voided below
                ("J-1", "S-1", "as-found", "production", "complete"),  # PM-000002
                ("J-1", "S-1", "as-found", "production", "stopped"),  # PM-000003
                ("J-1", "S-1", "as-found", "simulated", "complete"),  # SIM-000001
                ("J-1", "S-1", "as-left", "production", "complete"),  # PM-000004
                ("J-2", "S-2", "as-left", "production", "complete"),  # PM-000005
                ("J-2", "S-2", "as-left", "training", "complete"),  # TRN-000001
            ]
        ):
            start = started(job=job, motor_serial=serial, stage=stage, kind=kind, started_utc=NOW + timedelta(days=day))
            store_record(store, start, outcome=outcome)
        store.add_void("PM-000001", "Kim Sample", "wrong motor", NOW)
    return folder


def numbers(store: Store, **wanted: object) -> list[str]:
    return [summary.number for summary in store.find(**wanted)]  # type: ignore[arg-type]


def test_records_are_found_by_what_is_known_of_them(line: Path) -> None:
    with opened(line) as store:
        assert numbers(store, motor_serial="S-2") == ["PM-000005", "TRN-000001"]
        assert numbers(store, job="J-1", stage="as-left") == ["PM-000004"]
        assert numbers(store, number="SIM-000001") == ["SIM-000001"]
        assert numbers(store, kinds=["simulated", "training"]) == ["SIM-000001", "TRN-000001"]
        assert numbers(store, outcome="stopped") == ["PM-000003"]
        assert numbers(store, since=NOW + timedelta(days=5)) == ["PM-000005", "TRN-000001"]
        assert numbers(store, until=NOW + timedelta(days=1)) == ["PM-000001"]
        assert numbers(store, motor_type="nb4-100", station="station-2", job="J-2", kinds=["production"]) == [
            "PM-000005"
        ]
        assert numbers(store, motor_serial="S-3") == []
        assert len(numbers(store)) == 7


def test_a_summary_says_what_a_list_shows(line: Path) -> None:
    with opened(line) as store:
        void, whole = store.find(number="PM-000001")[0], store.find(number="PM-000005")[0]
    assert (void.void, whole.void) == (True, False)
    assert whole.conformity == "nonconforming"
    assert whole.worst == "mean offset of the sensors"
    assert whole.disposition == "rework"
    assert whole.started_utc == NOW + timedelta(days=5)
    assert whole.ended_utc == NOW + timedelta(days=5, minutes=11)


def test_overall_conformity_is_that_of_the_worst_finding(tmp_path: Path) -> None:
    judged: list[list[str | None]] = [
        ["conforming", "nonconforming", "undecided"], ["conforming", "not measured", "undecided"],
        ["not measured", "conforming"], ["conforming", None], [None], [],
    ]  # fmt: skip
    with opened(tmp_path) as store:
        for conformities in judged:
            findings = [
                {"name": f"f{i}", "label": f"finding {i}", "value": None, "unit": "", "u": None, "lower": None, "upper": None,
                 "conformity": c}
                for i, c in enumerate(conformities)
            ]  # fmt: skip
            store_record(store, started(), findings=findings)
        found = [(s.conformity, s.worst) for s in store.find()]
    assert found == [
        ("nonconforming", "finding 1"), ("undecided", "finding 2"), ("not measured", "finding 0"), ("conforming", "finding 0"),
        (None, ""), (None, ""),
    ]  # fmt: skip


def test_the_latest_as_found_is_complete_and_not_void_and_may_be_asked_by_kind(line: Path) -> None:
    with opened(line) as store:
        assert store.latest_as_found("J-1", "production").number == "PM-000002"  # type: ignore[union-attr]
        assert store.latest_as_found("J-1").number == "SIM-000001"  # type: ignore[union-attr]
        assert store.latest_as_found("J-2") is None
        assert store.latest_as_left("J-1").number == "PM-000004"  # type: ignore[union-attr]
        assert store.latest_as_left("J-2", "production").number == "PM-000005"  # type: ignore[union-attr]
        assert store.latest_as_left("J-9") is None


def test_yield_counts_production_and_others_only_where_asked(line: Path) -> None:
    with opened(line) as store:
        assert [row.number for row in store.yield_rows()] == ["PM-000004", "PM-000005"]
        assert [row.number for row in store.yield_rows(include_simulated=True)] == [
            "PM-000004",
            "PM-000005",
            "TRN-000001",
        ]
        # The voided one is left out, the stopped one is there and says so.
        assert [(r.number, r.outcome) for r in store.yield_rows(stage="as-found")] == [
            ("PM-000002", "complete"), ("PM-000003", "stopped"),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("day", "week"),
    [
        # ISO 8601 week dates: the week of a year's first Thursday is its first.
        (datetime(2027, 1, 3, 23, 59, tzinfo=UTC), "2026-W53"),
        (datetime(2027, 1, 4, 0, 0, tzinfo=UTC), "2027-W01"),
        (datetime(2024, 12, 30, 12, 0, tzinfo=UTC), "2025-W01"),
    ],
)
def test_weeks_are_those_of_iso_8601(tmp_path: Path, day: datetime, week: str) -> None:
    with opened(tmp_path) as store:
        store_record(store, started(stage="as-left", started_utc=day))
        assert store.yield_rows()[0].week == week


def test_a_reader_does_not_stand_in_a_writers_way_nor_a_writer_in_a_readers(tmp_path: Path) -> None:
    with opened(tmp_path) as store, opened(tmp_path) as other:
        store_record(store, started())
        with writing(store.engine, "here"):
            assert len(other.find()) == 1
        with reading(other.engine, "here") as connection:
            before = connection.exec_driver_sql("SELECT count(*) FROM entries").scalar()
            store_record(store, started())
            # One reading sees one state.
            assert connection.exec_driver_sql("SELECT count(*) FROM entries").scalar() == before
        assert len(other.find()) == 2
