"""Whether what a run uses is approved as it is."""

from collections.abc import Sequence

from db.approvals import Approval, ConfigFile
from station.approval_files import INTERLOCK_TABLE, interlock_table
from station.find_files import FileKind
from station.run_preparation import Prepared


def files_of(prepared: Prepared) -> list[ConfigFile]:
    """List the files of a run that need an approval.

    The file of a simulated bench is written anew by each start, so no approval could hold for it.
    """
    sequence, motor_type, adapter, bench = prepared.sequence, prepared.motor_type, prepared.adapter, prepared.bench
    files = [
        ConfigFile(FileKind.SEQUENCE.word, sequence.name, sequence.revision, sequence.digest),
        ConfigFile(FileKind.MOTOR_TYPE.word, motor_type.name, motor_type.revision, motor_type.digest),
        ConfigFile(FileKind.ADAPTER.word, adapter.name, adapter.revision, adapter.digest),
        interlock_table(),
    ]
    return files if bench.simulated else [*files, ConfigFile(FileKind.BENCH.word, bench.name, None, bench.digest)]


def unapproved(files: Sequence[ConfigFile], approvals: Sequence[Approval]) -> list[str]:
    """Say of every file that is not approved as it is why not, in one sentence each."""
    in_use = {(a.file.kind, a.file.name): a.file for a in approvals}
    found = []
    for file in files:
        approved = in_use.get((file.kind, file.name))
        named = file.kind if file.kind == INTERLOCK_TABLE else f"{file.kind} {file.name}"
        if approved is None:
            found.append(f"The {named} is not approved.")
        elif approved.digest != file.digest:
            of = f" of revision {approved.revision}" if approved.revision else ""
            found.append(f"The {named} is not the one{of} that was approved: it was changed.")
    return found
