"""Trips, 60-second rows and the clocks of each epoch."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.database import Database
from dutylog.ledger.installs import key_of
from dutylog.ledger.rows import Epoch, Minute, Trip

_EPOCH_COLUMNS = ("source_kind", "source_text", "boot_id", "mono_ns", "utc_ns", "utc_trusted")
_TRIP_COLUMNS = "trip, name, epoch, start_tile, start_ns, end_ns, is_open, moving_us, distance_m"
_MINUTE_OWN = ("position", "start_ns", "duration_us", "utc_ns")
_MINUTE_MEANS = ("body_mean_c", "ambient_mean_c", "speed_mean_mps")
_MINUTE_COLUMNS = (*_MINUTE_OWN, *TOTALS_COLUMNS, *_MINUTE_MEANS)


def _upsert(table: str, key: Sequence[str], columns: Sequence[str]) -> str:
    """Return SQL that writes a row, or overwrites the one of the same key."""
    names = (*key, *columns)
    return (
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))}) "
        f"ON CONFLICT ({', '.join(key)}) DO UPDATE SET {', '.join(f'{c} = excluded.{c}' for c in columns)}"
    )


_PUT_EPOCH = _upsert("epoch", ("epoch",), _EPOCH_COLUMNS)
_PUT_MINUTE = _upsert("minute", ("unit_key", "epoch", "minute"), _MINUTE_COLUMNS)
_PUT_TRIP = _upsert("trip", ("epoch", "start_tile"), ("start_ns", "end_ns", "is_open", "moving_us", "distance_m"))
_PUT_TRIP_DAMPER = _upsert("trip_damper", ("trip", "unit_key", "position"), TOTALS_COLUMNS)


def write_epoch(database: Database, epoch: Epoch) -> None:
    """Write or refine the clocks of an epoch. See Ledger.put_epoch."""
    values = (epoch.source_kind, epoch.source_text, epoch.boot_id, epoch.mono_ns, epoch.utc_ns, int(epoch.utc_trusted))
    with database.write() as connection:
        connection.execute(_PUT_EPOCH, (epoch.epoch, *values))


def read_epoch(database: Database, epoch: int) -> Epoch | None:
    """Return the clocks of an epoch."""
    row = database.row(f"SELECT epoch, {', '.join(_EPOCH_COLUMNS)} FROM epoch WHERE epoch = ?", (epoch,))
    if row is None:
        return None
    number, kind, text, boot_id, mono_ns, utc_ns, utc_trusted = row
    return Epoch(number, kind, text, boot_id, mono_ns, utc_ns, bool(utc_trusted))


def write_minutes(
    database: Database, connection: sqlite3.Connection, keys: Mapping[str, int], rows: Sequence[MinuteRow]
) -> None:
    """Write 60-second rows inside a transaction; the same key again overwrites, it never doubles."""
    clocks = {number: read_epoch(database, number) for number in {row.epoch for row in rows}}
    for row in rows:
        clock = clocks[row.epoch]
        # Only a trusted time is latched; otherwise it is derived when read, by then perhaps trusted.
        utc_ns = clock.utc_at_ns(row.start_ns) if clock is not None and clock.utc_trusted else None
        key = (key_of(keys, row.unit_id), row.epoch, row.minute)
        own = (row.position, row.start_ns, row.duration_us, utc_ns)
        means = (row.body_mean_c, row.ambient_mean_c, row.speed_mean_mps)
        connection.execute(_PUT_MINUTE, (*key, *own, *row.totals.as_row(), *means))


def write_trips(connection: sqlite3.Connection, keys: Mapping[str, int], rows: Sequence[TripRow]) -> None:
    """Write trips inside a transaction; one of the same epoch and start keeps its number and name."""
    for row in rows:
        values = (row.start_ns, row.end_ns, int(row.is_open), row.moving_us, row.distance_m)
        found = connection.execute(_PUT_TRIP + " RETURNING trip", (row.epoch, row.start_tile, *values)).fetchall()
        for damper in row.dampers:
            key = (found[0][0], key_of(keys, damper.unit_id), damper.position)
            connection.execute(_PUT_TRIP_DAMPER, (*key, *damper.totals.as_row()))


def read_trips(database: Database, limit: int, before: int | None) -> list[Trip]:
    """Return trips, newest first, those numbered below `before` when given."""
    if limit < 1:
        raise InputError(f"limit {limit}: at least 1 trip must be asked for")
    with database.snapshot():
        rows = database.rows(
            f"SELECT {_TRIP_COLUMNS} FROM trip WHERE trip < ? ORDER BY trip DESC LIMIT ?",
            (2**62 if before is None else before, limit),
        )
        return [_read_trip(database, row) for row in rows]


def read_trip(database: Database, number: int) -> Trip:
    """Return one trip; LedgerError naming what there is when there is none of that number."""
    with database.snapshot():
        row = database.row(f"SELECT {_TRIP_COLUMNS} FROM trip WHERE trip = ?", (number,))
        if row is None:
            raise _unknown_trip(database, number)
        return _read_trip(database, row)


def read_trips_between(database: Database, first: tuple[int, int], end: tuple[int, int]) -> list[int]:
    """Return the numbers of ended trips with any part between two places. See Ledger.trips_between."""
    rows = database.rows(
        "SELECT trip FROM trip WHERE is_open = 0 AND (epoch, end_ns) > (?, ?) AND (epoch, start_ns) < (?, ?) "
        "ORDER BY trip",
        (*first, *end),
    )
    return [int(row[0]) for row in rows]


def read_minutes(database: Database, unit_id: str, epoch: int, first_ns: int, last_ns: int) -> list[Minute]:
    """Return a damper's 60-second rows that overlap a span of an epoch's monotonic time, oldest first."""
    with database.snapshot():
        clock = read_epoch(database, epoch)
        rows = database.rows(
            f"SELECT minute, {', '.join(_MINUTE_COLUMNS)} FROM minute JOIN unit USING (unit_key) "
            "WHERE unit_id = ? AND epoch = ? AND start_ns < ? AND start_ns + duration_us * 1000 > ? ORDER BY minute",
            (unit_id, epoch, last_ns, first_ns),
        )
    return [_read_minute(unit_id, epoch, clock, row) for row in rows]


def _read_minute(unit_id: str, epoch: int, clock: Epoch | None, row: tuple[Any, ...]) -> Minute:
    minute, position, start_ns, duration_us, utc_ns = row[:5]
    totals = Totals(*row[5 : 5 + len(TOTALS_COLUMNS)])
    body_c, ambient_c, speed_mps = row[5 + len(TOTALS_COLUMNS) :]
    if utc_ns is None and clock is not None:
        utc_ns = clock.utc_at_ns(start_ns)
    stored = MinuteRow(unit_id, position, epoch, minute, start_ns, duration_us, totals, body_c, ambient_c, speed_mps)
    return Minute(stored, utc_ns)


def _read_trip(database: Database, row: tuple[Any, ...]) -> Trip:
    number, name, epoch, start_tile, start_ns, end_ns, is_open, moving_us, distance_m = row
    dampers = database.rows(
        f"SELECT unit_id, position, {', '.join(TOTALS_COLUMNS)} FROM trip_damper JOIN unit USING (unit_key) "
        "WHERE trip = ? ORDER BY trip_damper_key",
        (number,),
    )
    shares = tuple(TripDamper(d[0], d[1], Totals(*d[2:])) for d in dampers)
    trip = TripRow(epoch, start_tile, start_ns, end_ns, bool(is_open), moving_us, distance_m, shares)
    clock = read_epoch(database, epoch)
    if clock is None:
        return Trip(number, name, trip, None, None, False)
    return Trip(number, name, trip, clock.utc_at_ns(start_ns), clock.utc_at_ns(end_ns), clock.utc_trusted)


def _unknown_trip(database: Database, number: int) -> LedgerError:
    span = database.row("SELECT min(trip), max(trip) FROM trip")
    if span is None or span[0] is None:
        return LedgerError(f"no trip {number} in ledger {database.path}; there are no trips yet")
    return LedgerError(f"no trip {number} in ledger {database.path}; there are trips {span[0]} to {span[1]}")
