"""The commit of what the engine made of the raw log: one transaction, totals never fall."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import InputError
from dutylog.ledger.alerts import write_alerts
from dutylog.ledger.chain import append_entry, has_entry
from dutylog.ledger.database import Database
from dutylog.ledger.installs import key_of, read_keys
from dutylog.ledger.rows import Commit, Cursor, KeptHeat, Stamp, UnitDuty
from dutylog.ledger.trip_discounts import Discounts
from dutylog.ledger.trips import write_minutes, write_trips

HEAT_RESET = "heat_reset"
"""Kind of the entry by which somebody asks to forget what was learned of a damper's heat."""
LEAST_REVISION_KEY = "least_revision"
"""In `meta` from a recovery to the first commit after it."""
_SET_TOTALS = ", ".join(f"{column} = ?" for column in TOTALS_COLUMNS)
_GET_TOTALS = ", ".join(TOTALS_COLUMNS)


def commit(database: Database, stamp: Stamp, change: Commit) -> None:
    """Write one commit. See Ledger.commit."""
    if (change.cold is None) != (change.checkpoint is None):
        raise InputError("a commit gives the state of the accumulators and the checkpoint together, or neither")
    with database.write() as connection:
        cursor = _read_positions(database)
        if change.sequence < cursor[0]:
            raise InputError(
                f"commit of sequence {change.sequence} goes back behind {cursor[0]}, already in the ledger"
            )
        keys = read_keys(database)
        _write_hot(database, connection, keys, change)
        _write_cold(connection, keys, change)
        _write_heat(connection, keys, change)
        write_minutes(database, connection, keys, change.minutes)
        write_trips(connection, keys, change.trips)
        write_alerts(database, connection, change.alerts)
        _raise_revisions(database, connection)
        _write_cursor(connection, stamp, change, cursor[1])
        for draft in change.entries:
            # The same commit may come again after an error whose outcome the caller couldn't know.
            if change.sequence > cursor[0] or not has_entry(database, draft, change.sequence):
                append_entry(database, connection, stamp, draft, change.sequence)


def read_cursor(database: Database) -> Cursor:
    """Return how far each group reaches, with the engine's checkpoint."""
    with database.snapshot():
        row = database.row("SELECT hot_sequence, cold_sequence, engine, boot_id, updated_utc_ns FROM cursor")
        state = database.row("SELECT state FROM checkpoint")
    hot, cold, engine, boot_id, updated_utc_ns = row or (0, 0, "", "", 0)
    return Cursor(hot, cold, engine, None if state is None else state[0], boot_id, updated_utc_ns)


def read_totals(database: Database, unit_id: str) -> Totals | None:
    """Return a damper's life totals."""
    row = database.row(f"SELECT {_GET_TOTALS} FROM hot JOIN unit USING (unit_key) WHERE unit_id = ?", (unit_id,))
    return None if row is None else Totals(*row)


def read_all_totals(database: Database) -> dict[str, Totals]:
    """Return the life totals of every damper, all of one moment."""
    rows = database.rows(f"SELECT unit_id, {_GET_TOTALS} FROM hot JOIN unit USING (unit_key)")
    return {row[0]: Totals(*row[1:]) for row in rows}


def read_unit_duties(database: Database, discounts: Discounts) -> list[UnitDuty]:
    """Return every damper with its totals less what doesn't count, place and order, all of one moment."""
    rows = database.rows(
        f"SELECT unit_id, serial, tag, position, revision, sequence, {_GET_TOTALS} FROM hot JOIN unit USING (unit_key) "
        "LEFT JOIN install ON install.unit_key = hot.unit_key AND to_sequence IS NULL ORDER BY hot.unit_key"
    )
    return [
        UnitDuty(
            unit_id,
            serial,
            serial or tag or unit_id,
            position,
            discounts.revision(unit_id, revision),
            sequence,
            discounts.apply(unit_id, Totals(*totals)),
            has_counted=Totals(*totals) != Totals(),
        )
        for unit_id, serial, tag, position, revision, sequence, *totals in rows
    ]


def read_cold_state(database: Database, unit_id: str) -> bytes | None:
    """Return the state of a damper's accumulators at its last cold commit."""
    row = database.row("SELECT state FROM cold JOIN unit USING (unit_key) WHERE unit_id = ?", (unit_id,))
    return None if row is None else bytes(row[0])


