"""A small part of `make tamper`: whatever is changed behind the store's back is found."""

# ruff: noqa: S311 - sampling, no secret

import random
from pathlib import Path

import pytest
from tamper import SEED, Sample, asked_changes, campaign, changes, check, cuts, flips, rollbacks, sample


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Sample:
    """Return a store with every kind of entry."""
    return sample(tmp_path_factory.mktemp("whole"))


def test_flipped_bytes_and_cut_files_are_found(made: Sample, tmp_path: Path) -> None:
    rng = random.Random(SEED)
    counts, missed = campaign(made, [*flips(made, 60, rng), *cuts(made, 6, rng)], tmp_path / "check.db")
    assert missed == []
    # A file has room that holds nothing, yet most of what was hit was told.
    assert counts["byte flipped", "found"] > 15
    assert counts["file cut", "found"] == 6


def test_rows_and_schema_changed_with_sql_are_found(made: Sample, tmp_path: Path) -> None:
    asked = asked_changes(made, tmp_path / "change.db")
    kinds = {change.kind for change in asked}
    chosen = random.Random(SEED).sample(asked, 40)
    chosen += [next(change for change in asked if change.kind == kind) for kind in sorted(kinds)]
    counts, missed = campaign(made, changes(made, chosen, tmp_path / "change.db"), tmp_path / "check.db")
    assert missed == []
    for kind in kinds - {"column changed"}:
        assert counts[kind, "found"] > 0, kind
        assert counts[kind, "no difference"] == 0, kind


def test_every_older_copy_and_every_clean_cut_is_found_by_every_later_head(made: Sample, tmp_path: Path) -> None:
    attempts = list(rollbacks(made, tmp_path / "change.db"))
    counts, missed = campaign(made, attempts, tmp_path / "check.db")
    assert missed == []
    heads = len(made.heads)
    assert counts["older copy", "found"] == counts["last entries cut off", "found"] == heads * (heads - 1) / 2
    assert counts["written anew with other keys", "found"] == heads


def test_without_a_kept_head_a_clean_cut_looks_sound(made: Sample, tmp_path: Path) -> None:
    # What the heads are for: the campaign's rollbacks are found by nothing else.
    for attempt in rollbacks(made, tmp_path / "change.db"):
        (tmp_path / "check.db").write_bytes(attempt.content)
        assert check(tmp_path / "check.db").problems == [], attempt.what
