"""Customers, vehicles and dampers out of entries."""

from __future__ import annotations

from sqlalchemy import Connection, select

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.fields import encode_canonical
from dutylog.bench.store.put import check_known, put
from dutylog.bench.store.tables import CUSTOMER, DAMPER, VEHICLE
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.errors import InputError, one_line


def fold(*texts: str | None) -> str:
    """Return text as a search compares it: without case, one word of it behind the other."""
    return "\n".join(text for text in texts if text).casefold()


def put_customer(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on a customer."""
    data = entry.data
    values = {key: data[key] for key in ("customer_id", "name", "contact", "note")}
    put(connection, CUSTOMER, {**values, "folded": fold(data["name"], data["contact"]), "row": entry.row})


def put_vehicle(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on a vehicle; since when its owner agrees to radio stays while the same person does."""
    data = entry.data
    if data["customer_id"] is not None:
        check_known(connection, CUSTOMER, data["customer_id"], "customer")
    before = connection.execute(
        select(VEHICLE.c.radio_agreed_by, VEHICLE.c.radio_agreed_utc).where(
            VEHICLE.c.vehicle_key == data["vehicle_key"]
        )
    ).first()
    agreed = data["radio_agreed_by"]
    since = before[1] if before is not None and before[0] == agreed else entry.utc if agreed else None
    names = ("vehicle_key", "label", "customer_id", "ledger_id", "vehicle_id", "radio_agreed_by", "note")
    values = {key: data[key] for key in names}
    folded = fold(data["label"], data["vehicle_id"])
    put(connection, VEHICLE, {**values, "radio_agreed_utc": since, "folded": folded, "row": entry.row})


def put_damper(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on a damper."""
    data = entry.data
    if data["vehicle_key"] is not None:
        check_known(connection, VEHICLE, data["vehicle_key"], "vehicle")
    for key, words in (("construction", CONSTRUCTIONS), ("reservoir", RESERVOIRS), ("joints", JOINTS)):
        if data[key] not in words:
            raise InputError(f"entry damper_put: {key} {one_line(data[key], 40)!r} is none of {', '.join(words)}")
    names = (
        "unit_id", "serial", "tag", "vehicle_key", "position", "construction", "reservoir", "joints", "profile_name",
    )  # fmt: skip
    values = {key: data[key] for key in names}
    profile = None if data["profile"] is None else encode_canonical(data["profile"], "profile")
    folded = fold(data["serial"], data["tag"], data["unit_id"])
    put(
        connection,
        DAMPER,
        {"damper_id": entry.damper_id, **values, "profile": profile, "folded": folded, "row": entry.row},
    )
