"""Dampers as things, and where each of them sat over time."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from typing import Any

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.chain import append_entry
from dutylog.ledger.database import Database
from dutylog.ledger.names import NOTE_LIMIT, check_text, nearest
from dutylog.ledger.rows import EntryDraft, Install, Stamp, Unit

UNIT_COLUMNS = "unit_id, serial, tag, profile, added_utc_ns, note"
_INSTALL_COLUMNS = (
    "unit_id, vehicle_id, position, wheel, from_sequence, from_utc_ns, from_utc_trusted, "
    "to_sequence, to_utc_ns, to_utc_trusted"
)
_IN_FORCE = "to_sequence IS NULL"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a damper goes. sequence: of the raw log, from which on it counts there."""

    vehicle_id: str
    position: str
    wheel: str
    sequence: int


def add_unit(
    database: Database, stamp: Stamp, *, serial: str | None, profile: str, note: str | None, unit_id: str | None
) -> Unit:
    """Write a new damper with totals of nothing, and its entry. See Ledger.add_unit."""
    check_text(profile, "profile")
    if serial is not None:
        check_text(serial, "serial")
    if note is not None:
        check_text(note, "note", NOTE_LIMIT)
    new_id = _check_unit_id(unit_id)
    with database.write() as connection:
        key = int((database.row("SELECT coalesce(max(unit_key), 0) + 1 FROM unit") or (1,))[0])
        if serial is not None and is_taken(database, serial):
            raise LedgerError(f"serial {serial} is in the ledger already; name another or use that damper")
        tag = None if serial is not None else next(t for n in count(key) if not is_taken(database, t := f"D{n}"))
        unit = Unit(new_id, serial, tag, profile, stamp.utc_ns, note)
        connection.execute(
            f"INSERT INTO unit (unit_key, {UNIT_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (key, unit.unit_id, serial, tag, profile, unit.added_utc_ns, note),
        )
        connection.execute(
            f"INSERT INTO hot (unit_key, revision, sequence, {', '.join(TOTALS_COLUMNS)}) "
            f"VALUES (?, 1, 0, {', '.join('?' * len(TOTALS_COLUMNS))})",
            (key, *Totals().as_row()),
        )
        data = {"serial": serial, "tag": tag, "profile": profile, "note": note}
        append_entry(database, connection, stamp, EntryDraft("unit_add", new_id, data), None)
    return unit


def is_taken(database: Database, label: str) -> bool:
    """Tell whether a damper is already called this."""
    return database.row("SELECT 1 FROM unit WHERE ? IN (serial, tag, unit_id)", (label,)) is not None


def read_unit(database: Database, where: str, value: str) -> Unit | None:
    """Return the one damper whose column `where` has `value`."""
    row = database.row(f"SELECT {UNIT_COLUMNS} FROM unit WHERE {where} = ?", (value,))
    return None if row is None else Unit(*row)


def read_units(database: Database) -> list[Unit]:
    """Return all dampers in the order they were added."""
    return [Unit(*row) for row in database.rows(f"SELECT {UNIT_COLUMNS} FROM unit ORDER BY unit_key")]


def read_keys(database: Database) -> dict[str, int]:
    """Return the whole-number key of every damper by its unit_id."""
    return {row[0]: row[1] for row in database.rows("SELECT unit_id, unit_key FROM unit")}


def key_of(keys: Mapping[str, int], unit_id: str) -> int:
    """Return a damper's key; InputError when it isn't in the ledger."""
    if unit_id not in keys:
        raise InputError(f"unit {unit_id} is not in the ledger; add it before counting for it")
    return keys[unit_id]


def find_unit(database: Database, label: str) -> Unit:
    """Return the damper a person means by serial, tag or unit_id; LedgerError naming the nearest when none."""
    for column in ("serial", "tag", "unit_id"):
        unit = read_unit(database, column, label)
        if unit is not None:
            return unit
    known = (unit.label for unit in read_units(database))
    raise LedgerError(f"no damper {label} in ledger {database.path}; {nearest(label, known)}")


def install(database: Database, stamp: Stamp, unit: Unit, place: Place) -> Install:
    """Write that a damper sits at a place from now on, and its entry. See Ledger.install."""
    check_text(place.position, "position")
    check_text(place.wheel, "wheel")
    with database.write() as connection:
        _refuse_taken(database, unit, place)
        row = (place.vehicle_id, place.position, place.wheel, place.sequence, stamp.utc_ns, int(stamp.utc_trusted))
        connection.execute(
            "INSERT INTO install (unit_key, vehicle_id, position, wheel, from_sequence, from_utc_ns, from_utc_trusted) "
            "VALUES ((SELECT unit_key FROM unit WHERE unit_id = ?), ?, ?, ?, ?, ?, ?)",
            (unit.unit_id, *row),
        )
        data = {"vehicle_id": place.vehicle_id, "position": place.position, "wheel": place.wheel}
        draft = EntryDraft("install", unit.unit_id, data)
        append_entry(database, connection, stamp, draft, place.sequence)
    return Install(unit.unit_id, *row[:5], stamp.utc_trusted, None, None, None)


