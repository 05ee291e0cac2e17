"""All that is made of the chain, made again from its entries: to put it there, or to hold it against what is there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from itertools import zip_longest
from typing import Any

from sqlalchemy import Connection, Table, select

from dutylog.bench.store.chain import FIRST_PREV_HASH, follows
from dutylog.bench.store.check import stream, walk_entries
from dutylog.bench.store.errors import StoreCorrupt
from dutylog.bench.store.making import AT_ONCE, in_memory, put_made
from dutylog.bench.store.projections import project
from dutylog.bench.store.tables import HEAD, MADE


def rebuild(connection: Connection, place: str) -> int:
    """Do so within a transaction that is under way and return how many entries there are.

    Raises:
        StoreCorrupt: the chain is broken; nothing was changed. InputError: a photo that a finding names is missing.
    """
    # Whoever holds this row appends: nothing comes in between.
    connection.execute(select(HEAD.c.row).where(HEAD.c.id == 1).with_for_update())
    with _made_again(connection, place) as (memory, row):
        put_made(memory, connection)
    return row


def find_altered(connection: Connection, place: str) -> str | None:
    """Return the first table that isn't what the entries make, None where all are; changes nothing.

    Raises: as those of `rebuild`.
    """
    with _made_again(connection, place) as (memory, _):
        return next((table.name for table in MADE if not _is_same(table, memory, connection)), None)


@contextmanager
def _made_again(connection: Connection, place: str) -> Iterator[tuple[Connection, int]]:
    """Give all tables as the entries make them, in memory, and how many entries there are."""
    row, prev_hash = 0, FIRST_PREV_HASH
    with in_memory(connection) as memory:
        for entry in walk_entries(connection):
            if not follows(entry, row + 1, prev_hash):
                raise StoreCorrupt(f"store {place}: the chain is broken at entry {row + 1}; restore the last backup")
            project(memory, entry)
            row, prev_hash = entry.row, entry.hash
        head = connection.execute(select(HEAD.c.row, HEAD.c.hash).where(HEAD.c.id == 1)).first()
        if head is None or (int(head[0]), bytes(head[1])) != (row, prev_hash):
            raise StoreCorrupt(f"store {place}: the chain does not end as it was written; restore the last backup")
        yield memory, row


def _is_same(table: Table, one: Connection, other: Connection) -> bool:
    rows = select(table).order_by(*table.primary_key.columns)
    pairs = zip_longest(stream(one, rows, AT_ONCE), stream(other, rows, AT_ONCE))
    return all(_plain(left) == _plain(right) for left, right in pairs)


def _plain(row: Any) -> tuple[Any, ...] | None:
    """Return a row with its bytes as such: drivers differ."""
    if row is None:
        return None
    return tuple(bytes(value) if isinstance(value, memoryview) else value for value in row)
