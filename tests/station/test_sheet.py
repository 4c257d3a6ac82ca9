import copy
import hashlib
import json
import os
import re
import subprocess
import sys
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import rfc8785
import sample_record

from station.formatting import MINUS
from station.sheet import SheetError, css_text, render_sheet, short
from station.sheet_parts import may_be_decided, turning_words

DIGEST = "sha256:" + "0123456789abcdef" * 4
NAMES = sorted(sample_record.ALL)
# Elements that end without a closing tag, WHATWG HTML 13.1.2.
VOID_ELEMENTS = {"meta", "link", "col", "br", "img", "input", "hr"}


def plainly(text: str) -> str:
    """The text with single spaces, hyphens for minus signs and dashes, and no other niceties."""
    return " ".join(text.replace(MINUS, "-").replace("\N{EN DASH}", "-").split())


class Reader(HTMLParser):
    """Reads a page into its elements and its text, and fails if they do not nest."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.style = ""
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID_ELEMENTS:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.style += data
        else:
            self.text.append(data)

    @property
    def words(self) -> str:
        return plainly(" ".join(self.text))


def rendered(record: dict[str, Any], **more: Any) -> str:
    settings = {
        "template_version": "1", "issued_utc": "2026-03-29T07:15:00Z", "ledger_size": 418,
        "as_found": sample_record.as_found() if record.get("as_found_record") else None,
    }  # fmt: skip
    return render_sheet(record, DIGEST, **(settings | more))


def words(record: dict[str, Any], **more: Any) -> str:
    return Reader(rendered(record, **more)).words


def row(record: dict[str, Any], label: str, **more: Any) -> str:
    """The text of the findings row with this label."""
    found = re.search(rf'<tr>\s*<th scope="row">{re.escape(label)}.*?</tr>', rendered(record, **more), re.DOTALL)
    assert found, f"no row {label}"
    return plainly(re.sub(r"<[^>]+>", " ", found[0]).replace("&#39;", "'"))


def further(record: dict[str, Any], **more: Any) -> str:
    """The text of the figures without limits."""
    found = re.search(r"Further figures, without limits.*?</section>", rendered(record, **more), re.DOTALL)
    assert found
    return plainly(re.sub(r"<[^>]+>", " ", found[0]))


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_is_well_formed_and_loads_nothing(name: str) -> None:
    page = Reader(rendered(sample_record.ALL[name]()))
    tags = Counter(tag for tag, _ in page.elements)
    assert not {"script", "img", "iframe", "object", "embed", "video"} & set(tags)
    assert all(not key.startswith("on") for _, attributes in page.elements for key in attributes)
    addresses = [a[key] for _, a in page.elements for key in ("href", "src", "action") if key in a]
    assert addresses == ["data:,"]
    assert "url(" not in page.style
    assert "@import" not in page.style


def test_names_cannot_break_out_of_page_style_or_reading_direction() -> None:
    calm, spoilt = (Reader(rendered(r)) for r in (sample_record.nonconforming(), sample_record.hostile()))
    plate_line = Counter({"div": 1, "dt": 1, "dd": 1})
    assert Counter(t for t, _ in spoilt.elements) == Counter(t for t, _ in calm.elements) + plate_line
    assert "<script>alert(1)</script>" in spoilt.words
    assert "{{7*7}}" in spoilt.words
    assert "⟨U+202E⟩gnihton⟨U+0007⟩" in spoilt.words
    whole = rendered(sample_record.hostile())
    assert not {"\u202e", "\x07"} & set(whole)
    assert "<" not in spoilt.style
    assert spoilt.style.count("{") - calm.style.count("{") == spoilt.style.count("}") - calm.style.count("}") == 0


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_is_the_same_from_the_stored_form_of_its_record(name: str) -> None:
    record = sample_record.ALL[name]()
    stored = json.loads(rfc8785.dumps(record))
    as_found = json.loads(rfc8785.dumps(sample_record.as_found())) if record["as_found_record"] else None
    assert rendered(stored, as_found=as_found) == rendered(record)


def test_a_sheet_is_byte_identical_whatever_the_machine_is_set_to(tmp_path: Path) -> None:
    support = Path(sample_record.__file__).parent
    program = (
        "import hashlib, sample_record, locale; from station.sheet import render_sheet;"
        "locale.setlocale(locale.LC_ALL, '');"
        "print(hashlib.sha256(render_sheet(sample_record.as_left(), 'sha256:00', template_version='1',"
        " issued_utc='2026-03-29T07:15:00Z', ledger_size=3, as_found=sample_record.as_found()).encode()).hexdigest())"
    )
    settings = [
        {"TZ": "UTC", "LC_ALL": "C", "PYTHONHASHSEED": "0"},
        {"TZ": "Pacific/Kiritimati", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "1", "PYTHONUTF8": "0"},
        {"TZ": "America/St_Johns", "LANG": "C", "PYTHONHASHSEED": "4294967295", "LANGUAGE": "de"},
    ]
    seen = {
        subprocess.run(
            [sys.executable, "-c", program], check=True, capture_output=True, text=True, cwd=tmp_path,
            env={"PATH": os.environ["PATH"], "PYTHONPATH": str(support)} | setting,
        ).stdout
        for setting in settings
    }  # fmt: skip
    here = render_sheet(
        sample_record.as_left(), "sha256:00", template_version="1", issued_utc="2026-03-29T07:15:00Z", ledger_size=3,
        as_found=sample_record.as_found(),
    )  # fmt: skip
    assert seen == {hashlib.sha256(here.encode()).hexdigest() + "\n"}


def test_rendering_changes_neither_record() -> None:
    record, as_found = sample_record.as_left(), sample_record.as_found()
    before = copy.deepcopy((record, as_found))
    rendered(record, as_found=as_found)
    assert (record, as_found) == before


@pytest.mark.parametrize(
    ("stage", "title"),
    [
        ("as-found", "As found: the motor on receipt"),
        ("setting", "Setting: the feedback unit"),
        ("as-left", "As left: proof"),
        ("station-check", "Station check:"),
    ],
)
def test_the_title_is_that_of_the_stage(stage: str, title: str) -> None:
    assert f"<h1>{title}" in rendered(sample_record.as_left() | {"stage": stage})


def test_a_stopped_run_does_not_bear_the_name_of_the_proof_it_failed_to_give() -> None:
    html = rendered(sample_record.stopped())
    assert "<h1>Stopped run (as left, not finished)</h1>" in html
    assert "STOPPED</strong> The run did not reach its end: feedback_end_guard opened while turning" in html
    assert "Step 2, capture 1: failed (trip: feedback_end_guard)" in html


@pytest.mark.parametrize(
    ("name", "word"), [("simulated", "SIMULATED"), ("training", "TRAINING"), ("stopped", "STOPPED")]
)
def test_the_notice_is_on_the_screen_and_in_two_margins_of_every_page(name: str, word: str) -> None:
    page = Reader(rendered(sample_record.ALL[name]()))
    assert word in page.words
    assert [line.split("{")[0].strip() for line in page.style.splitlines() if f'"{word}"' in line] == [
        "@top-center", "@bottom-center",
    ]  # fmt: skip


def test_a_production_record_of_a_simulated_bench_is_called_simulated_all_the_same() -> None:
    record = sample_record.simulated() | {"kind": "production"}
    assert "SIMULATED" in words(record)
    assert "release" not in may_be_decided(record)


def test_an_ordinary_record_bears_no_notice() -> None:
    html = rendered(sample_record.as_left())
    assert 'class="band"' not in html
    assert not any(word in html for word in ("SIMULATED", "TRAINING", "STOPPED", "VOID", "UNAPPROVED"))


@pytest.mark.parametrize(
    ("change", "choices"),
    [
        ({}, 6),
        ({"kind": "training"}, 4),
        ({"stage": "as-found"}, 4),
        ({"outcome": "stopped"}, 4),
    ],
)
def test_only_a_real_complete_proof_as_left_can_release(change: dict[str, str], choices: int) -> None:
    offered = may_be_decided(sample_record.as_left() | change)
    assert len(offered) == choices
    assert ("release" in offered) is (choices == 6)


def test_with_a_nonconforming_finding_only_a_concession_releases() -> None:
    offered = may_be_decided(sample_record.nonconforming())
    assert "release" not in offered
    assert "release under concession" in offered
    assert "Concession granted by" in words(sample_record.nonconforming())


def test_the_sheet_says_what_a_report_must_hold() -> None:
    # The list follows ISO/IEC 17025:2017, 7.8.2.1 and 7.8.6 (in our words).
    text = words(sample_record.as_left())
    for needed in (
        "Test sheet of a rebuilt servo motor", "Test room, Ferry Lane Rebuilds", "PM-000121", "Alder Packaging",
        "Sequence as-left", "NB4-20771", "rear cover screws not original", "Received 2026-03-24",
        "Test began 2026-03-29 00:41:07 +01:00 (2026-03-28 23:41:07 UTC)",
        "Sheet issued 2026-03-29 09:15:00 +02:00 (2026-03-29 07:15:00 UTC)", "relate only to this motor",
        "Deviations None.", "surge test of the windings: not part of this sequence", "guard band.",
        "Robin Sample (stated, not verified)", "End of test sheet PM-000121", "Sheet template 1",
        "ledger entries taken into account: 418", DIGEST, "work order", "nb-17-pin, code 12, read as 12",
        "21.5\xa0°C (read with surface thermometer)", "601.48",
    ):  # fmt: skip
        assert " ".join(needed.split()).lower() in text.lower()


def test_every_printed_page_is_told_record_digest_motor_job_and_page_of_pages() -> None:
    style = Reader(rendered(sample_record.as_left())).style
    margins = re.search(r"@page \{(.*?)\n\}", style, re.DOTALL)[1]
    unescaped = re.sub(r"\\([0-9a-f]{6})", lambda m: chr(int(m[1], 16)), margins)
    for needed in ("Record PM-000121", "Motor NB4-20771", "Job J-26-0418", DIGEST[:39], DIGEST[39:]):
        assert f'"{needed}"' in unescaped
    assert '"Page " counter(page) " of " counter(pages)' in margins


def test_a_finding_shows_value_uncertainty_limits_source_conformity_and_both_figures() -> None:
    assert row(sample_record.as_left(), "Offset of H1") == (
        "Offset of H1 the maker's figure: 30.312 ° el 0.312 0.057 ° el -3 to 3 [1] conforming 12.410 -12.098 clear"
    )
    assert "[1] Data sheet NB-9920 rev C, section 4." in words(sample_record.as_left())


def test_one_sided_limits_are_put_in_words_and_missing_ones_inform_only() -> None:
    record = sample_record.as_left()
    assert "at most 0.8 [1] conforming" in row(record, "Low level of H1")
    assert "at least 2 [1] conforming" in row(record, "Swing of H1")
    assert "Hysteresis of H1 3.921 ° el u 0.083" in further(record)


def test_a_limit_without_source_says_so() -> None:
    record = sample_record.nonconforming()
    assert "-5 to 5 [2] undecided" in row(record, "Index to rising EMF zero of U-V")
    assert "[2] no source stated." in words(record)


def test_what_was_not_measured_gives_its_reason_and_no_number() -> None:
    text = row(sample_record.nonconforming(), "Delay of H1")
    assert text.startswith("Delay of H1 one speed cannot tell delay from hysteresis - none not measured")


def test_without_a_comparison_in_the_record_no_change_is_made_up() -> None:
    assert row(sample_record.as_left(), "Drag torque").endswith("conforming 0.0427")
    assert row(sample_record.as_left(), "Drag torque", as_found=None).endswith("conforming")


def test_another_as_found_record_than_the_one_named_is_refused() -> None:
    other = sample_record.as_found() | {"number": "PM-000099"}
    with pytest.raises(SheetError, match="the record PM-000121 is compared with PM-000117, not with PM-000099"):
        rendered(sample_record.as_left(), as_found=other)


def test_columns_for_the_comparison_are_there_only_when_something_is_compared() -> None:
    assert ">Change</th>" in rendered(sample_record.as_left())
    assert ">Change</th>" not in rendered(sample_record.as_found())


def test_the_result_counts_every_judged_finding_and_names_those_that_trouble() -> None:
    text = words(sample_record.nonconforming())
    assert "1 nonconforming : dropped counts 2 undecided : index to rising EMF zero of U-V, EMF constant" in text
    assert "1 not measured : delay of H1 14 conforming" in text


def test_all_nine_pairings_stand_in_both_directions_with_the_own_one_marked() -> None:
    html = rendered(sample_record.as_left())
    table = re.search(r'<table class="pairings">.*?</table>', html, re.DOTALL)[0]
    assert table.count("u 0.061") == 18
    assert table.count("own pair") == 3
    h1 = plainly(re.search(r'<th scope="row">H1</th>.*?</tr>', table, re.DOTALL)[0])
    assert re.findall(r">([-\d.]+)<", h1) == [
        "0", "4.212", "-3.588", "-120", "-115.788", "-123.588", "120", "124.212", "116.412",
    ]  # fmt: skip


def test_a_pairing_that_was_not_measured_is_not_left_blank() -> None:
    record = sample_record.as_left()
    record["pairings"]["rows"][0]["CCW"] = None
    del record["pairings"]["rows"][1]
    assert words(record).count("not measured") == 1 + 2


@pytest.mark.parametrize(
    ("turn", "front", "rear", "sentence"),
    [
        (
            -3.0783,
            "CCW",
            "CW",
            "3.0783 ° mech counter-clockwise (CCW) as seen from the drive end, which is clockwise (CW)",
        ),
        (0.7, "CW", "CCW", "0.7 ° mech clockwise (CW) as seen from the drive end, which is counter-clockwise (CCW)"),
    ],
)
def test_the_way_to_turn_names_both_viewing_ends(turn: float, front: str, rear: str, sentence: str) -> None:
    correction = {"turn_deg_mech": turn, "body_from_drive_end": front, "body_from_rear": rear}
    said = turning_words(sample_record.as_found() | {"correction": correction}).replace("\xa0", " ")
    assert sentence in said
    assert said.endswith("as seen from the rear, the feedback end.")


def test_overdue_calibration_is_judged_on_the_day_of_the_test_in_its_zone() -> None:
    record = sample_record.as_left()
    for due, overdue in (("2026-03-29", False), ("2026-03-28", True)):
        record["instruments"] = [record["instruments"][0] | {"calibration_due": due}]
        assert ("overdue</span>" in rendered(record)) is overdue


def test_an_instrument_without_a_calibration_date_is_not_passed_over() -> None:
    record = sample_record.as_left()
    record["instruments"] = [record["instruments"][0] | {"calibration_due": None}]
    assert "no date stated not shown to be valid" in words(record)


def test_windings_only_leaves_no_section_out_silently() -> None:
    text = words(sample_record.windings_only())
    for said in (
        "Not measured in this run.",
        "No waveform is shown",
        "Not diagnosed in this run.",
        "(resolver) is not covered",
    ):
        assert said in text


def test_a_void_record_says_so_with_who_and_why() -> None:
    void = {"kind": "void", "by": "Q. Sample", "at_utc": "2026-04-01T10:00:00Z", "why": "wrong motor", "what": None}
    text = words(sample_record.as_left(), amendments=[void])
    assert "VOID This record does not count." in text
    assert "void by Q. Sample, 2026-04-01 12:00:00 +02:00 (2026-04-01 10:00:00 UTC) : wrong motor" in text


def test_an_amendment_stands_on_the_sheet_beside_the_record_it_amends() -> None:
    amendment = {"kind": "amendment", "by": "Q. Sample", "at_utc": "2026-04-01T10:00:00Z", "why": "typing error",
                 "what": {"job.work_order": "WO 55121"}}  # fmt: skip
    text = words(sample_record.as_left(), amendments=[amendment])
    assert "AMENDED This record was amended later." in text
    assert "typing error (job.work order: WO 55121)" in text
    assert "WO 55120" in text


def test_an_unapproved_file_is_named_on_top() -> None:
    assert "UNAPPROVED" in words(sample_record.as_left() | {"approved": False})


def test_a_sheet_that_is_not_issued_says_so() -> None:
    text = words(sample_record.as_left(), issued_utc=None, ledger_size=None)
    assert "Sheet issued not issued" in text
    assert "Sheet template 1; no ledger." in text


@pytest.mark.parametrize("key", sorted(set(sample_record.as_left()) - {"format"}))
def test_a_record_that_lacks_a_part_gives_one_sentence_that_names_it(key: str) -> None:
    record = sample_record.as_left()
    del record[key]
    with pytest.raises(SheetError, match=rf"^the record lacks what the sheet must show: {key}$"):
        rendered(record, as_found=None)


@pytest.mark.parametrize(("part", "key"), [("job", "customer"), ("motor", "serial"), ("bench", "simulated")])
def test_a_part_that_lacks_a_field_gives_one_sentence_that_names_it(part: str, key: str) -> None:
    record = sample_record.as_left()
    del record[part][key]
    with pytest.raises(SheetError, match=rf"^the record PM-000121 lacks what the sheet must show: .*{key}"):
        rendered(record)


def test_a_time_or_date_that_is_none_is_refused_with_its_text() -> None:
    with pytest.raises(SheetError, match=r"^the record PM-000121 holds what the sheet cannot show: .*'yesterday'"):
        rendered(sample_record.as_left() | {"ended_utc": "yesterday"})


def test_an_unknown_template_version_or_format_is_refused() -> None:
    with pytest.raises(SheetError, match="there is no sheet template of version '9'; allowed: 1"):
        rendered(sample_record.as_left(), template_version="9")
    with pytest.raises(SheetError, match="the record has the format 'other'; allowed: polemark-record-1"):
        rendered(sample_record.as_left() | {"format": "other"})


def test_a_css_string_escapes_all_but_plain_characters() -> None:
    # CSS Syntax Module Level 3, 4.3.7: six hexadecimal digits end an escape by themselves.
    assert css_text('a"\\\n</style>') == '"a\\000022\\00005c\\00000a\\00003c\\00002fstyle\\00003e"'


def test_a_margin_shows_the_start_of_a_name_that_is_too_long() -> None:
    assert short("x" * 48) == "x" * 48
    assert short("x" * 49) == "x" * 47 + "…"


def test_the_head_of_the_ledger_is_printed_as_an_anchor_outside_the_store() -> None:
    assert "its head 418:" + "ab" * 32 in words(sample_record.as_left(), ledger_root="ab" * 32)
    assert "its head" not in words(sample_record.as_left())
