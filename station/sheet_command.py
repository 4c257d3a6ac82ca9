"""Writing the sheet of a stored record."""

from pathlib import Path

from db.store import Store
from station.data_folder import DataFolder
from station.sheet import TEMPLATE_VERSIONS, render_sheet


def sheet_html(store: Store, number: str) -> str:
    """Render a record as it stands in the store now, with the ledger's head printed.

    Raises
    ------
    StoreError
        There is no such record, or it is damaged.
    """
    head = store.head()
    size = None if head is None else head.size
    record = store.record(number, size)
    before = record.document.get("as_found_record")
    as_found = None if before is None else store.record(str(before), size).document
    later = (*record.amendments, *record.signatures, *record.decisions)
    issued = max([str(record.document["ended_utc"]), *(str(entry["at_utc"]) for entry in later)])
    return render_sheet(
        record.document,
        record.digest,
        template_version=TEMPLATE_VERSIONS[-1],
        issued_utc=issued,
        ledger_size=size,
        as_found=as_found,
        amendments=record.amendments,
        signatures=record.signatures,
        decisions=record.decisions,
        ledger_root=None if head is None else head.root.hex(),
    )


def write_sheet(store: Store, folder: DataFolder, number: str) -> Path:
    """Write the sheet into the data folder and return its path."""
    return folder.write_sheet(number, sheet_html(store, number))
