"""`polemark audit head` and `polemark audit check`: heads and proofs as files, made from the store and checked without it."""

import json
from pathlib import Path
from typing import Any

import click

from db.audit_reading import growth, signed_head
from db.canonical import canonical_bytes
from db.proofs import CONSISTENCY_FORMAT, INCLUSION_FORMAT, ConsistencyProof, InclusionProof, KeptHead, SignedHead
from db.store import StoreError
from station.audit_store import as_json, kept_head, store_to_read, text_of_file
from station.audit_verify import head_lines
from station.exit_codes import BadInput, ExitCode

_PROOFS = "a file that `audit head` or `audit export` made"


def head_command(data: Path | None, out: Path | None, grown_from: str | None, *, json_wanted: bool) -> int:
    """Print the latest signed head, or write it, or the proof that it grew from an earlier one, to a file."""
    first = None if grown_from is None else kept_head(grown_from)
    with store_to_read(data) as store:
        signed = signed_head(store)
        if signed is None:
            raise StoreError(f"{store.where}: nothing was stored yet, so there is no head")
        document = signed.document() if first is None else growth(store, first, signed).document()
    if out is not None:
        _write(out, as_json(document) + "\n")
    if json_wanted:
        click.echo(as_json(document))
        return ExitCode.DONE
    for line in head_lines(signed):
        click.echo(line)
    if first is not None:
        click.echo(f"It grew from the kept head of {first.size} entries.")
    if out is not None:
        click.echo(f"Written to {out}")
    return ExitCode.DONE


def check_command(proof: Path, content: Path | None, head: str | None) -> int:
    """Check a proof without the store.

    A proof is held against a head that was kept, if one is given: else it shows no more than what its own key signed.
    """
    try:
        document = json.loads(text_of_file(proof, _PROOFS))
    except ValueError as error:
        raise BadInput(f"{proof} is no JSON: {error}; allowed: {_PROOFS}") from None
    kept = None if head is None else kept_head(head)
    try:
        said = _checked(document, content, kept)
    except ValueError as error:
        raise BadInput(f"{proof}: {error}") from None
    for line in said:
        click.echo(line)
    return ExitCode.DONE


def _checked(document: Any, content: Path | None, kept: KeptHead | None) -> list[str]:
    of_format = document.get("format") if isinstance(document, dict) else None
    if of_format == INCLUSION_FORMAT:
        inclusion = InclusionProof.of_document(document)
        if content is None:
            raise BadInput("a proof of inclusion is checked for an entry; give its file, such as record.json")
        if not inclusion.holds(_canonical(content)):
            raise StoreError(
                f"the proof does not hold for {content}: the entry, the proof or the signature was changed"
            )
        said, signed = [f"{content} is entry {inclusion.position} of the ledger."], inclusion.signed
    elif of_format == CONSISTENCY_FORMAT:
        growing = ConsistencyProof.of_document(document)
        if not growing.holds():
            raise StoreError("the proof does not hold: a head, the proof or the signature was changed")
        said, signed = (
            [f"The ledger grew from the head {growing.first_size}:{growing.first_root.hex()}."],
            growing.signed,
        )
    else:
        said, signed = [], SignedHead.of_document(document)
        if not signed.holds():
            raise StoreError("the signature does not hold: the head or the signature was changed")
    if kept is not None and (kept.size, kept.root) != (signed.head.size, signed.head.root):
        raise StoreError(
            f"the proof ends at the head {signed.text()}, which is not the kept head of {kept.size} entries"
        )
    return [
        *said,
        *head_lines(signed),
        "The signature holds." if kept is None else "The signature holds, and it is the kept head.",
    ]


def _canonical(path: Path) -> bytes:
    """Return the entry of a file in its canonical form, in which a blank at its end or an editor's layout is no matter."""
    try:
        return canonical_bytes(json.loads(path.read_bytes()))
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror}; allowed: the file of an entry") from None
    except ValueError:
        raise BadInput(f"{path} is no JSON; allowed: the file of an entry") from None


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None
