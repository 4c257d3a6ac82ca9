"""Signatures and decisions: by password, with a meaning, by the right person, and never more than the record allows."""

import html
import re
import shutil
import subprocess
import textwrap
from datetime import timedelta
from pathlib import Path

import pytest
from command_line import one_sentence, polemark
from people_samples import PASSWORDS, add_people, as_person, secret, stored_as_left
from store_samples import NOW, opened, problems

from db.store import Store
from station.policy import Policy

TOM, QUINN, MARA = "Tom Example", "Quinn Example", "Mara Example"
TESTER = [{"role": "technician", "name": TOM, "status": "verified"}]


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with three people and a conforming proof as left, PM-000001, run by Tom."""
    folder = tmp_path_factory.mktemp("settled")
    with opened(folder) as store:
        add_people(store)
        stored_as_left(store, people=TESTER)
    return folder


@pytest.fixture
def data(settled: Path, tmp_path: Path) -> Path:
    """Return a copy of it."""
    return Path(shutil.copytree(settled, tmp_path / "data"))


def sign(data: Path, name: str, meaning: str, number: str = "PM-000001") -> tuple[int, str]:
    return answer(polemark("sign", number, "--meaning", meaning, "--data", data, *as_person(data, name)))


def decide(
    data: Path, name: str, disposition: str, *more: str | Path, number: str = "PM-000001", reason: str = "All conforms."
) -> tuple[int, str]:
    given = ["--disposition", disposition, "--reason", reason, "--data", data, *as_person(data, name), *more]
    return answer(polemark("decide", number, *given))


def answer(done: subprocess.CompletedProcess[str]) -> tuple[int, str]:
    """Return the exit code, and what was said: where it failed one sentence."""
    return (0, done.stdout) if done.returncode == 0 else (done.returncode, one_sentence(done))


def sheet_words(data: Path, number: str = "PM-000001") -> str:
    text = (data / "sheets" / f"{number}.html").read_text(encoding="utf-8")
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text.partition("<body>")[2])).split())


def test_a_motor_is_tested_reviewed_decided_and_released_and_the_sheet_shows_it(data: Path) -> None:
    assert sign(data, TOM, "tested")[0] == 0
    assert sign(data, QUINN, "reviewed")[0] == 0
    assert decide(data, QUINN, "release")[0] == 0
    assert sign(data, QUINN, "released")[0] == 0
    with opened(data) as store:
        record = store.record("PM-000001")
        assert [(s["by"], s["meaning"], s["record"]) for s in record.signatures] == [
            (TOM, "tested", record.digest), (QUINN, "reviewed", record.digest), (QUINN, "released", record.digest),
        ]  # fmt: skip
        (decision,) = record.decisions
        assert (decision["by"], decision["disposition"], decision["record"]) == (QUINN, "release", record.digest)
        # The proposal stays as the run made it.
        assert record.document["disposition"]["proposed"] == "release"
    words = sheet_words(data)
    assert "Decided: release , by Quinn Example (quality)" in words
    for said in ("Tested I ran this test as it is recorded here. Tom Example", "by password, as technician",
                 "Reviewed I checked this sheet and its record. Quinn Example", "Released I release this motor"):  # fmt: skip
        assert said in words
    assert problems(data / "records.db") == []


def test_an_auditor_finds_who_signed_and_decided_proved_under_the_head_and_the_store_and_its_sheets_whole(
    data: Path,
) -> None:
    assert sign(data, TOM, "tested")[0] == 0
    granted = ("--concession-by", "B. Buyer", "--concession-for", "a scratch")
    assert decide(data, QUINN, "release under concession", *granted)[0] == 0
    shown = polemark("audit", "show", "PM-000001", "--data", data)
    assert shown.returncode == 0, shown.stderr
    assert "Tom Example: PM-000001 signed as tested: I ran this test as it is recorded here." in shown.stdout
    assert (
        "Quinn Example: PM-000001 decided: release under concession: All conforms. Concession by B. Buyer for a scratch."
        in shown.stdout
    )
    trail = polemark("audit", "trail", "--data", data).stdout
    assert "account of Tom Example added: technician" in trail
    verified = polemark("audit", "verify", "--data", data)
    assert verified.returncode == 0, verified.stdout + verified.stderr


def test_an_earlier_sheet_can_be_made_again_from_the_entries_it_knew(data: Path) -> None:
    with opened(data) as store:
        head = store.head()
    assert head is not None
    assert sign(data, TOM, "tested")[0] == 0
    assert decide(data, QUINN, "rework")[0] == 0
    with opened(data) as store:
        before, after = store.record("PM-000001", head.size), store.record("PM-000001")
    assert (before.signatures, before.decisions) == ([], [])
    assert (len(after.signatures), len(after.decisions)) == (1, 1)
    assert before.digest == after.digest


def test_the_meaning_and_the_record_are_said_before_the_password_is_asked(data: Path) -> None:
    code, said = sign(data, TOM, "tested")
    assert code == 0
    with opened(data) as store:
        digest = store.record("PM-000001").digest
    assert f"Tom Example signs record PM-000001 {digest} as tested: I ran this test as it is recorded here." in said


def test_who_tested_does_not_release_unless_the_policy_says_so(data: Path) -> None:
    with opened(data) as store:
        from db.people import People

        People(store).add("Both Example", ["technician", "quality"], PASSWORDS[QUINN], MARA, NOW)
        own = stored_as_left(store, people=[{"role": "technician", "name": "both example", "status": "x"}])
    again = ["decide", own, "--as", "Both Example", "--disposition", "release", "--reason", "It conforms.", "--data", data,
             "--password-file", secret(data, PASSWORDS[QUINN])]  # fmt: skip
    done = polemark(*again)
    assert done.returncode == 2
    assert "Both Example would both test and release by record PM-000002; allowed: another person" in done.stderr
    (data / "policy.yaml").write_text("releaser_may_be_tester: true\n", encoding="utf-8")
    assert polemark(*again).returncode == 0


def test_without_a_named_tester_nothing_is_released_before_somebody_signs_as_tested(data: Path) -> None:
    with opened(data) as store:
        number = stored_as_left(store, people=[{"role": "technician", "name": "not stated", "status": "x"}])
    code, said = decide(data, QUINN, "release", number=number)
    assert code == 2
    assert f"nobody is named as the tester of record {number}; allowed: first the signature of who tested" in said
    assert sign(data, TOM, "tested", number)[0] == 0
    assert decide(data, QUINN, "release", number=number)[0] == 0


def test_only_who_ran_it_signs_as_tested(data: Path) -> None:
    with opened(data) as store:
        number = stored_as_left(store, people=[{"role": "technician", "name": "Robin Sample", "status": "x"}])
    code, said = sign(data, TOM, "tested", number)
    assert code == 2
    assert f"record {number} was run by Robin Sample, not by Tom Example; allowed: who ran it" in said


WITHOUT_RIGHT = {
    "a technician decides": (
        lambda data: decide(data, TOM, "rework"),
        "Tom Example (technician) may not decide; allowed: a person of role quality"),
    "a maintainer decides": (lambda data: decide(data, MARA, "scrap"), "Mara Example (maintainer) may not decide"),
    "quality signs as tested": (
        lambda data: sign(data, QUINN, "tested"), "may not sign as tested; allowed: a person of role technician"),
    "a technician reviews": (
        lambda data: sign(data, TOM, "reviewed"), "may not sign as reviewed; allowed: a person of role quality"),
    "released before it is decided": (
        lambda data: sign(data, QUINN, "released"), "has no decision to release its motor; allowed: a release first decided"),
    "a concession without whose": (
        lambda data: decide(data, QUINN, "release under concession"), "needs who granted it and for what; allowed: --concession-by"),
    "a concession for a plain release": (
        lambda data: decide(data, QUINN, "release", "--concession-by", "Alder", "--concession-for", "x"),
        "a concession belongs to 'release under concession' alone"),
    "an empty reason": (lambda data: decide(data, QUINN, "rework", reason=" "), "a decision on record PM-000001 needs its reason"),
    "a record that is not there": (lambda data: sign(data, TOM, "tested", "PM-000404"), "there is no record PM-000404"),
}  # fmt: skip


@pytest.mark.parametrize("way", WITHOUT_RIGHT)
def test_what_a_person_may_not_do_is_refused_and_leaves_no_entry(data: Path, way: str) -> None:
    act, sentence = WITHOUT_RIGHT[way]
    with opened(data) as store:
        before = store.head()
    code, said = act(data)
    assert code == (4 if "there is no record" in sentence else 2), said
    assert sentence in said
    with opened(data) as store:
        assert store.head() == before


def test_a_signature_with_a_wrong_password_is_refused_and_the_attempt_entered(data: Path) -> None:
    done = polemark("sign", "PM-000001", "--as", TOM, "--meaning", "tested", "--data", data,
                    "--password-file", secret(data, "not his password"))  # fmt: skip
    assert done.returncode == 2
    assert "the password of Tom Example is wrong" in done.stderr
    with opened(data) as store:
        assert store.record("PM-000001").signatures == []
        assert [e.document["what"] for e in store.entries("refusal")] == ["sign as tested"]


def test_nobody_signs_twice_with_one_meaning_and_a_void_record_not_at_all(data: Path) -> None:
    assert sign(data, TOM, "tested")[0] == 0
    code, said = sign(data, TOM, "tested")
    assert (code, "Tom Example has signed record PM-000001 as tested already" in said) == (2, True)
    with opened(data) as store:
        store.add_void("PM-000001", QUINN, "wrong motor", NOW)
    for code, said in (sign(data, QUINN, "reviewed"), decide(data, QUINN, "rework")):
        assert (code, "record PM-000001 is void; allowed: a record that counts" in said) == (2, True)


def failing(store: Store) -> str:
    from sample_record import as_left

    findings = [f | {"compared": None} for f in as_left()["findings"]]
    findings[0] |= {"conformity": "nonconforming"}
    return stored_as_left(store, people=TESTER, findings=findings)


def test_a_nonconforming_motor_is_released_under_concession_only(data: Path) -> None:
    with opened(data) as store:
        number = failing(store)
    code, said = decide(data, QUINN, "release", number=number)
    assert (code, f"record {number} cannot lead to 'release'; allowed: 'release under concession'" in said) == (2, True)
    granted = ("--concession-by", "B. Buyer, Alder Packaging (invented)", "--concession-for", "2.1 deg_el of timing")
    assert decide(data, QUINN, "release under concession", *granted, number=number)[0] == 0
    assert "Concession granted by B. Buyer, Alder Packaging (invented) for 2.1 deg_el of timing." in sheet_words(
        data, number
    )


@pytest.mark.parametrize("kind", ["simulated", "training"])
@pytest.mark.parametrize("disposition", ["release", "release under concession"])
def test_what_was_simulated_or_practised_is_never_released(data: Path, kind: str, disposition: str) -> None:
    with opened(data) as store:
        number = stored_as_left(store, people=TESTER, kind=kind)
    granted = ("--concession-by", "B", "--concession-for", "c") if "concession" in disposition else ()
    code, said = decide(data, QUINN, disposition, *granted, number=number)
    assert code == 2
    assert f"record {number} cannot lead to '{disposition}'; allowed: 'rework', 'quarantine', 'scrap'" in said
    # Anything else can be signed and decided, with the key of such records.
    assert (sign(data, TOM, "tested", number)[0], decide(data, QUINN, "scrap", number=number)[0]) == (0, 0)
    assert problems(data / "records.db") == []


@pytest.mark.parametrize("kind", ["simulated", "training", "analysis"])
def test_the_store_itself_refuses_to_release_what_was_not_really_tested(data: Path, kind: str) -> None:
    from db.decisions import decide as decided
    from db.people import People
    from db.store_errors import NotAllowed

    with opened(data) as store:
        number = stored_as_left(store, kind=kind, disposition={"proposed": None, "would_be": "release", "reason": ""})
        quinn = People(store).person(QUINN)
        with pytest.raises(NotAllowed, match=f"record {number} is of an? {kind} run; it can never release a motor"):
            decided(store, number, quinn, "release", "looks good", None, NOW)


@pytest.mark.parametrize("stage", ["setting", "as-left"])
def test_a_proof_after_which_the_motor_was_run_again_releases_nothing(data: Path, stage: str) -> None:
    with opened(data) as store:
        later = stored_as_left(store, people=TESTER, stage=stage, started_utc=NOW + timedelta(hours=2))
    code, said = decide(data, QUINN, "release")
    assert code == 2
    assert f"was run again after it ({stage}, record {later}); allowed: a release by its latest proof as left" in said


def test_a_later_decision_takes_the_place_of_an_earlier_one_and_both_are_shown(data: Path) -> None:
    assert decide(data, QUINN, "quarantine", reason="Bearing noise.")[0] == 0
    assert decide(data, QUINN, "scrap", reason="Shaft bent.")[0] == 0
    words = sheet_words(data)
    assert "Decided earlier, no longer holds: quarantine , by Quinn Example" in words
    assert "Shaft bent." in words
    assert sign(data, QUINN, "released")[0] == 2


def test_what_people_write_cannot_break_out_of_the_sheet(data: Path) -> None:
    assert decide(data, QUINN, "rework", reason="</p><script>alert(1)</script> \u202eback")[0] == 0
    page = (data / "sheets" / "PM-000001.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "\u202e" not in page
    assert "</p><script>alert(1)</script> ⟨U+202E⟩back" in sheet_words(data)


def test_the_policy_can_let_other_roles_decide(data: Path) -> None:
    (data / "policy.yaml").write_text("deciding_roles: [quality, maintainer]\n", encoding="utf-8")
    assert decide(data, MARA, "quarantine")[0] == 0


def test_the_readme_shows_the_policy_as_it_is_without_a_file() -> None:
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    shown = readme.partition("what it leaves out stands as here:\n")[2].lstrip("\n").partition("\n\n")[0]
    told = Policy.read_string(textwrap.dedent(shown), "README.md")
    assert told.model_dump() == Policy().model_dump()
    assert told.model_fields_set == set(Policy.model_fields)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("names: typed", "names is 'typed'; allowed: stated or verified"),
        ("unapproved_files: hide", "unapproved_files is 'hide'; allowed: mark or refuse"),
        ("overdue_calibration: ignore", "overdue_calibration is 'ignore'; allowed: flag or refuse"),
        ("releaser_may_be_tester: 1", "releaser_may_be_tester is '1'; allowed: true or false"),
        ("retests_without_rework: 0", "retests_without_rework is '0'; allowed: greater than or equal to 1"),
        ("retests_without_rework: two", "retests_without_rework is 'two'; allowed: a whole number"),
        ("deciding_roles: []", "an empty list; allowed: one or more items in a list"),
        ("deciding_roles: [boss]", "deciding_roles is 'boss'; allowed: technician, quality, auditor or maintainer"),
        ("releaser: true", "unknown key 'releaser'; allowed: "),
    ],
)
def test_a_wrong_policy_is_refused_with_its_place_and_what_is_allowed(data: Path, line: str, sentence: str) -> None:
    (data / "policy.yaml").write_text(f"{line}\n", encoding="utf-8")
    done = polemark("decide", "PM-000001", "--as", QUINN, "--disposition", "rework", "--reason", "x", "--data", data)
    assert done.returncode == 2
    assert sentence in one_sentence(done)
    assert "policy.yaml" in done.stderr
