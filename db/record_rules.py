"""What a record must satisfy before it is stored: it belongs to its run, and what it names by digest is there."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from db.canonical import digest_of
from db.column_types import time_of
from db.waveform_codec import Counts, waveform_digest

RELEASES = ("release", "release under concession")
MEANINGS = {
    "tested": "I ran this test as it is recorded here.",
    "reviewed": "I checked this sheet and its record.",
    "released": "I release this motor as it was decided.",
}
"""What a signature on a record says, by its meaning."""
SEVERITY = ("nonconforming", "undecided", "not measured", "conforming")


@dataclass(frozen=True, slots=True, eq=False)
class WaveformData:
    """Samples of one channel, shape (n,), with their digest and interval."""

    digest: str
    counts: Counts
    interval_s: float


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that belongs to a record, which names it by digest under `attachments`."""

    content: bytes

    @property
    def digest(self) -> str:
        """Digest of the content."""
        return digest_of(self.content)


def refuse_unfit(
    document: Mapping[str, Any],
    started: Mapping[str, Any],
    waveforms: Sequence[WaveformData],
    attachments: Sequence[Attachment],
) -> None:
    """Refuse a record that does not fit its run, its waveforms or its attachments.

    Parameters
    ----------
    started
        The document of the run's `started` entry.

    Raises
    ------
    ValueError
        What does not fit.
    """
    try:
        _refuse_other_run(document, started)
        _refuse_waveforms(document, waveforms)
        _refuse_difference(
            "attachments", (a["digest"] for a in document.get("attachments", ())), {a.digest for a in attachments}
        )
        for finding in document["findings"]:
            _refuse_finding(finding)
        # Its order against the start is not asked: a clock set back during a run must not cost the record.
        time_of(document["ended_utc"])
    except KeyError as missing:
        raise ValueError(f"it lacks {missing}") from None
    except TypeError as error:
        raise ValueError(f"its form is wrong: {error}") from None


def worst_finding(findings: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """Return the finding that decides the overall conformity; none where nothing was judged."""
    judged = [f for f in findings if f["conformity"] is not None]
    return min(judged, key=lambda f: SEVERITY.index(f["conformity"]), default=None)


def _refuse_other_run(document: Mapping[str, Any], started: Mapping[str, Any]) -> None:
    said = {
        "number": document["number"],
        "kind": document["kind"],
        "stage": document["stage"],
        "job": document["job"]["number"],
        "motor_serial": document["motor"]["serial"],
        "motor_type": document["motor_type"]["name"],
        "station": document["bench"]["station"],
        "started_utc": document["started_utc"],
    }
    for name, value in said.items():
        if value != started[name]:
            raise ValueError(f"its {name} is {value!r} and the run was begun with {started[name]!r}")
    if document["outcome"] not in ("complete", "stopped"):
        raise ValueError(f"its outcome is {document['outcome']!r}; allowed: complete, stopped")
    real = document["kind"] == "production"
    if real and document["bench"]["simulated"]:
        raise ValueError("its bench is simulated and its kind is production; allowed: simulated or training")
    if not real and document["disposition"]["proposed"] in RELEASES:
        raise ValueError(f"a {document['kind']} run can never be proposed for {document['disposition']['proposed']}")


def _refuse_finding(finding: Mapping[str, Any]) -> None:
    name = finding["name"]
    for text in ("name", "label", "unit"):
        if not isinstance(finding[text], str):
            raise TypeError(f"finding {name!r} has {text} {finding[text]!r}; allowed: text")
    for number in ("value", "u", "lower", "upper"):
        if isinstance(finding[number], bool) or not isinstance(finding[number], (int, float, type(None))):
            raise TypeError(f"finding {name!r} has {number} {finding[number]!r}; allowed: a number or null")
    if finding["conformity"] not in (None, *SEVERITY):
        raise ValueError(f"finding {name!r} has conformity {finding['conformity']!r}; allowed: {', '.join(SEVERITY)}")


def _refuse_waveforms(document: Mapping[str, Any], waveforms: Sequence[WaveformData]) -> None:
    for waveform in waveforms:
        found = waveform_digest(waveform.counts)
        if found != waveform.digest:
            raise ValueError(f"a waveform is given as {waveform.digest} and its samples have {found}")
    captures = document["captures"]
    _refuse_difference(
        "waveforms", (w["digest"] for c in captures for w in c["waveforms"]), {w.digest for w in waveforms}
    )
    given = {(w.digest, w.interval_s) for w in waveforms}
    for capture in captures:
        for named in capture["waveforms"]:
            if (named["digest"], capture["interval_s"]) not in given:
                raise ValueError(
                    f"capture {capture['index']} says {capture['interval_s']} s a sample and its waveform {named['digest']} does not"
                )


def _refuse_difference(what: str, named: Iterable[str], given: Collection[str]) -> None:
    wanted = set(named)
    if wanted != set(given):
        lacking, surplus = len(wanted - set(given)), len(set(given) - wanted)
        raise ValueError(
            f"of the {what} it names {lacking} are not given, and {surplus} are given that it does not name"
        )
