"""Once there are accounts, a run asks who tests before the bench is opened, and its record says so."""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from command_line import one_sentence, polemark
from people_samples import PASSWORDS, TEMPLATE, add_people, as_person, secret, silent_bench
from store_samples import NOW, opened

from db.people import People
from drivers.bench_process import simulated_bench
from station.run_checks import local_today

TOM, QUINN = "Tom Example", "Quinn Example"
ANSWERS = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
CLEARED = 3
"""The exit code of a run that passed every check and then found no bench to open."""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    with opened(folder) as store:
        add_people(store).allow(TOM, "as-found", local_today(), QUINN, NOW)
    return folder


def run(data: Path, bench: Path, *more: str | Path) -> tuple[int, str]:
    answers = data.parent / "answers.yaml"
    answers.write_text(ANSWERS, encoding="utf-8")
    done = polemark(
        "run", "as-found", "--motor", "MT41-20391", "--type", "ostrel-mt41", "--job", "J-8", "--bench", bench,
        "--data", data, "--answers", answers, *more,
    )  # fmt: skip
    return done.returncode, done.stdout if done.returncode in (0, 1) else one_sentence(done)


def nothing_began(data: Path) -> bool:
    with opened(data) as store:
        return store.find() == [] and store.open_runs() == []


def test_who_may_not_run_is_refused_before_the_bench_is_opened(data: Path, tmp_path: Path) -> None:
    bench = silent_bench(tmp_path)
    wrong = ["--technician", TOM, "--password-file", secret(tmp_path, "a guess of somebody")]
    for more, sentence in (
        ([], "who tests is not said; allowed: --technician NAME, with an account"),
        (["--technician", "T. Stranger"], "there is no account of T. Stranger; allowed: one that"),
        (
            ["--technician", QUINN],
            "Quinn Example (quality) may not run sequences; allowed: a person of role technician",
        ),
        (["--technician", TOM], "there is no terminal to ask a password at; allowed: --password-file FILE"),
        (wrong, "the password of Tom Example is wrong; nothing was done"),
    ):
        assert run(data, bench, *more)[0] == 2
        assert sentence in run(data, bench, *more)[1]
    assert nothing_began(data)
    assert run(data, bench, *as_person(tmp_path, TOM, "--technician"))[0] == CLEARED


@pytest.mark.parametrize(
    ("until", "sentence"),
    [
        (None, "Tom Example was never authorised for the sequence as-found; allowed: a technician authorised for it"),
        (-1, "Tom Example was authorised until {until} for the sequence as-found"),
    ],
)
def test_who_is_not_or_no_more_authorised_is_refused_but_may_train(
    tmp_path: Path, until: int | None, sentence: str
) -> None:
    data, bench = tmp_path / "data", silent_bench(tmp_path)
    data.mkdir()
    day = local_today() + timedelta(days=until or 0)
    with opened(data) as store:
        people = add_people(store)
        people.allow(TOM, "as-left", date(2099, 1, 1), QUINN, NOW)
        if until is not None:
            people.allow(TOM, "as-found", day, QUINN, NOW)
    by_tom = as_person(tmp_path, TOM, "--technician")
    code, said = run(data, bench, *by_tom)
    assert code == 2
    assert sentence.format(until=day.isoformat()) in said
    assert nothing_began(data)
    assert run(data, bench, *by_tom, "--training")[0] == CLEARED
    assert run(data, bench, "--training")[0] == 2


def test_a_retired_technician_runs_nothing(data: Path, tmp_path: Path) -> None:
    with opened(data) as store:
        People(store).retire(TOM, "Mara Example", NOW)
    code, said = run(data, silent_bench(tmp_path), *as_person(tmp_path, TOM, "--technician"))
    assert (code, "the account of Tom Example is retired" in said) == (2, True)


def test_the_policy_can_leave_names_stated_though_there_are_accounts(data: Path, tmp_path: Path) -> None:
    bench = silent_bench(tmp_path)
    (data / "policy.yaml").write_text("names: stated\n", encoding="utf-8")
    assert run(data, bench, "--technician", "T. Stranger")[0] == CLEARED
    assert run(data, bench)[0] == CLEARED


def test_without_accounts_a_name_is_stated(tmp_path: Path) -> None:
    assert run(tmp_path / "data", silent_bench(tmp_path), "--technician", "T. Stranger")[0] == CLEARED


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with simulated_bench(TEMPLATE, tmp_path_factory.mktemp("bench") / "bench.yaml") as started:
        yield started.bench_path


def people_of(data: Path, number: str) -> Any:
    with opened(data) as store:
        started = store.started(number)
        assert started is not None
        assert started["facts"]["people"] == store.record(number).document["people"]
        return store.record(number).document["people"]


def test_the_record_of_a_run_says_verified_or_stated(data: Path, tmp_path: Path, bench: Path) -> None:
    code, said = run(data, bench, "--json", *as_person(tmp_path, TOM, "--technician"))
    assert code == 0, said
    number = str(json.loads(said)["number"])
    assert people_of(data, number) == [{"role": "technician", "name": TOM, "status": "verified"}]
    assert "Tom Example (verified)" in (data / "sheets" / f"{number}.html").read_text(encoding="utf-8")
    # The tester signs what the bench measured.
    signed = polemark("sign", number, "--meaning", "tested", "--data", data, *as_person(tmp_path, TOM))
    assert signed.returncode == 0, signed.stderr
    stated = tmp_path / "stated"
    assert run(stated, bench, "--technician", "T. Stranger")[0] == 0
    assert people_of(stated, "SIM-000001") == [
        {"role": "technician", "name": "T. Stranger", "status": "stated, not verified"}
    ]
    assert PASSWORDS[TOM] not in said
