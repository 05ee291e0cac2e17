"""Alerts in the ledger: written with a commit, read by trip, by number, by id, and acknowledged by people."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from typing import Any

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.chain import append_entry
from dutylog.ledger.database import Database
from dutylog.ledger.names import NAME_LIMIT, check_text
from dutylog.ledger.rows import Acknowledged, AlertRow, EntryDraft, Stamp, StoredAlert

KEPT_COUNT = 5000
"""Newest alerts kept; older ones go once they are over. Years of hard use, about a megabyte (judgement)."""
ACKNOWLEDGED = "alert_acknowledged"
"""Kind of the entry that tells who has seen an alert."""
_ID = re.compile(r"[0-9a-f-]{4,36}")
_COLUMNS = (
    "alert, id, kind, position, subject, level, text, remedy, raised_epoch, raised_ns, trip_epoch, trip_start_tile, "
    "cleared_epoch, cleared_ns, acknowledged_by, acknowledged_utc_ns, acknowledged_utc_trusted, acknowledged_mono_ns, "
    "acknowledged_boot_id"
)
_EPOCHS = ", ".join(
    f"{e}.mono_ns, {e}.utc_ns, {e}.utc_trusted, {e}.boot_id, {e}.source_kind" for e in ("began", "over")
)
_SELECT = (
    f"SELECT {_COLUMNS}, {_EPOCHS} FROM alert LEFT JOIN epoch AS began ON began.epoch = raised_epoch "
    "LEFT JOIN epoch AS over ON over.epoch = cleared_epoch"
)
_PUT = (
    "INSERT INTO alert (id, kind, position, subject, level, text, remedy, raised_epoch, raised_ns, trip_epoch, "
    f"trip_start_tile, cleared_epoch, cleared_ns) VALUES ({', '.join('?' * 13)}) ON CONFLICT (id) DO UPDATE SET "
    "cleared_epoch = coalesce(excluded.cleared_epoch, cleared_epoch), "
    "cleared_ns = coalesce(excluded.cleared_ns, cleared_ns)"
)
_ACKNOWLEDGE = (
    "UPDATE alert SET acknowledged_by = ?, acknowledged_utc_ns = ?, acknowledged_utc_trusted = ?, "
    "acknowledged_mono_ns = ?, acknowledged_boot_id = ? WHERE id = ? AND acknowledged_by IS NULL"
)
_PRUNE = "DELETE FROM alert WHERE alert <= (SELECT max(alert) FROM alert) - ? AND cleared_epoch IS NOT NULL"


def write_alerts(database: Database, connection: sqlite3.Connection, rows: Sequence[AlertRow]) -> None:
    """Write alerts inside a transaction; one of the same id is cleared or acknowledged by it, never doubled."""
    for row in rows:
        own = (row.alert_id, row.kind, row.position, row.subject, row.level, row.text, row.remedy)
        connection.execute(_PUT, (*own, *row.raised, *(row.trip or (None, None)), *(row.cleared or (None, None))))
        if row.acknowledged is not None:
            _write_acknowledged(database, connection, row, row.acknowledged)
    if rows:
        connection.execute(_PRUNE, (KEPT_COUNT,))


def acknowledge_alert(database: Database, stamp: Stamp, text: str, by: str) -> StoredAlert:
    """Note who has seen an alert, with an entry. See Ledger.acknowledge_alert."""
    check_text(by, "by: the name of who has seen it", NAME_LIMIT)
    with database.write() as connection:
        found = find_alert(database, text)
        _write_acknowledged(database, connection, found.row, Acknowledged(by, stamp))
    return find_alert(database, found.row.alert_id)


def find_alert(database: Database, text: str) -> StoredAlert:
    """Return the alert of an id, or of the first characters of one, at least four.

    Raises:
        LedgerError: there is none, or more than one.
    """
    rows: list[tuple[Any, ...]] = []
    if is_id(text):
        # g comes after every sign of an id.
        rows = database.rows(f"{_SELECT} WHERE id >= ? AND id < ? ORDER BY id LIMIT 2", (text, text + "g"))
    if len(rows) == 1:
        return _read(database, rows[0])
    how = "more than one begins so; give more of its id" if rows else "see `dutylog alert list`"
    raise LedgerError(f"no alert {text!r:.44} in ledger {database.path}; {how}")


def is_id(text: str) -> bool:
    """Return whether a text can be an alert's id, or the begin of one."""
    return _ID.fullmatch(text) is not None


