"""One row written whatever stood there before, in both databases alike."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table, bindparam, select
from sqlalchemy.dialects import postgresql, sqlite

from dutylog.errors import InputError, one_line


def put(connection: Connection, table: Table, values: Mapping[str, Any]) -> None:
    """Insert a row, or change the one of the same key."""
    connection.execute(_upsert(table, connection.dialect.name, tuple(values)), dict(values))


def check_known(connection: Connection, table: Table, key: object, what: str) -> None:
    """Refuse an entry that names what isn't there (a customer, a vehicle, a part)."""
    if connection.execute(_lookup(table), {"key": key}).first() is None:
        raise InputError(f"{what} {one_line(key, 80)} is not known at this bench")


@cache
def _upsert(table: Table, dialect: str, names: tuple[str, ...]) -> Any:
    """Return the statement; made once, because that takes longer than to run it."""
    insert: Any = sqlite.insert if dialect == "sqlite" else postgresql.insert
    keys = [column.name for column in table.primary_key]
    statement = insert(table)
    changed = {name: statement.excluded[name] for name in names if name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=changed)


@cache
def _lookup(table: Table) -> Any:
    column = next(iter(table.primary_key))
    return select(column).where(column == bindparam("key"))
