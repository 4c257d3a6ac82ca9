"""The sheet in a real browser: it stays offline, prints whole on both papers, and can be read by everyone."""

import itertools
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sample_record
from playwright.sync_api import Browser, Page, sync_playwright

from station.sheet import render_sheet

DIGEST = "sha256:" + "0123456789abcdef" * 4
FLAGS = [
    "--no-proxy-server",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--disable-background-networking",
    "--disable-gpu",
]
# Width of the printed area in CSS pixels, 96 to the inch: the paper less 12 mm on either side.
PRINTED_PX = {"A4": round((210 - 24) / 25.4 * 96), "Letter": round((215.9 - 24) / 25.4 * 96)}
PAPER_POINTS = {"A4": (595, 842), "Letter": (612, 792)}
# WCAG 2.2, 1.4.3: contrast of text at least 4.5 to 1; 1.4.11: of parts of a picture needed to understand it, 3 to 1.
TEXT_CONTRAST, PICTURE_CONTRAST = 4.5, 3.0
NAMES = sorted(sample_record.ALL)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    executable = shutil.which("chromium") or shutil.which("google-chrome")
    assert executable, "these tests need chromium: apt-get install chromium fonts-dejavu-core poppler-utils"
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=executable, args=FLAGS, chromium_sandbox=False)
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("sheets")
    for name in NAMES:
        record = sample_record.ALL[name]()
        as_found = sample_record.as_found() if record["as_found_record"] else None
        html = render_sheet(
            record, DIGEST, template_version="1", issued_utc="2026-03-29T07:15:00Z", ledger_size=9, as_found=as_found
        )
        (made / f"{name}.html").write_text(html, encoding="utf-8")
    return made


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    opened = browser.new_page(viewport={"width": 1100, "height": 900})
    yield opened
    opened.close()


def shown(page: Page, folder: Path, name: str) -> Page:
    page.goto((folder / f"{name}.html").as_uri())
    return page


def printed(page: Page, folder: Path, name: str, paper: str, tmp_path: Path) -> tuple[list[str], tuple[float, float]]:
    """The text of every page of the PDF, and the size of its paper in points."""
    pdf = tmp_path / f"{name}-{paper}.pdf"
    shown(page, folder, name).pdf(path=pdf, format=paper)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True, text=True).stdout
    about = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    width, height = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about).groups()
    return text.split("\f")[:-1], (float(width), float(height))


@pytest.mark.parametrize("name", NAMES)
def test_the_page_asks_for_nothing_and_complains_of_nothing(page: Page, folder: Path, name: str) -> None:
    requests: list[str] = []
    troubles: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: troubles.append(message.text))
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("dialog", lambda dialog: (troubles.append(dialog.message), dialog.dismiss()))
    shown(page, folder, name).wait_for_load_state("networkidle")
    assert [url for url in requests if not url.startswith("data:")] == [(folder / f"{name}.html").as_uri()]
    assert troubles == []
    assert page.evaluate("document.scripts.length + document.images.length") == 0


@pytest.mark.parametrize("paper", sorted(PRINTED_PX))
@pytest.mark.parametrize("name", NAMES)
def test_every_printed_page_says_what_it_belongs_to(
    page: Page, folder: Path, name: str, paper: str, tmp_path: Path
) -> None:
    pages, size = printed(page, folder, name, paper, tmp_path)
    assert size == pytest.approx(PAPER_POINTS[paper], abs=1.0)
    record = sample_record.ALL[name]()
    for number, text in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in text
        assert record["number"][:10] in text
        assert DIGEST[:39] in text
        assert DIGEST[39:] in text
        assert "Relates only to this motor." in text
    assert "End of test sheet" in pages[-1]
    assert not any("End of test sheet" in text for text in pages[:-1])


@pytest.mark.parametrize(
    ("name", "word"), [("simulated", "SIMULATED"), ("training", "TRAINING"), ("stopped", "STOPPED")]
)
def test_every_printed_page_bears_its_notice_twice(
    page: Page, folder: Path, name: str, word: str, tmp_path: Path
) -> None:
    pages, _ = printed(page, folder, name, "A4", tmp_path)
    assert len(pages) > 1
    assert all(text.count(word) >= 2 for text in pages)


def test_several_notices_are_all_printed_on_every_page(page: Page, tmp_path: Path) -> None:
    record = sample_record.stopped() | {"kind": "simulated", "approved": False}
    void = {"kind": "void", "by": "Q. Sample", "at_utc": "2026-04-01T10:00:00Z", "why": "wrong motor", "what": None}
    html = render_sheet(
        record, DIGEST, template_version="1", issued_utc=None, ledger_size=None, as_found=None, amendments=[void]
    )
    (tmp_path / "many.html").write_text(html, encoding="utf-8")
    pages, _ = printed(page, tmp_path, "many", "Letter", tmp_path)
    assert all(word in text for text in pages for word in ("SIMULATED", "VOID", "STOPPED", "UNAPPROVED"))


@pytest.mark.parametrize("paper", sorted(PRINTED_PX))
@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_cut_off_at_the_edge_of_the_paper(page: Page, folder: Path, name: str, paper: str) -> None:
    page.set_viewport_size({"width": PRINTED_PX[paper], "height": 1000})
    page.emulate_media(media="print")
    over = shown(page, folder, name).evaluate(
        """() => [...document.querySelectorAll("body *")]
            .filter(e => !e.closest("svg") && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
            .map(e => e.outerHTML.slice(0, 200))"""
    )
    assert over == []


