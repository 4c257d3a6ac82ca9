"""Column types of our own, and the one way a time is written in a document."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import LargeBinary, String
from sqlalchemy.types import TypeDecorator

from db.store_errors import DamagedValueError

_TIME = "%Y-%m-%dT%H:%M:%S.%fZ"


class UtcTime(TypeDecorator[datetime]):
    """A UTC time kept as ISO 8601 text with microseconds, so that it reads and sorts alike on every database."""

    impl = String(32)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> str | None:
        """Refuse a time without a zone; write the rest as UTC."""
        del dialect
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a zone cannot be stored")
        return value.astimezone(UTC).strftime(_TIME)

    def process_result_value(self, value: str | None, dialect: Any) -> datetime | None:
        """Return a time in UTC."""
        del dialect
        if value is None:
            return None
        try:
            moment = datetime.strptime(value, _TIME).replace(tzinfo=UTC)
        except (ValueError, TypeError):
            raise DamagedValueError(f"{value!r} is no time") from None
        # Python reads more than it writes: a small t, digits of other scripts.
        if moment.strftime(_TIME) != value:
            raise DamagedValueError(f"{value!r} is no time as it is written here")
        return moment


class Blob(TypeDecorator[bytes]):
    """Bytes, and nothing else."""

    impl = LargeBinary
    cache_ok = True

    def process_result_value(self, value: Any, dialect: Any) -> bytes:
        """Return bytes as they are.

        SQLite keeps a value of any type in any column, and no column of bytes here may be empty. What is no blob was put
        there by another hand; it is read as nothing, which fits no digest, so that the check that follows says what is
        wrong.
        """
        del dialect
        return value if isinstance(value, bytes) else b""


def time_text(moment: datetime) -> str:
    """Write a time for a document: ISO 8601, UTC, milliseconds, `Z`.

    Raises
    ------
    ValueError
        The time has no zone.
    """
    if moment.tzinfo is None:
        raise ValueError("a time without a zone cannot be stored")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def time_of(text: str) -> datetime:
    """Read a document's time.

    Raises
    ------
    ValueError
        It is no ISO 8601 time in UTC.
    """
    moment = datetime.fromisoformat(text)
    if moment.utcoffset() is None or moment.utcoffset() != UTC.utcoffset(None):
        raise ValueError(f"{text!r} is no UTC time")
    return moment.astimezone(UTC)
