"""Files that can be approved: found, checked by the rules of their kind, and named by kind, name, revision and digest."""

from collections.abc import Callable, Mapping
from pathlib import Path

from db.approvals import ConfigFile
from drivers.bench_file import parse_bench
from safety.interlock_reader import table_of
from safety.interlocks import SHIPPED as SHIPPED_TABLE
from safety.strict_yaml import Document, read_file
from station.adapter_file import Adapter
from station.exit_codes import BadInput
from station.find_files import FileKind, find_file
from station.motor_type import MotorType
from station.sequence_model import Sequence
from station.wording import listed

INTERLOCK_TABLE = "interlock table"
INTERLOCKS = "interlocks"


def config_file(named: str) -> ConfigFile:
    """Find a file by path or shipped name and check it alone.

    Raises
    ------
    BadInput
        There is none, the name fits several, or the file is of no kind that can be approved.
    YamlError
        It breaks the rules of its kind.
    """
    if named == INTERLOCKS:
        return interlock_table()
    document = read_file(_path(named))
    data = document.data if isinstance(document.data, dict) else {}
    read = next((reader for key, reader in _READERS.items() if key in data), None)
    if read is None:
        raise BadInput(f"{document.name} is no file that can be approved; allowed: a YAML file with {listed(_READERS)}")
    return read(document)


def interlock_table() -> ConfigFile:
    """Return the one interlock table that every run watches."""
    return _table(read_file(SHIPPED_TABLE))


def _path(named: str) -> Path:
    if Path(named).is_file():
        return Path(named)
    found = {}
    for kind in FileKind:
        try:
            found[kind.word] = find_file(kind, named)
        except BadInput:
            continue
    if len(found) != 1:
        fits = f"fits the {' and the '.join(found)} of that name" if found else "is no file and no shipped name"
        raise BadInput(
            f"{named} {fits}; allowed: the path of a sequence, motor type, adapter or bench, a shipped name that fits one "
            f"file, or {INTERLOCKS}"
        )
    return next(iter(found.values()))


def _sequence(document: Document) -> ConfigFile:
    sequence = Sequence.of(document)
    return ConfigFile(FileKind.SEQUENCE.word, sequence.name, sequence.revision, sequence.digest)


def _motor_type(document: Document) -> ConfigFile:
    motor_type = MotorType.of(document)
    return ConfigFile(FileKind.MOTOR_TYPE.word, motor_type.name, motor_type.revision, motor_type.digest)


def _adapter(document: Document) -> ConfigFile:
    adapter = Adapter.of(document)
    return ConfigFile(FileKind.ADAPTER.word, adapter.name, adapter.revision, adapter.digest)


def _bench(document: Document) -> ConfigFile:
    bench = parse_bench(document)
    return ConfigFile(FileKind.BENCH.word, bench.name, None, bench.digest)


def _table(document: Document) -> ConfigFile:
    table_of(document)
    return ConfigFile(INTERLOCK_TABLE, INTERLOCKS, None, document.digest)


_READERS: Mapping[str, Callable[[Document], ConfigFile]] = {
    "sequence": _sequence, "motor_type": _motor_type, "adapter": _adapter, "bench": _bench, "rows": _table,
}  # fmt: skip
