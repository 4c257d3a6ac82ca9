"""The pages of this room say what the code does: tables are generated, hazards exist, risk levels follow the graph."""

import re
from pathlib import Path

import pytest

import safety
from safety.interlock_document import PAGE, PARTS, STALE, UNUSABLE, UP_TO_DATE, main, renewed
from safety.interlocks import read_table
from safety.rest_order import REST_ORDER
from safety.risk_graph import LEVELS, required_level

ROOT = Path(safety.__file__ or "").resolve().parent.parent
HAZARDS = (ROOT / "safety" / "HAZARDS.md").read_text(encoding="utf-8")
TABLE = read_table()
SECTIONS = {part[:4]: part for part in HAZARDS.split("\n### ")[1:]}
LINES = ("Risk", "Where", "Inherent", "Guard", "Hardwired", "Software", "Information", "Left", "Code and tests")


def test_the_interlock_page_shows_the_table_that_is_run() -> None:
    assert main(["--check"]) == UP_TO_DATE
    text = PAGE.read_text(encoding="utf-8")
    shown = text.split("<!-- interlock table: begin -->")[1].split("<!-- interlock table: end -->")[0]
    rows = [line.split(" | ") for line in shown.strip().splitlines()[2:]]
    assert [row[0].removeprefix("| ") for row in rows] == [row.name for row in TABLE.rows]
    assert [row[8] for row in rows] == [row.hazard for row in TABLE.rows]
    assert all(f"| {s.name} | {s.deadline_s:g} s |" in text for s in REST_ORDER)
    assert all(f"| `{t.name}` |" in text for t in TABLE.thresholds)


def test_a_stale_page_is_found_told_and_mended(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "PAGE.md"
    stale = PAGE.read_text(encoding="utf-8").replace("| stop circuit | all |", "| stop circuit | guarded |")
    assert stale != PAGE.read_text(encoding="utf-8")
    page.write_text(stale, encoding="utf-8")
    assert main(["--check", str(page)]) == STALE
    assert page.read_text(encoding="utf-8") == stale
    assert "does not show interlocks.yaml; run: python -m safety.interlock_document" in capsys.readouterr().err
    assert main([str(page)]) == UP_TO_DATE
    assert page.read_text(encoding="utf-8") == PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", PARTS)
def test_a_page_whose_markers_are_broken_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    page = tmp_path / "PAGE.md"
    begin = f"<!-- {name}: begin -->"
    for broken in (
        PAGE.read_text(encoding="utf-8").replace(begin, ""),
        PAGE.read_text(encoding="utf-8").replace(begin, begin + begin),
    ):
        page.write_text(broken, encoding="utf-8")
        assert main([str(page)]) == UNUSABLE
        assert page.read_text(encoding="utf-8") == broken
        assert f"the page must have '{begin}'" in capsys.readouterr().err


@pytest.mark.parametrize("args", [["--other"], ["a.md", "b.md"], ["gone.md"]])
def test_bad_arguments_and_missing_pages_end_with_a_sentence(
    args: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(args) == UNUSABLE
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_making_the_page_anew_twice_changes_nothing() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert renewed(renewed(text, TABLE), TABLE) == renewed(text, TABLE)


def test_every_interlock_belongs_to_a_hazard_that_names_it() -> None:
    for row in TABLE.rows:
        assert row.hazard in SECTIONS, row.name
        assert f"*{row.name}*" in " ".join(SECTIONS[row.hazard].split()), row.name


def test_every_row_that_the_hazards_name_exists() -> None:
    names = {row.name for row in TABLE.rows}
    for section in SECTIONS.values():
        software = " ".join(section.split("- Software: ")[1].split("\n- ")[0].split())
        assert set(re.findall(r"\*([^*]+)\*", software)) <= names


def test_hazards_are_numbered_without_gaps_and_complete() -> None:
    assert list(SECTIONS) == [f"H-{i:02}" for i in range(1, len(SECTIONS) + 1)]
    for section in SECTIONS.values():
        assert tuple(re.findall(r"^- ([A-Z][a-z ]+): \S", section, re.MULTILINE)) == LINES


@pytest.mark.parametrize("hazard", SECTIONS)
def test_the_level_of_every_hazard_follows_from_its_letters(hazard: str) -> None:
    found = re.search(r"^- Risk: (S\d) (F\d) (P\d), PLr ([a-e])$", SECTIONS[hazard], re.MULTILINE)
    assert found is not None
    assert required_level(*found.groups()[:3]) == found.group(4)


def test_every_file_that_the_hazards_name_exists() -> None:
    named = re.findall(r"(?:safety|drivers|tests)/[\w/]+\.(?:py|yaml)", HAZARDS)
    assert len(named) > 20
    assert [name for name in named if not (ROOT / name).is_file()] == []


def test_both_pages_put_the_hardwired_chain_first_and_defer_to_local_codes() -> None:
    for text in (HAZARDS, PAGE.read_text(encoding="utf-8")):
        opening = " ".join(text.split("\n## ")[0].split())
        assert opening.split("\n")[0].index("Software never is the safety function") < 120
        assert "Local codes and licensed practice come first" in opening


def test_the_risk_graph_is_that_of_the_standard() -> None:
    # ISO 13849-1, annex A; meaning of S, F, P public, the mapping from memory.
    order = [(s, f, p) for s in ("S1", "S2") for f in ("F1", "F2") for p in ("P1", "P2")]
    assert "".join(required_level(*letters) for letters in order) == "abbccdde"
    assert set(LEVELS) == set(order)


@pytest.mark.parametrize("letters", [("S3", "F1", "P1"), ("F1", "S1", "P1"), ("", "", "")])
def test_letters_that_the_graph_does_not_know_are_refused(letters: tuple[str, str, str]) -> None:
    with pytest.raises(ValueError, match="risk parameters must be S1 or S2"):
        required_level(*letters)
