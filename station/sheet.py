"""The test sheet: one self-contained HTML page made of a record and nothing else.

sheet = f(record, amendments, signatures, decisions, ledger size, times given, template version). No clock, no file but the template, no
locale: it can be made again, byte for byte, years later.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template, UndefinedError
from markupsafe import Markup

from station import formatting, sheet_parts
from station.sheet_pictures import dial_picture, trace_picture
from station.sheet_signatures import signature_rows

RECORD_FORMAT = "polemark-record-1"
TEMPLATE_VERSIONS = ("1",)
"""Every version that ever made an issued sheet stays here with its template."""

_NEEDED = frozenset(
    {
        "number", "kind", "stage", "outcome", "stop_reason", "started_utc", "ended_utc", "zone", "clock", "job",
        "motor", "motor_type", "adapter", "sequence", "bench", "people", "software", "instruments",
        "hand_instruments", "temperatures", "answers", "steps", "captures", "findings", "pairings", "pictures",
        "wiring", "correction", "speeds", "decision_rule", "interlock_events", "deviations", "not_tested",
        "as_found_record", "disposition", "cautions", "setting", "approved"
    }
)  # fmt: skip

# No space among them: one right after an escape would be taken as the escape's end.
_PLAIN_IN_CSS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.:-")
_LONGEST_IN_MARGIN = 48


class SheetError(ValueError):
    """A sheet cannot be made of this record; one sentence says why."""


def render_sheet(
    document: Mapping[str, Any],
    digest: str,
    *,
    template_version: str,
    issued_utc: str | None,
    ledger_size: int | None,
    as_found: Mapping[str, Any] | None,
    amendments: Sequence[Mapping[str, Any]] = (),
    signatures: Sequence[Mapping[str, Any]] = (),
    decisions: Sequence[Mapping[str, Any]] = (),
    ledger_root: str | None = None,
) -> str:
    """Render one record as a self-contained HTML page.

    Parameters
    ----------
    document : mapping
        The record, format `polemark-record-1`.
    digest : str
        Digest of the record's canonical form, `sha256:<hex>`.
    template_version : str
        One of `TEMPLATE_VERSIONS`; printed on the sheet.
    issued_utc : str or None
        When the sheet was issued, ISO 8601; None for one that is not issued (the sheet says so).
    ledger_size : int or None
        Number of ledger entries that were taken into account; None where there is no ledger yet.
    as_found : mapping or None
        The as-found record of the same job, shown beside this one.
    amendments : sequence of mappings
        Later entries about this record: `kind` (`amendment` or `void`), `by`, `at_utc`, `why`, and `what` (optional).
    signatures : sequence of mappings
        Signatures on this record: `by`, `meaning`, `roles`, `at_utc`.
    decisions : sequence of mappings
        Decisions about its motor, the last of which holds: `by`, `roles`, `disposition`, `why`, `concession`, `at_utc`.
    ledger_root : str or None
        Root of the ledger at that size, hexadecimal: printed, it anchors the ledger outside of the store.

    Raises
    ------
    SheetError
        The template version or the record's format is unknown, the record lacks something the sheet must show, or it
        was compared with another as-found record than the one given.
    """
    if template_version not in TEMPLATE_VERSIONS:
        raise SheetError(
            f"there is no sheet template of version {template_version!r}; allowed: {', '.join(TEMPLATE_VERSIONS)}"
        )
    _check(document, as_found)
    try:
        return _template(f"sheet-{template_version}").render(
            record=document,
            digest=digest,
            template_version=template_version,
            issued_utc=issued_utc,
            ledger_size=ledger_size,
            ledger_root=ledger_root,
            as_found=as_found,
            amendments=amendments,
            decisions=decisions,
            signature_rows=signature_rows(document, signatures, decisions),
            bands=sheet_parts.bands(document, amendments),
            traces=_traces(document),
            dial=_dial(document, as_found),
            groups=sheet_parts.finding_groups(document, as_found),
            further=sheet_parts.further_groups(document, as_found),
        )
    except (KeyError, UndefinedError) as error:
        raise SheetError(f"the record {document['number']} lacks what the sheet must show: {error}") from error
    except ValueError as error:
        raise SheetError(f"the record {document['number']} holds what the sheet cannot show: {error}") from error


def render_analysis(document: Mapping[str, Any]) -> str:
    """Render an analysis, format `polemark-analysis-1`, as a self-contained HTML page that says it is no record."""
    record = {**document, "findings": list(document["findings"].values()), "as_found_record": None}
    return _template("analysis-1").render(
        record=record,
        traces=_traces(record),
        dial=_dial(record, None),
        groups=sheet_parts.finding_groups(record, None),
        further=sheet_parts.further_groups(record, None),
    )


def _check(document: Mapping[str, Any], as_found: Mapping[str, Any] | None) -> None:
    if document.get("format") != RECORD_FORMAT:
        raise SheetError(f"the record has the format {document.get('format')!r}; allowed: {RECORD_FORMAT}")
    if missing := sorted(_NEEDED - set(document)):
        raise SheetError(f"the record lacks what the sheet must show: {', '.join(missing)}")
    named, number = document["as_found_record"], as_found["number"] if as_found else None
    if named and number and named != number:
        raise SheetError(f"the record {document['number']} is compared with {named}, not with {number}")


def _traces(document: Mapping[str, Any]) -> list[Markup]:
    traces = document["pictures"]["traces"]
    return [trace_picture(trace, f"trace-{place}") for place, trace in enumerate(traces, start=1)]


def _dial(document: Mapping[str, Any], as_found: Mapping[str, Any] | None) -> Markup | None:
    edges = document["pictures"]["dial"]["edges"]
    before = as_found["pictures"]["dial"]["edges"] if as_found else []
    return dial_picture(edges, before, "dial") if edges else None


def _template(name: str) -> Template:
    return _environment().get_template(f"{name}.html.j2")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_visible,
    )
    environment.filters.update(
        moment=_moment,
        plain=formatting.plain,
        quantity=formatting.quantity,
        number=formatting.number,
        css_text=css_text,
        short=short,
    )
    environment.globals.update(parts=sheet_parts, fact=formatting.fact)
    return environment


def _visible(value: Any) -> Any:
    return formatting.visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _moment(utc: str | None, zone: str | None) -> Markup:
    """Return a time as HTML that breaks only between the zone's time and UTC."""
    local, bracket, utc_part = formatting.visible(formatting.local_time(utc, zone)).partition("(")
    return Markup('<span class="nb">{}</span> <span class="nb">{}</span>').format(local.rstrip(), bracket + utc_part)


def short(text: str) -> str:
    """Return a text cut to what fits into the margin of a printed page."""
    return text if len(text) <= _LONGEST_IN_MARGIN else text[: _LONGEST_IN_MARGIN - 1] + "…"


def css_text(text: str) -> Markup:
    """Return a quoted CSS string; every character that could end it, or the style element, is written as a code point."""
    shown = formatting.visible(text)
    return Markup('"{}"').format(
        Markup("").join(Markup(c) if c in _PLAIN_IN_CSS else Markup("\\{:06x}").format(ord(c)) for c in shown)  # noqa: S704
    )
