"""Questions about what is due, the stock and the catalogue."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from sqlalchemy import func, select

from dutylog.bench.store.asking import Asking, load, load_object
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.queries_bench import ENTRY_COLUMNS, make_read_entry
from dutylog.bench.store.rows import DueRow, StockRow
from dutylog.bench.store.tables import CUSTOMER, DAMPER, DUE, ENTRY, PART, SERVICE, STOCK, VEHICLE

_DUE_WITH_OWNER = (
    DUE.join(DAMPER, DUE.c.damper_id == DAMPER.c.damper_id)
    .outerjoin(VEHICLE, DAMPER.c.vehicle_key == VEHICLE.c.vehicle_key)
    .outerjoin(CUSTOMER, VEHICLE.c.customer_id == CUSTOMER.c.customer_id)
)
_OF = {
    "serial": DAMPER.c.serial,
    "tag": DAMPER.c.tag,
    "unit_id": DAMPER.c.unit_id,
    "position": DAMPER.c.position,
    "profile_name": DAMPER.c.profile_name,
    "construction": DAMPER.c.construction,
    "reservoir": DAMPER.c.reservoir,
    "joints": DAMPER.c.joints,
    "vehicle_key": DAMPER.c.vehicle_key,
    "vehicle_label": VEHICLE.c.label,
    "customer_id": CUSTOMER.c.customer_id,
    "customer_name": CUSTOMER.c.name,
}
_DUE: list[Any] = [
    *(
        DUE.c[name]
        for name in ("damper_id", "part", "early", "likely", "late", "order_by", "used_ratio", "day", "basis")
    ),
    *_OF.values(),
]
_STOCK: list[Any] = [STOCK.c.count if one.name == "count" else PART.c[one.name] for one in fields(StockRow)]


class DueQueries(Asking):
    """What is due, what is in stock."""

    def due_rows(self, until_day: str) -> tuple[DueRow, ...]:
        """Return the parts of all dampers of which any day (early, likely, late, order by) is not after a day.

        until_day: ISO date. In order of their earliest day.
        """
        statement = select(*_DUE).select_from(_DUE_WITH_OWNER).where(DUE.c.first_day <= until_day)
        found = self._rows(statement.order_by(DUE.c.first_day, DUE.c.damper_id, DUE.c.part))
        return tuple(DueRow(*one) for one in found)

    def due_of(self, damper_id: str) -> tuple[DueRow, ...]:
        """Return the forecasts of one damper, by part."""
        statement = select(*_DUE).select_from(_DUE_WITH_OWNER).where(DUE.c.damper_id == damper_id)
        return tuple(DueRow(*one) for one in self._rows(statement.order_by(DUE.c.part)))

    def renewed_since(self, rows: Iterable[DueRow]) -> Mapping[str, frozenset[str]]:
        """Return parts that this bench replaced since their forecast, by damper.

        rows: forecasts, as `due_rows` has them.
        """
        made = {one.damper_id: one.day for one in rows}
        if not made:
            return {}
        # By the oldest forecast alone: joined with the forecasts, every service of every damper would be looked at.
        where = (SERVICE.c.source == "bench") & (SERVICE.c.day >= min(made.values()))
        found: dict[str, frozenset[str]] = {}
        for damper_id, day, replaced in self._rows(
            select(SERVICE.c.damper_id, SERVICE.c.day, SERVICE.c.replaced).where(where)
        ):
            if damper_id in made and day >= made[damper_id]:
                found[damper_id] = found.get(damper_id, frozenset()) | frozenset(load(replaced))
        return found

    def profiles(self) -> Mapping[str, Mapping[str, Any]]:
        """Return the profiles of all dampers by their name, each as it came with the damper that was told of last."""
        has = DAMPER.c.profile.is_not(None) & DAMPER.c.profile_name.is_not(None)
        newest = select(func.max(DAMPER.c.row)).where(has).group_by(DAMPER.c.profile_name)
        found = self._rows(select(DAMPER.c.profile_name, DAMPER.c.profile).where(DAMPER.c.row.in_(newest)))
        return {name: load_object(text) for name, text in found}

    def stock_rows(self, is_gone_too: bool = False) -> tuple[StockRow, ...]:
        """Return the catalogue with what is there, by number."""
        statement = select(*_STOCK).select_from(PART.join(STOCK, PART.c.part_no == STOCK.c.part_no))
        if not is_gone_too:
            statement = statement.where(PART.c.is_gone.is_(False))
        return tuple(StockRow(*one) for one in self._rows(statement.order_by(PART.c.part_no)))

    def stock_row(self, part_no: str) -> StockRow | None:
        """Return one part of the catalogue, None where there is none of that number."""
        statement = select(*_STOCK).select_from(PART.join(STOCK, PART.c.part_no == STOCK.c.part_no))
        row = self._first(statement.where(PART.c.part_no == part_no))
        return None if row is None else StockRow(*row)

    def stock_changes_since(self, row: int) -> tuple[Entry, ...]:
        """Return all changes of the stock behind an entry of the chain, the oldest first."""
        of_stock = select(*ENTRY_COLUMNS).where(ENTRY.c.kind == "stock_change", ENTRY.c.row > row)
        return tuple(make_read_entry(one) for one in self._rows(of_stock.order_by(ENTRY.c.row)))

    def stock_changes(self, limit: int = 100) -> tuple[Entry, ...]:
        """Return the newest changes of the stock, the newest first."""
        statement = select(*ENTRY_COLUMNS).where(ENTRY.c.kind == "stock_change").order_by(ENTRY.c.row.desc())
        return tuple(make_read_entry(one) for one in self._page(statement, limit))
