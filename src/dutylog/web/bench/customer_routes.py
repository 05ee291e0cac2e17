"""Customers and their vehicles."""

from __future__ import annotations

import uuid
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.roles import TECHNICIAN, VIEWER
from dutylog.errors import InputError, one_line
from dutylog.ledger.names import check_text
from dutylog.web.bench.frame import Done, Frame, Seen, Write

NAME_SIGNS, CONTACT_SIGNS, NOTE_SIGNS = 80, 160, 2000
CUSTOMER, NEW_VEHICLE = "customer", "vehicle"
"""Forms of the pages, beside those of the vehicles, which go by their keys."""


def add_customers(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of customers and what is changed there."""

    @frame.page("/customers", least=VIEWER, here="customers")
    def customers(seen: Seen) -> Response:
        return _list_page(seen)

    @frame.page("/customers/{customer}", least=VIEWER, here="customers")
    def customer(seen: Seen) -> Response:
        return _customer_page(seen, seen.params["customer"])

    @frame.write("/customers", least=TECHNICIAN, here="customers")
    def put_customer(write: Write) -> Done | Response:
        key = write.field("customer_id")
        try:
            data = _customer(write, key or str(uuid.uuid4()))
            with write.store.write(write.who) as tx:
                if key and tx.read.customer(key) is None:
                    raise HTTPException(404, "this customer isn't here any more; see the list of customers")
                tx.append("customer_put", data)
        except InputError as err:
            return _customer_page(write, key, CUSTOMER, str(err)) if key else _list_page(write, str(err))
        return Done(f"{data['name']} is written down", f"/customers/{data['customer_id']}")

    @frame.write("/vehicles", least=TECHNICIAN, here="customers")
    def put_vehicle(write: Write) -> Done | Response:
        try:
            with write.store.write(write.who) as tx:
                data = _vehicle(write, tx)
                tx.append("vehicle_put", data)
        except InputError as err:
            key = write.field("customer_id")
            where = write.field("vehicle_key") or NEW_VEHICLE
            return _customer_page(write, key, where, str(err)) if key else _list_page(write, str(err))
        see = f"/customers/{data['customer_id']}" if data["customer_id"] else "/customers"
        return Done(f"{data['label']} is written down", see)


def _list_page(seen: Seen, problem: str = "") -> Response:
    with seen.store.read() as reading:
        people, vehicles = reading.customers(), reading.vehicles()
    counts: dict[str | None, int] = {}
    for one in vehicles:
        counts[one.customer_id] = counts.get(one.customer_id, 0) + 1
    values: dict[str, Any] = {"customers": people, "counts": counts, "loose": _loose(vehicles)}
    return seen.render("bench/customers.html", 400 if problem else 200, **values, **_wrong(seen, CUSTOMER, problem))


def _customer_page(seen: Seen, key: str, where: str = "", problem: str = "") -> Response:
    """Return the page of a customer. where: the form in which something is wrong; it keeps its texts."""
    with seen.store.read() as reading:
        found = reading.customer(key)
        vehicles = [one for one in reading.vehicles() if one.customer_id == key]
        dampers = {one.vehicle_key: reading.dampers_of(one.vehicle_key) for one in vehicles}
        loose = _loose(reading.vehicles())
    if found is None:
        raise HTTPException(404, f"no customer {one_line(key, 40)!r}; see the list of customers")
    values: dict[str, Any] = {"customer": found, "vehicles": vehicles, "dampers": dampers, "loose": loose}
    return seen.render("bench/customer.html", 400 if problem else 200, **values, **_wrong(seen, where, problem))


def _wrong(seen: Seen, where: str, problem: str) -> dict[str, Any]:
    """Return what a page says of a form that isn't kept."""
    told = seen.fields if problem and isinstance(seen, Write) else {}
    return {"where": where if problem else "", "problem": problem, "told": told}


def _loose(vehicles: Any) -> list[Any]:
    """Return the vehicles that belong to nobody yet: a card made them known."""
    return [one for one in vehicles if one.customer_id is None]


def _customer(write: Write, key: str) -> dict[str, Any]:
    return {
        "customer_id": key,
        "name": check_text(write.field("name"), "name", NAME_SIGNS),
        "contact": _optional(write.field("contact"), "contact", CONTACT_SIGNS),
        "note": write.field("note")[:NOTE_SIGNS] or None,
    }


def _vehicle(write: Write, tx: Any) -> dict[str, Any]:
    """Return a vehicle as it is to stand now; ledger and id of its cards stay."""
    key, customer = write.field("vehicle_key"), write.field("customer_id") or None
    before = tx.read.vehicle(key) if key else None
    if key and before is None:
        raise HTTPException(404, "this vehicle isn't here any more; see the list of customers")
    if customer is not None and tx.read.customer(customer) is None:
        raise HTTPException(404, "this customer isn't here any more; see the list of customers")
    agreed = _optional(write.field("radio_agreed_by"), "who agreed to duty by radio", NAME_SIGNS)
    if before is not None and before.customer_id != customer and agreed == before.radio_agreed_by:
        # Another owner: whoever agreed before didn't agree for them.
        agreed = None
    label = write.field("label") or ("" if before is None else before.label)
    return {
        "vehicle_key": key or str(uuid.uuid4()),
        "label": check_text(label, "vehicle", NAME_SIGNS),
        "customer_id": customer,
        "ledger_id": None if before is None else before.ledger_id,
        "vehicle_id": _optional(write.field("vehicle_id"), "vehicle id", NAME_SIGNS)
        or (None if before is None else before.vehicle_id),
        "radio_agreed_by": agreed,
        "note": write.field("note")[:NOTE_SIGNS] or None,
    }


def _optional(text: str, what: str, most: int) -> str | None:
    return check_text(text, what, most) if text else None