def read_open(database: Database) -> list[StoredAlert]:
    """Return what isn't cleared, the oldest first."""
    return _read_all(database, "WHERE cleared_epoch IS NULL ORDER BY alert", ())


def read_newest(database: Database, limit: int, before: int | None) -> list[StoredAlert]:
    """Return alerts, the newest first, those numbered below `before` when given."""
    if limit < 1:
        raise InputError(f"limit {limit}: at least 1 alert must be asked for")
    values = (2**62 if before is None else before, limit)
    return _read_all(database, "WHERE alert < ? ORDER BY alert DESC LIMIT ?", values)


def read_after(database: Database, number: int, limit: int) -> list[StoredAlert]:
    """Return the alerts numbered above `number`, the oldest first."""
    return _read_all(database, "WHERE alert > ? ORDER BY alert LIMIT ?", (number, limit))


def read_ids(database: Database, ids: Sequence[str]) -> list[StoredAlert]:
    """Return the alerts of these ids that are there."""
    return _read_all(database, f"WHERE id IN ({', '.join('?' * len(ids))}) ORDER BY alert", ids)


def read_of_trip(database: Database, epoch: int, start_tile: int) -> list[StoredAlert]:
    """Return the alerts raised in a trip, the oldest first."""
    return _read_all(database, "WHERE trip_epoch = ? AND trip_start_tile = ? ORDER BY alert", (epoch, start_tile))


def _write_acknowledged(database: Database, connection: sqlite3.Connection, row: AlertRow, told: Acknowledged) -> None:
    """Write the first name alone: it stays, and so its entry is one."""
    stamp = told.stamp
    values = (told.by, stamp.utc_ns, int(stamp.utc_trusted), stamp.mono_ns, stamp.boot_id, row.alert_id)
    if connection.execute(_ACKNOWLEDGE, values).rowcount:
        data = {
            "alert": row.alert_id, "kind": row.kind, "position": row.position, "subject": row.subject, "by": told.by,
        }  # fmt: skip
        append_entry(database, connection, stamp, EntryDraft(ACKNOWLEDGED, None, data), None)


def _read_all(database: Database, where: str, values: Sequence[Any]) -> list[StoredAlert]:
    with database.snapshot():
        return [_read(database, row) for row in database.rows(f"{_SELECT} {where}", values)]


def _read(database: Database, row: tuple[Any, ...]) -> StoredAlert:
    number, alert_id, kind, position, subject, level, text, remedy = row[:8]
    raised, trip, cleared = row[8:10], row[10:12], row[12:14]
    by, utc_ns, trusted, mono_ns, boot_id = row[14:19]
    told = None
    if by is not None:
        told = Acknowledged(by, _refined(database, Stamp(utc_ns, bool(trusted), mono_ns, boot_id)))
    stored = AlertRow(
        alert_id, kind, position, subject, level, text, remedy,
        raised=(raised[0], raised[1]),
        trip=None if trip[0] is None else (trip[0], trip[1]),
        cleared=None if cleared[0] is None else (cleared[0], cleared[1]),
        acknowledged=told,
    )  # fmt: skip
    return StoredAlert(number, stored, _stamp(raised[1], row[19:24]), _stamp(cleared[1], row[24:29]))


def _refined(database: Database, stamp: Stamp) -> Stamp:
    """Return a stamp with the time that somebody vouched for later in the same boot, where there is one."""
    if stamp.utc_trusted:
        return stamp
    # An epoch of a recording begins at 0, on a clock of its own.
    clock = database.row(
        "SELECT mono_ns, utc_ns FROM epoch WHERE boot_id = ? AND utc_trusted = 1 AND mono_ns <> 0 "
        "ORDER BY epoch DESC LIMIT 1",
        (stamp.boot_id,),
    )
    if clock is None:
        return stamp
    return Stamp(clock[1] + (stamp.mono_ns - clock[0]), True, stamp.mono_ns, stamp.boot_id)


def _stamp(mono_ns: int | None, epoch: tuple[Any, ...]) -> Stamp | None:
    """Return an instant of an epoch by every clock, None where either is unknown. A recording's are of no boot."""
    began_ns, utc_ns, is_trusted, boot_id, source_kind = epoch
    if mono_ns is None or began_ns is None:
        return None
    boot = "" if source_kind == "recording" else boot_id
    return Stamp(utc_ns + (mono_ns - began_ns), bool(is_trusted), mono_ns, boot)
