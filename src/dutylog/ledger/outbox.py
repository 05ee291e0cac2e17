"""What waits to be published: bounded, oldest dropped first, every drop counted."""

from __future__ import annotations

from dutylog.errors import InputError
from dutylog.ledger.database import Database
from dutylog.ledger.rows import OutboxItem, Stamp

OUTBOX_LIMIT = 10_000
"""Rows kept (judgement): a day of one status line for each of four dampers every half minute."""
DROPPED_KEY = "outbox_dropped_count"
_COUNT_DROPS = (
    "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) "
    "DO UPDATE SET value = CAST(CAST(value AS INTEGER) + CAST(excluded.value AS INTEGER) AS TEXT)"
)


def put(database: Database, stamp: Stamp, kind: str, target: str, payload: bytes, limit: int = OUTBOX_LIMIT) -> int:
    """Add an item and return its id; the oldest go when there are more than `limit`."""
    if not kind or not target:
        raise InputError("an item of the outbox needs a kind and a target")
    with database.write() as connection:
        added = connection.execute(
            "INSERT INTO outbox (kind, target, payload, created_utc_ns) VALUES (?, ?, ?, ?)",
            (kind, target, payload, stamp.utc_ns),
        ).lastrowid
        dropped = connection.execute(
            "DELETE FROM outbox WHERE id <= (SELECT id FROM outbox ORDER BY id DESC LIMIT 1 OFFSET ?)", (limit,)
        ).rowcount
        if dropped:
            connection.execute(_COUNT_DROPS, (DROPPED_KEY, str(dropped)))
    return int(added or 0)


def peek(database: Database, limit: int) -> list[OutboxItem]:
    """Return the oldest items without taking them away."""
    rows = database.rows(
        "SELECT id, kind, target, payload, created_utc_ns FROM outbox ORDER BY id LIMIT ?", (max(0, limit),)
    )
    return [OutboxItem(*row) for row in rows]


def ack(database: Database, last_id: int) -> int:
    """Take away every item up to and with `last_id`; return how many there were."""
    with database.write() as connection:
        return connection.execute("DELETE FROM outbox WHERE id <= ?", (last_id,)).rowcount


def read_dropped_count(database: Database) -> int:
    """Return how many items were dropped unpublished since the ledger was made."""
    row = database.row("SELECT value FROM meta WHERE key = ?", (DROPPED_KEY,))
    return 0 if row is None else int(row[0])
