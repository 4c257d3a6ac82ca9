"""Approved files: what is in use is told from the entries, and a run on anything else is marked or refused."""

import json
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from command_line import one_sentence, polemark
from people_samples import TEMPLATE, add_people, as_person, silent_bench
from store_samples import NOW, opened, problems

from db.approvals import ConfigFile, approvals, approve
from drivers.bench_file import parse_bench, read_bench
from drivers.bench_process import simulated_bench
from safety.strict_yaml import read_file
from station.approval_check import unapproved
from station.approval_files import config_file, interlock_table
from station.calibration_check import overdue
from station.find_files import SHIPPED
from station.policy import read_policy
from station.run_checks import Asked, cleared
from station.run_execution import RunRequest
from station.run_preparation import prepare

QUINN, TOM = "Quinn Example", "Tom Example"
USED = ("as-found", "ostrel-mt41", "interlocks")
ANSWERS = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
BY_HAND = "ready for the hand turn: yes\nclose the guards: yes\n"
CLEARED = 3
"""The exit code of a run that passed every check and then found no bench to open."""


def adapter_path() -> Path:
    name = next(
        line.partition(":")[2].strip()
        for line in (SHIPPED / "motor_types" / "ostrel-mt41.yaml").read_text(encoding="utf-8").splitlines()
        if line.startswith("adapter:")
    )
    return SHIPPED / "adapters" / f"{name}.yaml"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    with opened(folder) as store:
        add_people(store)
    (folder / "policy.yaml").write_text("names: stated\n", encoding="utf-8")
    return folder


def approve_all(data: Path) -> None:
    with opened(data) as store:
        for named in (*USED, str(adapter_path())):
            approve(store, config_file(named), QUINN, None, NOW)


def run(
    data: Path, bench: Path, *more: str | Path, sequence: str | Path = "as-found", by_hand: str = ""
) -> tuple[int, str]:
    answers = data.parent / "answers.yaml"
    answers.write_text(ANSWERS + by_hand, encoding="utf-8")
    done = polemark(
        "run", sequence, "--motor", "MT41-20391", "--type", "ostrel-mt41", "--job", "J-8", "--bench", bench,
        "--data", data, "--answers", answers, *more,
    )  # fmt: skip
    return done.returncode, done.stdout if done.returncode in (0, 1) else one_sentence(done)


def test_a_quality_person_approves_files_of_every_kind_and_they_are_listed(data: Path, tmp_path: Path) -> None:
    by_quinn = as_person(tmp_path, QUINN)
    bench = silent_bench(tmp_path)
    given = {
        "sequence": "as-left", "motor type": "ostrel-mt41", "adapter": adapter_path(), "bench": bench,
        "interlock table": "interlocks",
    }  # fmt: skip
    for kind, file in given.items():
        done = polemark("approve", file, "--note", f"read, {kind}", "--data", data, *by_quinn)
        assert done.returncode == 0, done.stderr
    listed = json.loads(polemark("approved", "--json", "--data", data).stdout)
    assert {a["kind"]: a["note"] for a in listed} == {kind: f"read, {kind}" for kind in given}
    assert {a["kind"]: a["digest"] for a in listed} == {
        "sequence": read_file(SHIPPED / "as-left.yaml").digest,
        "motor type": read_file(SHIPPED / "motor_types" / "ostrel-mt41.yaml").digest,
        "adapter": read_file(adapter_path()).digest,
        "bench": read_file(bench).digest,
        "interlock table": interlock_table().digest,
    }
    assert all(a["by"] == QUINN for a in listed)
    assert "sequence as-left revision" in polemark("approved", "--data", data).stdout
    assert problems(data / "records.db") == []


def test_who_may_not_and_what_cannot_be_approved_is_refused(data: Path, tmp_path: Path) -> None:
    (tmp_path / "other.yaml").write_text("shopping: [bread]\n", encoding="utf-8")
    (tmp_path / "broken.yaml").write_text("sequence: x\n", encoding="utf-8")
    (tmp_path / "not.yaml").write_text("a: [\n", encoding="utf-8")
    for person, file, sentence in (
        (
            TOM,
            "as-left",
            "Tom Example (technician) may not approve files; allowed: a person of role quality or maintainer",
        ),
        (
            QUINN,
            tmp_path / "other.yaml",
            "is no file that can be approved; allowed: a YAML file with sequence, motor_type",
        ),
        (QUINN, "as-lift", "as-lift is no file and no shipped name; allowed: the path of a sequence"),
        (QUINN, tmp_path / "not.yaml", "no valid YAML"),
    ):
        done = polemark("approve", file, "--data", data, *as_person(tmp_path, person))
        assert done.returncode == 2
        assert sentence in one_sentence(done)
    broken = polemark("approve", tmp_path / "broken.yaml", "--data", data, *as_person(tmp_path, QUINN))
    assert (broken.returncode, "is missing" in broken.stderr) == (2, True)
    assert "Nothing is approved yet" in polemark("approved", "--data", data).stdout


def test_the_latest_approval_of_a_name_is_the_one_in_use(data: Path) -> None:
    with opened(data) as store:
        for revision in ("1", "2"):
            approve(store, ConfigFile("sequence", "quick", revision, f"sha256:{revision}"), QUINN, None, NOW)
        in_use = approvals(store)
    assert [a.file.revision for a in in_use] == ["2"]
    assert unapproved([ConfigFile("sequence", "quick", "2", "sha256:2")], in_use) == []
    assert unapproved([ConfigFile("sequence", "quick", "1", "sha256:1")], in_use) == [
        "The sequence quick is not the one of revision 2 that was approved: it was changed."
    ]
    assert unapproved([ConfigFile("adapter", "quick", None, "sha256:2")], in_use) == [
        "The adapter quick is not approved."
    ]