def read_heat(database: Database, unit_id: str, position: str) -> KeptHeat | None:
    """Return what was kept of the heat of a damper in a place."""
    row = database.row(
        "SELECT state, heat.sequence FROM heat JOIN unit USING (unit_key) WHERE unit_id = ? AND position = ?",
        (unit_id, position),
    )
    if row is None:
        return None
    asked = database.rows(
        "SELECT data FROM entry WHERE kind = ? AND unit_id = ? AND sequence > ? ORDER BY row",
        (HEAT_RESET, unit_id, row[1]),
    )
    resets = [json.loads(data) for (data,) in asked]
    return KeptHeat(bytes(row[0]), tuple(str(reset["what"]) for reset in resets if reset["position"] == position))


def _read_positions(database: Database) -> tuple[int, int]:
    row = database.row("SELECT hot_sequence, cold_sequence FROM cursor")
    return (0, 0) if row is None else (int(row[0]), int(row[1]))


def _write_hot(database: Database, connection: sqlite3.Connection, keys: Mapping[str, int], change: Commit) -> None:
    for unit_id, totals in change.hot.items():
        key = key_of(keys, unit_id)
        row = totals.as_row()
        old = database.row(f"SELECT revision, {_GET_TOTALS} FROM hot WHERE unit_key = ?", (key,)) or (1,)
        _refuse_fall(unit_id, old[0], old[1:], row)
        connection.execute(
            f"UPDATE hot SET sequence = ?, {_SET_TOTALS} WHERE unit_key = ?", (change.sequence, *row, key)
        )


def _raise_revisions(database: Database, connection: sqlite3.Connection) -> None:
    """Give all dampers the revision a recovery chose, with the totals counted again: before, they are a copy's."""
    least = database.row("SELECT value FROM meta WHERE key = ?", (LEAST_REVISION_KEY,))
    if least is None:
        return
    connection.execute("UPDATE hot SET revision = max(revision, ?)", (int(least[0]),))
    connection.execute("UPDATE cold SET revision = (SELECT revision FROM hot WHERE hot.unit_key = cold.unit_key)")
    connection.execute("DELETE FROM meta WHERE key = ?", (LEAST_REVISION_KEY,))


def _refuse_fall(unit_id: str, revision: int, old: tuple[int | None, ...], new: tuple[int | None, ...]) -> None:
    for column, before, after in zip(TOTALS_COLUMNS, old, new, strict=False):
        if before is not None and (after is None or after < before):
            raise InputError(f"unit {unit_id}: {column} would fall from {before} to {after} within revision {revision}")


def _write_cold(connection: sqlite3.Connection, keys: Mapping[str, int], change: Commit) -> None:
    if change.cold is None:
        return
    for unit_id, state in change.cold.items():
        connection.execute(
            "INSERT INTO cold (unit_key, revision, sequence, state) "
            "SELECT unit_key, revision, ?, ? FROM hot WHERE unit_key = ? "
            "ON CONFLICT (unit_key) DO UPDATE SET "
            "revision = excluded.revision, sequence = excluded.sequence, state = excluded.state",
            (change.sequence, state, key_of(keys, unit_id)),
        )
    connection.execute(
        "INSERT INTO checkpoint VALUES (1, ?) ON CONFLICT (one) DO UPDATE SET state = excluded.state",
        (change.checkpoint,),
    )


def _write_heat(connection: sqlite3.Connection, keys: Mapping[str, int], change: Commit) -> None:
    for (unit_id, position), state in change.heat.items():
        connection.execute(
            "INSERT INTO heat (unit_key, position, sequence, state) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (unit_key, position) DO UPDATE SET sequence = excluded.sequence, state = excluded.state",
            (key_of(keys, unit_id), position, change.sequence, state),
        )


def _write_cursor(connection: sqlite3.Connection, stamp: Stamp, change: Commit, cold_sequence: int) -> None:
    cold = cold_sequence if change.cold is None else change.sequence
    connection.execute(
        "UPDATE cursor SET hot_sequence = ?, cold_sequence = ?, engine = ?, boot_id = ?, updated_utc_ns = ?",
        (change.sequence, cold, change.engine, stamp.boot_id, stamp.utc_ns),
    )
