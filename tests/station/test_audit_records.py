"""`polemark records --where` and `--csv`."""

import csv
import io
import json
from pathlib import Path

import pytest
from command_line import one_sentence, polemark
from store_samples import NOW, started, store_record

from db.store import Store


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with four records."""
    data = tmp_path_factory.mktemp("data")
    with Store.open(data / "records.db") as store:
        store_record(store, started(motor_serial='NB4, the "second"'))
        store_record(store, started(stage="as-left", job="J-2"), findings=[])
        store_record(store, started(kind="simulated", station="station-3"))
        store_record(store, started(motor_type="nb4-200"), outcome="stopped")
        store.add_void("SIM-000001", "Kim Sample", "tried out", NOW)
    return data


WHERE = {
    "number=PM-000002": ["PM-000002"], "kind=simulated": ["SIM-000001"], 'motor=NB4, the "second"': ["PM-000001"],
    "type=nb4-200": ["PM-000003"], "job=J-2": ["PM-000002"], "stage=as-left": ["PM-000002"], "station=station-3": ["SIM-000001"],
    "outcome=stopped": ["PM-000003"], "conformity=none": ["PM-000002"],
    "conformity=nonconforming": ["PM-000001", "SIM-000001", "PM-000003"], "proposed=none": ["SIM-000001"],
    "proposed=rework": ["PM-000001", "PM-000002", "PM-000003"], "void=yes": ["SIM-000001"], "job=": [], "job=' OR 1=1": [],
}  # fmt: skip


@pytest.mark.parametrize("where", WHERE)
def test_records_are_listed_where_a_field_has_a_value(data: Path, where: str) -> None:
    done = polemark("records", "--where", where, "--json", "--data", data)
    assert [row["number"] for row in json.loads(done.stdout)] == WHERE[where]


def test_all_that_is_asked_must_hold(data: Path) -> None:
    asked = ("--where", "proposed=rework", "--where", "outcome=complete", "--stage", "as-found")
    done = polemark("records", *asked, "--json", "--data", data)
    assert [row["number"] for row in json.loads(done.stdout)] == ["PM-000001"]
    none = polemark("records", *asked, "--where", "void=yes", "--data", data)
    assert none.stdout == "No records of stage as-found, proposed=rework, outcome=complete, void=yes.\n"


ALLOWED = "number, kind, motor, type, job, stage, station, outcome, conformity, proposed, void"


@pytest.mark.parametrize(
    ("where", "sentence"),
    [
        ("customer=X", f"--where has 'customer=X'; allowed: FIELD=VALUE, with a FIELD of {ALLOWED}"),
        ("job", f"--where has 'job'; allowed: FIELD=VALUE, with a FIELD of {ALLOWED}"),
        ("", f"--where has ''; allowed: FIELD=VALUE, with a FIELD of {ALLOWED}"),
        ("void=maybe", "--where has void 'maybe'; allowed: yes, no"),
        ("conformity=ok", "--where has conformity 'ok'; allowed: conforming, nonconforming, undecided, not measured, none"),
    ],
)  # fmt: skip
def test_another_field_or_value_is_refused_with_those_there_are(data: Path, where: str, sentence: str) -> None:
    done = polemark("records", "--where", where, "--data", data)
    assert (done.returncode, one_sentence(done)) == (2, sentence)


def test_csv_is_read_back_as_it_is_listed_in_json(data: Path) -> None:
    said = polemark("records", "--csv", "--data", data)
    assert said.returncode == 0
    assert list(csv.DictReader(io.StringIO(said.stdout))) == json.loads(
        polemark("records", "--json", "--data", data).stdout
    )
    empty = polemark("records", "--csv", "--where", "job=none", "--data", data)
    assert len(empty.stdout.splitlines()) == 1


def test_csv_and_json_at_once_are_refused(data: Path) -> None:
    done = polemark("records", "--csv", "--json", "--data", data)
    assert (done.returncode, one_sentence(done)) == (2, "--json and --csv were given; allowed: one of them")