def test_by_policy_an_unapproved_or_changed_file_is_refused_before_the_bench_is_opened(
    data: Path, tmp_path: Path
) -> None:
    bench = silent_bench(tmp_path)
    (data / "policy.yaml").write_text("names: stated\nunapproved_files: refuse\n", encoding="utf-8")
    code, said = run(data, bench)
    assert code == 2
    assert "The sequence as-found is not approved." in said
    assert "The policy refuses such a run; allowed: approve it (`polemark approve`)" in said
    approve_all(data)
    assert run(data, bench)[0] == CLEARED
    changed = Path(shutil.copy(SHIPPED / "as-found.yaml", tmp_path / "as-found.yaml"))
    with changed.open("a", encoding="utf-8") as file:
        file.write("# a word more\n")
    code, said = run(data, bench, sequence=changed)
    assert (code, "The sequence as-found is not the one of revision" in said) == (2, True)
    with opened(data) as store:
        assert store.open_runs() == store.find() == []


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with simulated_bench(TEMPLATE, tmp_path_factory.mktemp("bench") / "bench.yaml") as started:
        yield started.bench_path


def test_the_record_and_sheet_say_whether_everything_was_approved(data: Path, tmp_path: Path, bench: Path) -> None:
    def made(*more: str | Path) -> dict[str, object]:
        code, said = run(data, bench, "--json", *more)
        assert code == 0, said
        document: dict[str, object] = json.loads(said)
        with opened(data) as store:
            started = store.started(str(document["number"]))
            assert started is not None
            assert started["facts"]["approved"] is document["approved"]
        return document

    def sheet(document: dict[str, object]) -> str:
        return (data / "sheets" / f"{document['number']}.html").read_text(encoding="utf-8")

    never = made()
    assert never["approved"] is None
    assert never["deviations"] == []
    with opened(data) as store:
        approve(store, config_file("as-found"), QUINN, None, NOW)
    partly = made("--retest-reason", "connection")
    assert partly["approved"] is False
    assert "The motor type ostrel-mt41 is not approved." in partly["deviations"]  # type: ignore[operator]
    assert "UNAPPROVED" in sheet(partly)
    assert "The motor type ostrel-mt41 is not approved." in sheet(partly)
    approve_all(data)
    wholly = made("--retest-reason", "rework done")
    assert wholly["approved"] is True
    assert wholly["deviations"] == []
    assert "UNAPPROVED" not in sheet(wholly)


REAL = {
    "simulated: true": "simulated: false", "clock: stepped\n": "", 'calibration_due: "2027-06-30"': 'calibration_due: "2026-02-14"',
}  # fmt: skip


def real_bench(folder: Path, **more: str) -> Path:
    """Write the file of a real bench that nobody answers for, all instruments due on 2026-02-14."""
    path = silent_bench(folder, **REAL | more)
    text = path.read_text(encoding="utf-8")
    control = text[text.index("simulation:\n") : text.index("# How the EMF")]
    path.write_text(text.replace(control, ""), encoding="utf-8")
    return path


def test_overdue_instruments_are_named_from_the_day_after_their_due_date_on(tmp_path: Path) -> None:
    bench = read_bench(real_bench(tmp_path))
    assert overdue(bench, date(2026, 2, 14)) == []
    late = overdue(bench, date(2026, 2, 15))
    assert len(late) == 4
    assert (
        "The calibration of the spin supply (polemark simulated supply, serial SIM-SPIN) was due on 2026-02-14." in late
    )


def test_a_scope_without_a_due_date_is_not_shown_to_be_valid_and_a_simulated_bench_needs_none(tmp_path: Path) -> None:
    bench = read_bench(
        real_bench(tmp_path, **{'calibration_due: "2026-02-14"': "certificate: C-1", "certificate: SIM": "# SIM"})
    )
    assert overdue(bench, date(2026, 1, 1)) == [
        "The bench file states no calibration date of the scope (polemark simulated scope, serial SIM-SCOPE)."
    ]
    assert overdue(parse_bench(read_file(TEMPLATE)), date(2099, 1, 1)) == []


def test_by_policy_an_overdue_calibration_is_refused_before_the_bench_is_opened(data: Path, tmp_path: Path) -> None:
    bench = real_bench(tmp_path)
    assert run(data, bench, by_hand=BY_HAND)[0] == CLEARED
    (data / "policy.yaml").write_text("names: stated\noverdue_calibration: refuse\n", encoding="utf-8")
    code, said = run(data, bench, by_hand=BY_HAND)
    assert code == 2
    assert "serial SIM-SCOPE) was due on 2026-02-14." in said
    assert "allowed: a valid calibration, or `overdue_calibration: flag` in policy.yaml" in said


def test_an_overdue_calibration_and_an_unapproved_bench_become_deviations_of_the_record(
    data: Path, tmp_path: Path
) -> None:
    request = RunRequest(prepare("as-found", "ostrel-mt41", real_bench(tmp_path)), "MT41-20391", "J-8", None)
    approve_all(data)
    with opened(data) as store:
        checked = cleared(request, store, read_policy(data), Asked())
    assert checked.approved is False
    assert checked.deviations[0] == "The bench simulated-1 is not approved."
    assert sum("was due on 2026-02-14" in d for d in checked.deviations) == 4