@pytest.mark.parametrize("name", NAMES)
def test_no_cell_runs_into_its_neighbour_when_printed(page: Page, folder: Path, name: str) -> None:
    page.set_viewport_size({"width": PRINTED_PX["A4"], "height": 1000})
    page.emulate_media(media="print")
    running_over = shown(page, folder, name).evaluate(
        """() => [...document.querySelectorAll("td, th")]
            .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.outerHTML.slice(0, 200))"""
    )
    assert running_over == []


@pytest.mark.parametrize("paper", sorted(PRINTED_PX))
@pytest.mark.parametrize("name", ["as_found", "as_left", "nonconforming", "stopped", "windings_only"])
def test_no_heading_stands_alone_and_every_part_of_the_findings_has_its_head(
    page: Page, folder: Path, name: str, paper: str, tmp_path: Path
) -> None:
    pages, _ = printed(page, folder, name, paper, tmp_path)
    headings = page.locator("h2").all_inner_texts()
    for text in pages:
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        last_of_body = next(i for i, line in enumerate(lines) if line.startswith(DIGEST[:39])) - 1
        assert lines[last_of_body] not in headings
    group_titles = page.locator("tr.group th").all_inner_texts()
    # Figures without limits follow under the same titles, in a list that has no column heads.
    before = itertools.takewhile(lambda text: "Further figures" not in text, pages)
    for text in before:
        if any(title in text for title in group_titles if title != "Windings") and "Conformity" not in text:
            raise AssertionError(f"findings without their column heads on a page: {text[:400]}")
    rows = page.locator(".findings tbody:not(.notes) tr:not(.group)").evaluate_all(
        "rows => rows.map(r => [r.querySelector('th').firstChild.textContent.trim(), r.querySelector('.mark').textContent])"
    )
    further = page.locator(".further > div").count()
    assert len(rows) + further == len(sample_record.ALL[name]()["findings"])
    lines = [" ".join(line.split()) for text in pages for line in text.splitlines()]
    for label, conformity in rows:
        start = " ".join(label[:14].split())
        assert any(line.startswith(start) and f" {conformity}" in line for line in lines), label


@pytest.mark.parametrize("name", NAMES)
def test_the_page_can_be_read_without_seeing_it(page: Page, folder: Path, name: str) -> None:
    found: dict[str, Any] = shown(page, folder, name).evaluate(
        """() => {
            const all = selector => [...document.querySelectorAll(selector)];
            const ids = all("[id]").map(e => e.id);
            return {
                language: document.documentElement.lang,
                title: document.title,
                mains: all("main").length,
                h1: all("h1").length,
                levels: all("h1, h2, h3").map(e => Number(e.tagName[1])),
                unscoped: all("th").filter(e => !["col", "row", "colgroup", "rowgroup"].includes(e.scope)).length,
                headless: all("table").filter(e => !e.querySelector("thead th")).length,
                unnamed: all("svg").filter(e => e.getAttribute("role") !== "img"
                    || !e.querySelector("title")?.textContent
                    || !e.getAttribute("aria-labelledby").split(" ").every(id => document.getElementById(id))).length,
                sections: all("section").filter(e => !document.getElementById(e.getAttribute("aria-labelledby"))).length,
                doubled: ids.filter((id, i) => ids.indexOf(id) !== i),
                lists: all("dl > div").filter(e => !e.querySelector("dt") || !e.querySelector("dd")).length,
            };
        }"""
    )
    assert found["language"] == "en"
    assert found["title"]
    assert (found["mains"], found["h1"]) == (1, 1)
    assert all(after - before <= 1 for before, after in zip(found["levels"], found["levels"][1:], strict=False))
    assert (found["unscoped"], found["headless"], found["unnamed"], found["sections"], found["lists"]) == (
        0,
        0,
        0,
        0,
        0,
    )
    assert found["doubled"] == []


@pytest.mark.parametrize("name", ["as_left", "nonconforming", "simulated", "stopped"])
def test_text_and_curves_stand_out_from_their_ground(page: Page, folder: Path, name: str) -> None:
    seen = shown(page, folder, name).evaluate(
        """() => {
            const parts = text => text.match(/[\\d.]+/g).map(Number);
            const light = rgb => { const [r, g, b] = rgb.slice(0, 3).map(v => v / 255)
                .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
                return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
            const contrast = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
                return (x + 0.05) / (y + 0.05); };
            const ground = e => { for (; e; e = e.parentElement) { const c = parts(getComputedStyle(e).backgroundColor);
                if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
            const texts = [...document.querySelectorAll("body *")].filter(e => !e.closest("svg")
                && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()));
            const curves = [...document.querySelectorAll("svg .curve, svg .state, svg .high, svg .nominal, svg .ring")];
            return {
                texts: texts.map(e => contrast(parts(getComputedStyle(e).color), ground(e))),
                curves: curves.map(e => contrast(parts(getComputedStyle(e).stroke), ground(e))),
            };
        }"""
    )
    assert len(seen["texts"]) > 50
    assert min(seen["texts"]) >= TEXT_CONTRAST
    assert min(seen["curves"], default=PICTURE_CONTRAST) >= PICTURE_CONTRAST


def test_conformity_is_never_told_by_colour_alone(page: Page, folder: Path) -> None:
    marks = shown(page, folder, "nonconforming").locator(".findings .mark")
    texts = set(marks.all_inner_texts())
    assert {"conforming", "nonconforming", "undecided", "not measured"} <= texts


def test_a_narrow_screen_scrolls_tables_and_not_the_page(page: Page, folder: Path) -> None:
    page.set_viewport_size({"width": 420, "height": 800})
    widths = shown(page, folder, "nonconforming").evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert widths[0] <= widths[1]