def remove(database: Database, stamp: Stamp, unit: Unit, sequence: int) -> Install:
    """Write that a damper left its place, and its entry. See Ledger.remove."""
    with database.write() as connection:
        stay = read_stay(database, unit.unit_id)
        if stay is None:
            raise LedgerError(f"damper {unit.label} is on the shelf already; nothing to remove")
        # A stay can't end before it began, whatever sequence the caller has.
        end = max(sequence, stay.from_sequence)
        connection.execute(
            "UPDATE install SET to_sequence = ?, to_utc_ns = ?, to_utc_trusted = ? "
            f"WHERE unit_key = (SELECT unit_key FROM unit WHERE unit_id = ?) AND {_IN_FORCE}",
            (end, stamp.utc_ns, int(stamp.utc_trusted), unit.unit_id),
        )
        draft = EntryDraft("remove", unit.unit_id, {"vehicle_id": stay.vehicle_id, "position": stay.position})
        append_entry(database, connection, stamp, draft, end)
    closed = read_installs(database, unit.unit_id)
    return closed[-1]


def read_stay(database: Database, unit_id: str) -> Install | None:
    """Return where a damper sits now, or None when it is on the shelf."""
    row = database.row(f"{_SELECT} WHERE unit_id = ? AND {_IN_FORCE}", (unit_id,))
    return None if row is None else _read_install(row)


def read_installs(database: Database, unit_id: str) -> list[Install]:
    """Return every stay of a damper, oldest first."""
    return [_read_install(r) for r in database.rows(f"{_SELECT} WHERE unit_id = ? ORDER BY install_key", (unit_id,))]


def read_in_force(database: Database, vehicle_id: str) -> dict[str, Unit]:
    """Return the damper at each position of a vehicle."""
    rows = database.rows(
        f"SELECT position, {UNIT_COLUMNS} FROM install JOIN unit USING (unit_key) "
        f"WHERE vehicle_id = ? AND {_IN_FORCE} ORDER BY position",
        (vehicle_id,),
    )
    return {row[0]: Unit(*row[1:]) for row in rows}


def choose_place(vehicle: Vehicle | None, unit: Unit, position: str, wheel: str | None, sequence: int) -> Place:
    """Return the place a person means, checked against the vehicle the ledger belongs to.

    Raises:
        LedgerError: no vehicle known yet, no such position, or the damper's profile isn't the vehicle's.
    """
    if vehicle is None:
        raise LedgerError("the ledger doesn't know its vehicle yet; start the daemon once or give --config FILE")
    damper = next((d for d in vehicle.dampers if d.position == position), None)
    if damper is None:
        known = (d.position for d in vehicle.dampers)
        raise LedgerError(f"vehicle {vehicle.vehicle_id} has no position {position}; {nearest(position, known)}")
    check_profile(vehicle, unit.profile)
    return Place(vehicle.vehicle_id, position, wheel or damper.wheel, sequence)


def check_profile(vehicle: Vehicle, profile: str) -> None:
    """Raise LedgerError when a vehicle's configuration has no such profile."""
    known = [p.name for p in vehicle.profiles]
    if profile not in known:
        raise LedgerError(f"vehicle {vehicle.vehicle_id} has no profile {profile}; {nearest(profile, known)}")


_SELECT = f"SELECT {_INSTALL_COLUMNS} FROM install JOIN unit USING (unit_key)"


def _read_install(row: tuple[Any, ...]) -> Install:
    return Install(
        unit_id=row[0],
        vehicle_id=row[1],
        position=row[2],
        wheel=row[3],
        from_sequence=row[4],
        from_utc_ns=row[5],
        from_utc_trusted=bool(row[6]),
        to_sequence=row[7],
        to_utc_ns=row[8],
        to_utc_trusted=None if row[9] is None else bool(row[9]),
    )


def _check_unit_id(unit_id: str | None) -> str:
    if unit_id is None:
        return str(uuid.uuid4())
    try:
        return str(uuid.UUID(unit_id))
    except (ValueError, AttributeError, TypeError) as err:
        raise InputError(f"unit_id {unit_id!r:.60} is no UUID") from err


def _refuse_taken(database: Database, unit: Unit, place: Place) -> None:
    stay = read_stay(database, unit.unit_id)
    if stay is not None:
        raise LedgerError(f"damper {unit.label} is installed at {stay.position}; remove it first")
    holder = read_in_force(database, place.vehicle_id).get(place.position)
    if holder is not None:
        raise LedgerError(f"position {place.position} holds damper {holder.label}; remove that one first")
