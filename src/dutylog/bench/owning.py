"""Whose a damper is: which customer, on which vehicle; and what changes with that."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.bench.store.append import Transaction
from dutylog.bench.store.rows import Customer, Damper, Vehicle
from dutylog.errors import InputError
from dutylog.ledger.names import check_text

NAME_SIGNS = 80
NEW_PERSON = "new"
"""Of Owner.customer_is: another person, although one of that name is known."""


class NameKnown(InputError):
    """Somebody of that name is written down, and nobody said whether it is the same person. customers: who."""

    def __init__(self, name: str, customers: Sequence[Customer]) -> None:
        super().__init__(
            f"customer {name}: somebody of that name is written down already; choose whether it is the same person"
        )
        self.customers = tuple(customers)


@dataclass(frozen=True, slots=True)
class Owner:
    """What somebody tells. customer_is: a customer_id, NEW_PERSON, or '' where the name alone says it.

    is_renamed: another name of the vehicle is the same vehicle's. is_alone: the damper changed hands, not its vehicle.
    """

    customer: str = ""
    vehicle: str = ""
    customer_is: str = ""
    is_renamed: bool = False
    is_alone: bool = False

    @property
    def is_told(self) -> bool:
        """Return whether there is anything to write down."""
        return bool(self.customer or self.vehicle)


def damper_data(damper: Damper) -> dict[str, Any]:
    """Return a damper as an entry `damper_put` holds it."""
    names = ("unit_id", "serial", "tag", "vehicle_key", "position", "construction", "reservoir", "joints")
    return {name: getattr(damper, name) for name in names} | {
        "profile_name": damper.profile_name,
        "profile": damper.profile,
    }


def give_owner(tx: Transaction, damper: Damper, owner: Owner) -> str:
    """Write down whose a damper is, and return what that changed.

    Another name of the vehicle is another vehicle, and the damper alone goes there, unless it was renamed. With another
    customer a vehicle goes with all its dampers, and what the owner before agreed to is over.

    Raises:
        InputError: nothing is told, or a name can't be one. NameKnown: it may be one of several people.
    """
    if not owner.is_told:
        raise InputError("whose is it? give the customer, the vehicle or both")
    for what, text in (("customer", owner.customer), ("vehicle", owner.vehicle)):
        if text:
            check_text(text, what, NAME_SIGNS)
    before = None if damper.vehicle_key is None else tx.read.vehicle(damper.vehicle_key)
    customer_id = _customer_of(tx, owner, None if before is None else before.customer_id)
    if before is not None and not owner.is_alone and (owner.is_renamed or _is_its_name(owner.vehicle, before)):
        return _change_vehicle(tx, before, owner.vehicle or before.label, customer_id)
    return _move_damper(tx, damper, before, owner, customer_id)


def _is_its_name(label: str, vehicle: Vehicle) -> bool:
    return not label or label.casefold() == vehicle.label.casefold()


def _change_vehicle(tx: Transaction, before: Vehicle, label: str, customer_id: str | None) -> str:
    is_given = customer_id != before.customer_id
    data = {
        "vehicle_key": before.vehicle_key,
        "label": label,
        "customer_id": customer_id,
        "ledger_id": before.ledger_id,
        "vehicle_id": before.vehicle_id,
        "radio_agreed_by": None if is_given else before.radio_agreed_by,
        "note": before.note,
    }
    if label == before.label and not is_given:
        return "that is how it stands already"
    tx.append("vehicle_put", data)
    count = len(tx.read.dampers_of(before.vehicle_key))
    whole = f"written down for {label} and {f'all its {count} dampers' if count > 1 else 'its damper'}"
    ended = is_given and before.radio_agreed_by is not None
    return f"{whole}; duty by radio ended, the new owner has not agreed" if ended else whole


def _move_damper(tx: Transaction, damper: Damper, before: Vehicle | None, owner: Owner, customer_id: str | None) -> str:
    """Put a damper on another vehicle of its customer, a new one where there is none of that name."""
    customer = None if customer_id is None else tx.read.customer(customer_id)
    label = owner.vehicle
    if not label or (before is not None and owner.is_alone and _is_its_name(label, before)):
        if customer is None or (before is not None and customer_id == before.customer_id):
            raise InputError("the damper alone changed hands: give its new owner, or another vehicle")
        label = check_text(f"vehicle of {customer.name}"[:NAME_SIGNS].strip(), "vehicle", NAME_SIGNS)
    own = () if customer_id is None else tx.read.vehicles(customer_id)
    same = [one for one in own if one.label.casefold() == label.casefold()]
    key = same[0].vehicle_key if same else str(uuid.uuid4())
    if not same:
        empty = dict.fromkeys(("ledger_id", "vehicle_id", "radio_agreed_by", "note"))
        tx.append("vehicle_put", {"vehicle_key": key, "label": label, "customer_id": customer_id, **empty})
    if damper.vehicle_key != key:
        tx.append("damper_put", {**damper_data(damper), "vehicle_key": key}, damper.damper_id)
    moved = "" if before is None else f"; {before.label} stays as it was"
    return f"written down: {damper.label} is on {label}{moved}"


def _customer_of(tx: Transaction, owner: Owner, before_id: str | None) -> str | None:
    """Return the customer that is told, a new one where nobody of that name is known, that of before without a name."""
    if not owner.customer:
        return before_id
    alike = [one for one in tx.read.customers(owner.customer) if one.name.casefold() == owner.customer.casefold()]
    if owner.customer_is != NEW_PERSON:
        told = owner.customer_is or before_id
        if any(one.customer_id == told for one in alike):
            return told
        if alike:
            raise NameKnown(owner.customer, alike)
    key = str(uuid.uuid4())
    tx.append("customer_put", {"customer_id": key, "name": owner.customer, "contact": None, "note": None})
    return key
