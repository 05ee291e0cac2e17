"""What counting again writes: totals, states and rows of some dampers as a new revision, in one transaction.

Rows come one by one while the log is read, so memory stays flat; until the last of it nothing is to be seen, and
a kill leaves the ledger as it was.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from dutylog import ENGINE
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.output import MinuteRow
from dutylog.ledger.chain import append_entry
from dutylog.ledger.corrections import RECOUNTED, Key, key_to_json
from dutylog.ledger.database import Database
from dutylog.ledger.installs import key_of, read_keys
from dutylog.ledger.rows import EntryDraft, Stamp
from dutylog.ledger.seal import write_seal
from dutylog.ledger.trips import write_minutes

QUERY_LIMIT_S = 30.0
UNITS_AN_ENTRY = 30
"""A damper takes 350 bytes of an entry's 16 KB."""
_SET_TOTALS = ", ".join(f"{column} = ?" for column in TOTALS_COLUMNS)
_SET_MINUTE = (
    f"UPDATE minute SET position = ?, start_ns = ?, duration_us = ?, {_SET_TOTALS}, body_mean_c = ?, "
    "ambient_mean_c = ?, speed_mean_mps = ? WHERE unit_key = ? AND epoch = ? AND minute = ?"
)


@dataclass(frozen=True, slots=True)
class StoredTrip:
    """A trip's borders: it begins with tile `start_tile` of its epoch, at start_ns, and ends with one at end_ns."""

    number: int
    epoch: int
    start_tile: int
    start_ns: int
    end_ns: int
    is_open: bool


@dataclass(frozen=True, slots=True)
class UnitChange:
    """A damper's totals before and after."""

    unit_id: str
    before: Totals
    after: Totals


@dataclass(frozen=True, slots=True)
class Counted:
    """What was counted. keys: of the corrections in it. sequences: first and last frame. cold: states at the last."""

    keys: Sequence[Key]
    sequences: tuple[int, int]
    changes: Sequence[UnitChange]
    cold: Mapping[str, DamperDuty]
    checkpoint: bytes


