"""Column types of our own."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import String
from sqlalchemy.types import TypeDecorator


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
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: str | None, dialect: Any) -> datetime | None:
        """Return a time in UTC."""
        del dialect
        return None if value is None else datetime.strptime(value, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
