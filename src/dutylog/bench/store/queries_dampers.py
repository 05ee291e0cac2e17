"""Questions about dampers, vehicles and customers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select

from dutylog.bench.store.asking import Asking, columns_of, load, named, pattern
from dutylog.bench.store.rows import Customer, Damper, Found, Vehicle
from dutylog.bench.store.tables import CARD, CUSTOMER, DAMPER, RECORD, VEHICLE
from dutylog.errors import InputError

FOUND_LIMIT = 50
"""Dampers a search shows (judgement): whoever has more says another word."""
LIST_LIMIT = 20_000
_DAMPER = columns_of(DAMPER, Damper)
_VEHICLE = columns_of(VEHICLE, Vehicle)
_CUSTOMER = columns_of(CUSTOMER, Customer)
TAG_SIGN = "B"
"""Before the number of a tag that the bench gives: a vehicle's own tags begin with D."""


class DamperQueries(Asking):
    """Dampers, vehicles, customers."""

    def damper(self, damper_id: str) -> Damper | None:
        """Return a damper, None where there is none of that id."""
        row = self._first(select(*_DAMPER).where(DAMPER.c.damper_id == damper_id))
        return None if row is None else make_damper(row)

    def find_dampers(
        self, unit_id: str | None = None, serial: str | None = None, tag: str | None = None
    ) -> tuple[Damper, ...]:
        """Return all dampers of one of the three, the newest first.

        A unit_id is found on any card it ever came with. Serials of two makers, and tags of two vehicles, may be alike.
        """
        given = [one for one in (unit_id, serial, tag) if one is not None]
        if len(given) != 1:
            raise InputError("find a damper by unit_id, serial or tag: one of them")
        if unit_id is not None:
            carried = select(CARD.c.damper_id).where(CARD.c.unit_id == unit_id)
            where: ColumnElement[bool] = (DAMPER.c.unit_id == unit_id) | DAMPER.c.damper_id.in_(carried)
        else:
            where = DAMPER.c.serial == serial if serial is not None else DAMPER.c.tag == tag
        found = self._rows(select(*_DAMPER).where(where).order_by(DAMPER.c.row.desc()), LIST_LIMIT)
        return tuple(make_damper(one) for one in found)

    def find_damper(
        self, unit_id: str | None = None, serial: str | None = None, tag: str | None = None
    ) -> Damper | None:
        """Return the newest damper of unit_id, serial or tag (one of them), None where there is none."""
        found = self.find_dampers(unit_id, serial, tag)
        return found[0] if found else None

    def dampers_of_records(self, digests: Iterable[str]) -> tuple[Damper, ...]:
        """Return the dampers that service records of this bench are about, by the records' digests."""
        about = select(RECORD.c.damper_id).where(RECORD.c.digest.in_(list(digests)))
        found = self._rows(select(*_DAMPER).where(DAMPER.c.damper_id.in_(about)).order_by(DAMPER.c.row), LIST_LIMIT)
        return tuple(make_damper(one) for one in found)

    def dampers_of(self, vehicle_key: str) -> tuple[Damper, ...]:
        """Return the dampers of a vehicle, by position."""
        where = select(*_DAMPER).where(DAMPER.c.vehicle_key == vehicle_key)
        found = self._rows(where.order_by(DAMPER.c.position, DAMPER.c.row), LIST_LIMIT)
        return tuple(make_damper(one) for one in found)

    def search(self, text: str, limit: int = FOUND_LIMIT) -> tuple[Found, ...]:
        """Return dampers whose serial, tag, unit_id, vehicle or customer holds the text, those newest first."""
        if not text.strip():
            return ()
        like = pattern(text)
        # By the three tables one after the other: joined first and filtered then, every damper would be joined.
        vehicles = select(VEHICLE.c.vehicle_key).where(
            VEHICLE.c.folded.like(like, escape="\\")
            | VEHICLE.c.customer_id.in_(select(CUSTOMER.c.customer_id).where(CUSTOMER.c.folded.like(like, escape="\\")))
        )
        where = DAMPER.c.folded.like(like, escape="\\") | DAMPER.c.vehicle_key.in_(vehicles)
        statement = (
            select(*_DAMPER, VEHICLE.c.label, CUSTOMER.c.customer_id, CUSTOMER.c.name)
            .select_from(
                DAMPER.outerjoin(VEHICLE, DAMPER.c.vehicle_key == VEHICLE.c.vehicle_key).outerjoin(
                    CUSTOMER, VEHICLE.c.customer_id == CUSTOMER.c.customer_id
                )
            )
            .where(where)
            .order_by(DAMPER.c.row.desc())
        )
        found = self._page(statement, min(limit, LIST_LIMIT))
        width = len(_DAMPER)
        return tuple(Found(make_damper(one[:width]), *one[width:]) for one in found)

    def next_tag(self) -> str:
        """Return a tag of this bench's own that no damper has yet ('B1', 'B2', ...), for one without a serial."""
        rows = self._rows(select(DAMPER.c.tag).where(DAMPER.c.tag.like(f"{TAG_SIGN}%")))
        numbers = [int(tag[1:]) for (tag,) in rows if tag[1:].isascii() and tag[1:].isdigit() and len(tag) < 12]
        return f"{TAG_SIGN}{max(numbers, default=0) + 1}"

    def customer(self, customer_id: str) -> Customer | None:
        """Return a customer, None where there is none of that id."""
        row = self._first(select(*_CUSTOMER).where(CUSTOMER.c.customer_id == customer_id))
        return None if row is None else Customer(*row)

    def customers(self, text: str = "", limit: int = LIST_LIMIT) -> tuple[Customer, ...]:
        """Return customers by name, those whose name or contact holds the text."""
        statement: Select[Any] = select(*_CUSTOMER).order_by(CUSTOMER.c.folded, CUSTOMER.c.customer_id)
        if text.strip():
            statement = statement.where(CUSTOMER.c.folded.like(pattern(text), escape="\\"))
        return tuple(Customer(*one) for one in self._page(statement, limit))

    def vehicle(self, vehicle_key: str) -> Vehicle | None:
        """Return a vehicle, None where there is none of that key."""
        row = self._first(select(*_VEHICLE).where(VEHICLE.c.vehicle_key == vehicle_key))
        return None if row is None else Vehicle(*row)

    def find_vehicle(self, ledger_id: str) -> Vehicle | None:
        """Return the newest vehicle of a ledger, None where there is none."""
        statement = select(*_VEHICLE).where(VEHICLE.c.ledger_id == ledger_id).order_by(VEHICLE.c.row.desc())
        row = self._first(statement)
        return None if row is None else Vehicle(*row)

    def vehicles(self, customer_id: str | None = None) -> tuple[Vehicle, ...]:
        """Return vehicles by label, of one customer or of all."""
        statement: Select[Any] = select(*_VEHICLE).order_by(VEHICLE.c.folded, VEHICLE.c.vehicle_key)
        if customer_id is not None:
            statement = statement.where(VEHICLE.c.customer_id == customer_id)
        return tuple(Vehicle(*one) for one in self._rows(statement, LIST_LIMIT))

    def radio_vehicles(self) -> tuple[Vehicle, ...]:
        """Return the vehicles whose owner agreed to duty by radio."""
        where = VEHICLE.c.radio_agreed_by.is_not(None) & VEHICLE.c.vehicle_id.is_not(None)
        return tuple(Vehicle(*one) for one in self._rows(select(*_VEHICLE).where(where), LIST_LIMIT))

    def damper_count(self) -> int:
        """Return how many dampers are known."""
        return int(self._first(select(func.count()).select_from(DAMPER))[0])


def make_damper(row: Any) -> Damper:
    """Return a damper of its columns."""
    values = named(_DAMPER, row)
    return Damper(**{**values, "profile": load(values["profile"])})
