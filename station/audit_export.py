"""`polemark audit export`: records with all that belongs to them and the proof of it, in a ZIP file anybody can check."""

import base64
import hashlib
import json
import os
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import click

from db.audit_reading import tree_of
from db.proofs import SignedHead
from db.run_start import SERIES
from db.signing import KeyUse
from db.store import Store
from station.audit_show import Proved, proved
from station.audit_store import counted, moment, store_to_read
from station.audit_verify import head_lines
from station.audit_waveform_files import waveform_files
from station.exit_codes import BadInput, ExitCode
from station.sheet_command import sheet_html

TEMPLATES = Path(__file__).with_name("templates")
# RFC 8410 section 4: what stands before the 32 bytes of an Ed25519 public key.
_ED25519 = bytes.fromhex("302a300506032b6570032100")
_USES = {KeyUse.PRODUCTION: "production", KeyUse.PRACTICE: "practice"}
# The earliest time that the ZIP format can say; the same export has the same bytes whenever it is made.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class ExportWanted:
    """What is asked for."""

    numbers: tuple[str, ...]
    since: str | None
    until: str | None
    simulated: bool
    out: Path
    waveforms: str


def export_command(data: Path | None, wanted: ExportWanted) -> int:
    """Write the export and say what is in it."""
    ranged = wanted.since is not None or wanted.until is not None
    if ranged == bool(wanted.numbers):
        raise BadInput("name the records to export, or give --from and --to; allowed: one of the two")
    if wanted.out.exists():
        raise BadInput(f"{wanted.out} is there already; allowed: a file that does not exist")
    with store_to_read(data) as store:
        numbers = _in_range(store, wanted) if ranged else list(dict.fromkeys(wanted.numbers))
        if not numbers:
            more = "" if wanted.simulated else " (simulated and training records only with --simulated)"
            raise BadInput(f"no record was started in that time{more}; `polemark records` lists those there are")
        tree = tree_of(store)
        found = [proved(store, number, tree) for number in numbers]
        size = _write(wanted.out, _files(store, found, wanted.waveforms))
    click.echo(f"{wanted.out}: {counted(len(found), 'record')}, {size} bytes")
    for head in _heads(found).values():
        for line in head_lines(head):
            click.echo(line)
    click.echo("To check it without polemark: unpack it, read README.txt, python3 check.py")
    return ExitCode.DONE


def _in_range(store: Store, wanted: ExportWanted) -> list[str]:
    since, until = moment(wanted.since, "--from"), moment(wanted.until, "--to", whole_day=True)
    kinds = None if wanted.simulated else [kind for kind in SERIES if KeyUse.for_kind(kind) is KeyUse.PRODUCTION]
    return [summary.number for summary in store.find(since=since, until=until, kinds=kinds)]


def _heads(found: Sequence[Proved]) -> dict[str, SignedHead]:
    """Return the heads of an export by the short name of their key's use."""
    return {_USES[KeyUse(one.head.use)]: one.head for one in found}


def _files(store: Store, found: Sequence[Proved], form: str) -> Iterator[tuple[str, bytes]]:
    sums: list[tuple[str, str]] = []

    def listed(name: str, content: bytes) -> tuple[str, bytes]:
        sums.append((name, hashlib.sha256(content).hexdigest()))
        return name, content

    yield listed("README.txt", (TEMPLATES / "export-readme.txt").read_bytes())
    yield listed("check.py", (TEMPLATES / "export-check.py.txt").read_bytes())
    for use, signed in sorted(_heads(found).items()):
        yield listed(f"head-{use}.json", signed.head.message())
        yield listed(f"head-{use}.sig", signed.head.signature)
        yield listed(f"head-{use}.pem", _pem(signed.public))
    for one in found:
        for name, content in _record_files(store, one, form):
            yield listed(f"{one.record.subject}/{name}", content)
    yield "SHA256SUMS", "".join(f"{digest}  {name}\n" for name, digest in sorted(sums)).encode()


def _record_files(store: Store, one: Proved, form: str) -> Iterator[tuple[str, bytes]]:
    number = one.record.subject
    yield "sheet.html", sheet_html(store, number).encode()
    for entry, proof in zip(one.entries, one.proofs, strict=True):
        name = "record" if entry is one.record else f"{entry.position:06}-{entry.kind}"
        yield f"{name}.json", entry.content
        yield f"{name}.proof.json", (json.dumps(proof.document(), indent=1) + "\n").encode()
    for name, content in waveform_files(store.waveforms(number), form):
        yield f"waveforms/{name}", content
    for named in one.document.get("attachments", ()):
        content = store.attachment(named["digest"])
        yield f"attachments/{named['digest'].removeprefix('sha256:')}", content


def _pem(public: bytes) -> bytes:
    text = base64.b64encode(_ED25519 + public).decode()
    return f"-----BEGIN PUBLIC KEY-----\n{text}\n-----END PUBLIC KEY-----\n".encode()


def _write(out: Path, files: Iterator[tuple[str, bytes]]) -> int:
    """Write a ZIP file whose bytes follow from its content alone; it is there whole or not at all."""
    part: str | None = None
    try:
        descriptor, part = tempfile.mkstemp(dir=out.parent, prefix=out.stem)
        with os.fdopen(descriptor, "wb") as file, zipfile.ZipFile(file, "w") as archive:
            for name, content in files:
                info = zipfile.ZipInfo(name, _ZIP_TIME)
                info.compress_type, info.create_system = zipfile.ZIP_DEFLATED, 3
                info.external_attr = 0o644 << 16
                archive.writestr(info, content)
        Path(part).chmod(0o644)
        Path(part).replace(out)
        return out.stat().st_size
    except OSError as error:
        raise BadInput(f"{out} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None
    finally:
        if part is not None:
            with suppress(OSError):
                Path(part).unlink()