class Revision:
    """A transaction under way; of a dry one every writing does nothing. Made by `open_revision`."""

    def __init__(self, database: Database, connection: sqlite3.Connection | None, units: Collection[str]) -> None:
        self._database, self._connection = database, connection
        self._keys = read_keys(database)
        self._units = frozenset(units)
        self._minute_count = self._share_count = 0

    def next_trip(self, after: tuple[int, int]) -> StoredTrip | None:
        """Return the first trip that begins behind a place, an epoch and a tile."""
        row = self._database.row(
            "SELECT trip, epoch, start_tile, start_ns, end_ns, is_open FROM trip WHERE (epoch, start_tile) > (?, ?) "
            "ORDER BY epoch, start_tile LIMIT 1",
            after,
        )
        if row is None:
            return None
        number, epoch, start_tile, start_ns, end_ns, is_open = row
        return StoredTrip(number, epoch, start_tile, start_ns, end_ns, bool(is_open))

    def put_minute(self, row: MinuteRow) -> None:
        """Write a damper's minute; one of another damper is passed over. Wall time stays as it was dated."""
        if row.unit_id not in self._units:
            return
        self._minute_count += 1
        if self._connection is None:
            return
        own = (row.position, row.start_ns, row.duration_us)
        means = (row.body_mean_c, row.ambient_mean_c, row.speed_mean_mps)
        key = (key_of(self._keys, row.unit_id), row.epoch, row.minute)
        done = self._connection.execute(_SET_MINUTE, (*own, *row.totals.as_row(), *means, *key))
        if done.rowcount == 0:
            write_minutes(self._database, self._connection, self._keys, [row])

    def put_share(self, trip: int, unit_id: str, position: str, totals: Totals) -> None:
        """Write a damper's share of a trip it has a share in."""
        if unit_id not in self._units:
            return
        sql = f"UPDATE trip_damper SET {_SET_TOTALS} WHERE trip = ? AND unit_key = ? AND position = ?"
        key = (trip, key_of(self._keys, unit_id), position)
        if self._connection is not None:
            self._share_count += self._connection.execute(sql, (*totals.as_row(), *key)).rowcount
        elif self._database.row("SELECT 1 FROM trip_damper WHERE trip = ? AND unit_key = ? AND position = ?", key):
            self._share_count += 1

    def find_left_over(self) -> str | None:
        """Return which rows the log didn't give again, in words, or None."""
        shares = self._count("trip_damper") - self._share_count
        # Rows that weren't there and were written now make the left side larger, never smaller.
        minutes = self._count("minute") - self._minute_count
        if shares:
            return f"{abs(shares)} shares of trips"
        return f"{minutes} minutes" if minutes > 0 else None

    def finish(self, counted: Counted, stamp: Stamp) -> None:
        """Write totals as a new revision, states, checkpoint, cursor and the entry that tells of it."""
        if self._connection is None:
            return
        last = counted.sequences[1]
        for change in counted.changes:
            sql = f"UPDATE hot SET revision = revision + 1, sequence = ?, {_SET_TOTALS} WHERE unit_key = ?"
            key = key_of(self._keys, change.unit_id)
            self._connection.execute(sql, (last, *change.after.as_row(), key))
        for unit_id, duty in counted.cold.items():
            self._put_cold(unit_id, last, duty)
        self._connection.execute(
            "INSERT INTO checkpoint VALUES (1, ?) ON CONFLICT (one) DO UPDATE SET state = excluded.state",
            (counted.checkpoint,),
        )
        self._connection.execute(
            "UPDATE cursor SET cold_sequence = ?, engine = ?, boot_id = ?, updated_utc_ns = ?",
            (last, ENGINE, stamp.boot_id, stamp.utc_ns),
        )
        for data in self._entries_data(counted):
            append_entry(self._database, self._connection, stamp, EntryDraft(RECOUNTED, None, data), last)

    def _put_cold(self, unit_id: str, sequence: int, duty: DamperDuty) -> None:
        if self._connection is not None:
            self._connection.execute(
                "INSERT INTO cold (unit_key, revision, sequence, state) "
                "SELECT unit_key, revision, ?, ? FROM hot WHERE unit_key = ? "
                "ON CONFLICT (unit_key) DO UPDATE SET "
                "revision = excluded.revision, sequence = excluded.sequence, state = excluded.state",
                (sequence, _pack(duty), key_of(self._keys, unit_id)),
            )

    def _entries_data(self, counted: Counted) -> Iterator[dict[str, object]]:
        """Yield the data of one entry, or of several where there are many dampers."""
        for start in range(0, max(1, len(counted.changes)), UNITS_AN_ENTRY):
            yield {
                "corrections": [key_to_json(key) for key in counted.keys],
                "sequences": list(counted.sequences),
                "engine": ENGINE,
                "units": {
                    change.unit_id: {
                        "revision": self._revision(change.unit_id),
                        "before": change.before.as_row(),
                        "after": change.after.as_row(),
                    }
                    for change in counted.changes[start : start + UNITS_AN_ENTRY]
                },
            }

    def _revision(self, unit_id: str) -> int:
        row = self._database.row("SELECT revision FROM hot WHERE unit_key = ?", (key_of(self._keys, unit_id),))
        return 0 if row is None else int(row[0])

    def _count(self, table: str) -> int:
        sql = f"SELECT count(*) FROM {table} WHERE unit_key = ?"
        found = (self._database.row(sql, (key_of(self._keys, unit_id),)) for unit_id in self._units)
        return sum(0 if row is None else int(row[0]) for row in found)


@contextmanager
def open_revision(path: Path, units: Collection[str], *, is_dry: bool) -> Iterator[Revision]:
    """Give a transaction on a ledger that is durable when the body has ended, or didn't happen.

    Args:
        path: the ledger, which the caller has locked. units: whose rows may be written.
        is_dry: look only.
    """
    with Database.open(path, read_only=is_dry, query_limit_s=QUERY_LIMIT_S) as database:
        if is_dry:
            yield Revision(database, None, units)
            return
        database.before_commit = write_seal
        with database.write() as connection:
            yield Revision(database, connection, units)


def _pack(duty: DamperDuty) -> bytes:
    """Return a state as the daemon stores it (daemon/bookkeeper.py)."""
    return zlib.compress(json.dumps(duty.to_dict(), allow_nan=False, separators=(",", ":")).encode(), 6)
