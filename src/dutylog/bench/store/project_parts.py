"""The catalogue and the stock out of entries."""

from __future__ import annotations

from sqlalchemy import Connection, insert, select, update

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.put import check_known, put
from dutylog.bench.store.tables import PART, STOCK
from dutylog.errors import InputError


def put_part(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on a part of the catalogue; a new one starts with none in stock."""
    data = entry.data
    if data["lead_days"] < 0 or data["least_count"] < 0:
        raise InputError(f"part {data['part_no']}: lead days and least count are 0 or more")
    names = ("part_no", "name", "need", "profile_name", "lead_days", "price_minor", "least_count", "is_gone")
    values = {key: data[key] for key in names}
    put(connection, PART, {**values, "row": entry.row})
    if connection.execute(select(STOCK.c.part_no).where(STOCK.c.part_no == data["part_no"])).first() is None:
        connection.execute(insert(STOCK), {"part_no": data["part_no"], "count": 0, "row": entry.row})


def change_stock(connection: Connection, entry: Entry) -> None:
    """Add to the stock of a part, or take from it; what is counted may be below what was told before, so may fall
    below 0.
    """
    part_no = entry.data["part_no"]
    check_known(connection, PART, part_no, "part")
    change = STOCK.c.count + entry.data["change"]
    connection.execute(update(STOCK).where(STOCK.c.part_no == part_no).values(count=change, row=entry.row))
