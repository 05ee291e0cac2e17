"""Cards, keys, forecasts and duty by radio out of entries."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.fields import check_text, check_whole, encode_canonical
from dutylog.bench.store.own_services import own_service_entries
from dutylog.bench.store.put import put
from dutylog.bench.store.tables import CARD, CARD_PART, DUE, LEDGER_SEEN, RADIO, SERVICE, VEHICLE_KEY
from dutylog.errors import InputError, one_line

HASH_BYTES = 32
DUE_DAYS = ("early", "likely", "late", "order_by")


def put_card(connection: Connection, entry: Entry) -> None:
    """Add a card: what is compared with the next one, how far its parts are used, the services it tells of."""
    data, card = entry.data, entry.data["card"]
    names = ("ledger_id", "unit_id", "sequence", "digest", "key_id", "head_row")
    chain = _read_chain(_object(card, "evidence").get("chain") or [])
    issued = _object(card, "issued")
    values = {
        "row": entry.row,
        "damper_id": entry.damper_id,
        **{key: data[key] for key in names},
        "head_hash": chain[-HASH_BYTES:].hex() or None,
        "revision": check_whole(card.get("revision") or 0, "card: revision"),
        "totals": encode_canonical(_object(card, "totals"), "card: totals"),
        "entry_rows": encode_canonical(_entry_rows(card), "card: evidence"),
        "utc": check_text(issued.get("utc") or "", "card: issued.utc"),
        "by": check_text(issued.get("by") or "", "card: issued.by"),
    }
    connection.execute(insert(CARD), values)
    parts = [_part(entry.row, one) for one in _objects(card, "parts")]
    if parts:
        connection.execute(insert(CARD_PART), parts)
    _see_chain(connection, entry, chain)
    _put_services(connection, entry, card)


def put_key(connection: Connection, entry: Entry) -> None:
    """Keep a key that cards of a vehicle may be signed with."""
    names = ("ledger_id", "key_id", "public_key", "how", "why")
    values = {key: entry.data[key] for key in names}
    put(connection, VEHICLE_KEY, {**values, "by": entry.who, "utc": entry.utc, "row": entry.row})


def put_due(connection: Connection, entry: Entry) -> None:
    """Replace all forecasts of a damper."""
    connection.execute(delete(DUE).where(DUE.c.damper_id == entry.damper_id))
    day, basis = _day(entry.data["day"], "day"), entry.data["basis"]
    rows = [_due_row(entry, one) | {"day": day, "basis": basis} for one in _objects(entry.data, "rows")]
    if rows:
        connection.execute(insert(DUE), rows)


def put_radio(connection: Connection, entry: Entry) -> None:
    """Keep duty that came by radio where it is newer than what is there."""
    data = entry.data
    stands = connection.execute(
        select(RADIO.c.unit_id, RADIO.c.revision, RADIO.c.sequence).where(RADIO.c.damper_id == entry.damper_id)
    ).first()
    if (
        stands is not None
        and stands[0] == data["unit_id"]
        and (data["revision"], data["sequence"]) <= tuple(stands[1:])
    ):
        return
    values = {key: data[key] for key in ("vehicle_id", "unit_id", "revision", "sequence", "utc")}
    totals = encode_canonical(data["totals"], "totals")
    put(connection, RADIO, {"damper_id": entry.damper_id, **values, "totals": totals, "row": entry.row})


def _read_chain(hashes: Any) -> bytes:
    """Return the hashes of a card's chain, 32 bytes each."""
    try:
        chain = b"".join(bytes.fromhex(one) for one in hashes)
    except (TypeError, ValueError) as err:
        raise InputError("card: evidence.chain: expected hashes in hex") from err
    if len(chain) != HASH_BYTES * len(hashes):
        raise InputError("card: evidence.chain: expected hashes of 32 bytes")
    return chain


def _see_chain(connection: Connection, entry: Entry, chain: bytes) -> None:
    """Keep the vehicle's chain where it is longer than known, or another one that somebody accepted.

    The begin of the known one changes nothing, whatever was accepted: such a card was issued earlier.
    """
    ledger_id = entry.data["ledger_id"]
    known = connection.execute(select(LEDGER_SEEN.c.chain).where(LEDGER_SEEN.c.ledger_id == ledger_id)).scalar()
    if known is not None and bytes(known).startswith(chain):
        return
    values = {"ledger_id": ledger_id, "chain": chain, "head_row": len(chain) // HASH_BYTES, "row": entry.row}
    put(connection, LEDGER_SEEN, values)


def _put_services(connection: Connection, entry: Entry, card: Mapping[str, Any]) -> None:
    """Replace the services that the vehicle tells of; those done at this bench are there already."""
    told = (SERVICE.c.damper_id == entry.damper_id) & (SERVICE.c.source == "vehicle")
    connection.execute(delete(SERVICE).where(told))
    own = own_service_entries(connection, card)
    rows = [_service_row(entry, one) for one in _objects(card, "services") if one.get("entry") not in own]
    if rows:
        connection.execute(insert(SERVICE), rows)


def _entry_rows(card: Mapping[str, Any]) -> list[int]:
    """Return the rows of the vehicle's entries on a card."""
    entries = _objects(_object(card, "evidence"), "entries")
    return [check_whole(one.get("row"), "card: evidence.entries: row") for one in entries]


def _service_row(entry: Entry, told: Mapping[str, Any]) -> dict[str, Any]:
    replaced, found = told.get("replaced") or [], told.get("found") or {}
    if not isinstance(replaced, list) or not isinstance(found, Mapping):
        raise InputError("card: services: expected a list of parts and grades by part")
    note = told.get("note")
    return {
        "damper_id": entry.damper_id,
        "source": "vehicle",
        "number": check_whole(told.get("entry"), "card: services: entry"),
        "day": None if told.get("day") is None else _day(told["day"], "card: services: day"),
        "by": check_text(told.get("by") or "", "card: services: by"),
        "replaced": encode_canonical(replaced, "card: services"),
        "found": encode_canonical(found, "card: services"),
        "note": None if note is None else check_text(note, "card: services: note", 65_536, "\n\r\t"),
        "sequence": None,
        "digest": None,
        "row": entry.row,
    }


def _part(row: int, told: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "row": row,
        "part": check_text(told.get("part"), "card: parts: part"),
        "used_share": _number(told.get("used_share"), "card: parts: used_share"),
        "used_ratio": _number(told.get("used_ratio"), "card: parts: used_ratio"),
    }


def _due_row(entry: Entry, told: Mapping[str, Any]) -> dict[str, Any]:
    days = {key: None if told.get(key) is None else _day(told[key], f"due: {key}") for key in DUE_DAYS}
    return {
        "damper_id": entry.damper_id,
        "part": check_text(told.get("part"), "due: part"),
        **days,
        "used_ratio": _number(told.get("used_ratio"), "due: used_ratio"),
        "first_day": min((one for one in days.values() if one is not None), default=None),
    }


def _day(value: object, what: str) -> str:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError as err:
        raise InputError(f"{what}: {one_line(repr(value), 40)} is no day; expected like 2026-11-30") from err


def _number(value: object, what: str) -> float | None:
    if value is None:
        return None
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        raise InputError(f"{what}: expected a number, got {one_line(repr(value), 40)}")
    return float(value)


def _object(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = data.get(key) or {}
    if not isinstance(found, Mapping):
        raise InputError(f"{key}: expected an object")
    return found


def _objects(data: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = data.get(key) or []
    if not isinstance(found, list) or not all(isinstance(one, Mapping) for one in found):
        raise InputError(f"{key}: expected a list of objects")
    return found
