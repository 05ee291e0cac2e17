"""Two dampers that turned out to be one, out of entries."""

from __future__ import annotations

from sqlalchemy import Connection, delete, func, select, update

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.put import check_known
from dutylog.bench.store.tables import CARD, DAMPER, DUE, JOB, PART_LOOK, RADIO, RECORD, SERVICE
from dutylog.errors import InputError

BEFORE = "before"
"""Source of services that the vehicle of a damper told of that was joined to another one."""
_MOVED = (CARD, JOB, RECORD, PART_LOOK)
_DROPPED = (DUE, RADIO)
"""What is only of the place where the damper was: its new place tells anew."""


def join_damper(connection: Connection, entry: Entry) -> None:
    """Make all of another damper's history this one's; the other one is there no more.

    Raises:
        InputError: the other one isn't known, or is this one.
    """
    other = entry.data["other_id"]
    check_known(connection, DAMPER, other, "damper")
    if other == entry.damper_id:
        raise InputError("entry damper_joined: a damper can't be joined to itself")
    for table in _MOVED:
        connection.execute(update(table).where(table.c.damper_id == other).values(damper_id=entry.damper_id))
    _move_services(connection, other, str(entry.damper_id))
    for table in _DROPPED:
        connection.execute(delete(table).where(table.c.damper_id == other))
    connection.execute(delete(DAMPER).where(DAMPER.c.damper_id == other))


def _move_services(connection: Connection, other: str, damper_id: str) -> None:
    """Move services: those done here as they are, those told by a vehicle behind the ones that were moved before."""
    of_other = SERVICE.c.damper_id == other
    ours = of_other & (SERVICE.c.source == "bench")
    connection.execute(update(SERVICE).where(ours).values(damper_id=damper_id))
    moved = (SERVICE.c.damper_id == damper_id) & (SERVICE.c.source == BEFORE)
    last = connection.execute(select(func.coalesce(func.max(SERVICE.c.number), 0)).where(moved)).scalar_one()
    told = select(SERVICE.c.source, SERVICE.c.number).where(of_other).order_by(SERVICE.c.source, SERVICE.c.number)
    for number, (source, before) in enumerate(connection.execute(told).all(), start=int(last) + 1):
        one = of_other & (SERVICE.c.source == source) & (SERVICE.c.number == before)
        connection.execute(update(SERVICE).where(one).values(damper_id=damper_id, source=BEFORE, number=number))
