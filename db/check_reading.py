"""Reading rows for a check: a few at a time, by name, and typed, so that nothing stands for another thing."""

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, RowMapping, Select

from db.store_errors import DamagedValueError
from db.tables import Base


def all_rows(connection: Connection, query: Select[*tuple[Any, ...]]) -> Iterator[RowMapping]:
    """Read the rows of a whole table by name.

    Raises
    ------
    DamagedValueError
        A column that must hold something is empty.
    """
    model: type[Base] = query.column_descriptions[0]["entity"]
    table = model.metadata.tables[model.__tablename__]
    filled = [column.name for column in table.columns if not column.nullable]
    rows = connection.execution_options(yield_per=50).execute(query.with_only_columns(*table.columns)).mappings()
    for row in rows:
        if any(row[name] is None for name in filled):
            raise DamagedValueError(f"a row of {table.name} lacks what it must hold")
        yield row


def same(row: RowMapping, due: Mapping[str, Any]) -> bool:
    """Tell whether a row says what is due, in the same types: 1 is neither 1.0 nor "1"."""
    return {name: _typed(value) for name, value in row.items()} == {name: _typed(value) for name, value in due.items()}


def _typed(value: Any) -> str:
    # Databases differ in whether they keep the sign of nothing; adding zero loses it.
    return repr(value + 0.0 if isinstance(value, float) else value)
