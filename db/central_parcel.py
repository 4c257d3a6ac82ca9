"""What a station sends at once: entries in their order up to a signed head, and what they name by digest."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from db.ledger import facts_of
from db.merkle import Peaks, leaf_hash
from db.signing import Head, head_holds


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry with its document, already read."""

    position: int
    kind: str
    subject: str
    at_utc: datetime
    content: bytes
    leaf: bytes
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Parcel:
    """The entries from `first` up to the last of the heads, as a station's ledger has them."""

    station: str
    origin: bytes
    """Leaf hash of the ledger's entry 0."""
    first: int
    root: bytes
    """The root that the station has for the entries before `first`; empty where there are none."""
    entries: Sequence[Entry]
    heads: Sequence[tuple[Head, bytes]]
    """Each with the tree's peaks."""
    waveforms: Sequence[Mapping[str, Any]]
    attachments: Sequence[Mapping[str, Any]]
    entries_there: int
    """How many entries the station has in all."""


@dataclass(frozen=True, slots=True)
class Key:
    """A public key of a station, with the entry that introduced it."""

    name: str
    use: str
    public: bytes
    position: int


def grown(peaks: Peaks, keys: Mapping[str, Key], parcel: Parcel) -> list[Key]:
    """Check that a parcel continues a ledger: every leaf, the tree at every head, and every head's signature.

    Parameters
    ----------
    peaks, keys
        The ledger and the keys of the station before the parcel.

    Returns
    -------
    list of Key
        The keys that the parcel introduces.

    Raises
    ------
    ValueError
        What does not fit.
    """
    known, new, entries = dict(keys), [], list(parcel.entries)
    for head, peaks_there in parcel.heads:
        while entries and peaks.size < head.size:
            entry = entries.pop(0)
            peaks = peaks.added(_checked_leaf(entry, peaks.size))
            if entry.kind == "key":
                key = _key(entry)
                known[key.name] = key
                new.append(key)
        if (head.size, head.root, peaks_there) != (peaks.size, peaks.root(), peaks.raw):
            raise ValueError(f"the head of size {head.size} does not fit the entries")
        if head.key not in known or not head_holds(head, known[head.key].public):
            raise ValueError(f"the head of size {head.size} is not signed by a key of the station")
    if entries:
        raise ValueError(f"entry {entries[0].position} has no signed head")
    return new


def _checked_leaf(entry: Entry, due: int) -> bytes:
    if entry.position != due:
        raise ValueError(f"entry {due} is missing: entry {entry.position} comes next")
    if leaf_hash(entry.content) != entry.leaf:
        raise ValueError(f"entry {due} ({entry.kind} {entry.subject}) does not fit its digest")
    facts = facts_of(entry.document)
    if (entry.kind, entry.subject, entry.at_utc) != (facts.kind, facts.subject, facts.at_utc):
        raise ValueError(
            f"entry {due} says {entry.kind} {entry.subject} beside a document of {facts.kind} {facts.subject}"
        )
    return entry.leaf


def _key(entry: Entry) -> Key:
    document = entry.document
    try:
        return Key(document["key"], document["use"], bytes.fromhex(document["public"]), entry.position)
    except (KeyError, TypeError) as error:
        raise ValueError(f"entry {entry.position} is no key: {type(error).__name__}: {error}") from None
