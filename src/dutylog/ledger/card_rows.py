"""What a duty card needs of the ledger's tables: the chain, one unit's entries, its trips and its alerts."""

from __future__ import annotations

from collections.abc import Sequence

from dutylog.ledger.alerts import read_newest
from dutylog.ledger.chain import COLUMNS, read_entry
from dutylog.ledger.database import ROW_LIMIT
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry, StoredAlert

ALERTS_AT_ONCE = 200
MINUTE_NS = 60_000_000_000


def read_hashes(ledger: Ledger, last_row: int) -> list[bytes]:
    """Return the hashes of entries 1 to `last_row`, in order."""
    found: list[bytes] = []
    while len(found) < last_row:
        page = ledger.database.rows(
            "SELECT hash FROM entry WHERE row > ? AND row <= ? ORDER BY row LIMIT ?",
            (len(found), last_row, ROW_LIMIT),
        )
        if not page:
            break
        found += [bytes(row[0]) for row in page]
    return found


def read_entries_of_unit(ledger: Ledger, unit_id: str, last_row: int) -> list[Entry]:
    """Return all entries of a unit up to a row, oldest first."""
    rows = ledger.database.rows(
        f"SELECT {COLUMNS} FROM entry WHERE unit_id = ? AND row <= ? ORDER BY row", (unit_id, last_row)
    )
    return [read_entry(row) for row in rows]


def read_trip_numbers(ledger: Ledger, unit_id: str, limit: int) -> list[int]:
    """Return the engine's numbers of the newest trips a unit was on, the newest first."""
    rows = ledger.database.rows(
        "SELECT DISTINCT trip FROM trip_damper JOIN unit USING (unit_key) WHERE unit_id = ? ORDER BY trip DESC LIMIT ?",
        (unit_id, limit),
    )
    return [int(row[0]) for row in rows]


def read_alerts_of_unit(ledger: Ledger, unit_id: str, limit: int) -> list[StoredAlert]:
    """Return the newest alerts that were raised for a unit where it sat then, the newest first.

    An alert names a position: it is the unit's that has minutes there next to it, else the one that sat there by the
    wall clock.
    """
    places = _Places(ledger, unit_id)
    found: list[StoredAlert] = []
    before: int | None = None
    while len(found) < limit:
        page = read_newest(ledger.database, ALERTS_AT_ONCE, before)
        found += [one for one in page if places.is_there(one)]
        if len(page) < ALERTS_AT_ONCE:
            break
        before = page[-1].number
    return found[:limit]


class _Places:
    """Who sat where when."""

    def __init__(self, ledger: Ledger, unit_id: str) -> None:
        self._ledger, self._unit_id = ledger, unit_id
        self._stays = {unit.unit_id: ledger.installs_of(unit.unit_id) for unit in ledger.units()}
        self._positions = {stay.position for stay in self._stays.get(unit_id, ())}
        self._known: dict[tuple[int, str], list[str]] = {}

    def is_there(self, alert: StoredAlert) -> bool:
        """Return whether an alert is our unit's."""
        position, raised = alert.row.position, alert.row.raised
        if position is None or position not in self._positions:
            return False
        sat = self._in_epoch(raised[0], position)
        near = sat[0] if len(sat) == 1 else self._nearest(sat, position, raised)
        return near == self._unit_id if near is not None else self._by_clock(alert, position)

    def _in_epoch(self, epoch: int, position: str) -> list[str]:
        """Return the units that sat at a position in an epoch; who ever sat there where only one unit did."""
        key = epoch, position
        if key not in self._known:
            ever = [one for one, stays in self._stays.items() if any(stay.position == position for stay in stays)]
            self._known[key] = ever if len(ever) == 1 else [one for one in ever if self._has_row(one, *key)]
        return self._known[key]

    def _has_row(self, unit_id: str, epoch: int, position: str) -> bool:
        row = self._ledger.database.row(
            "SELECT 1 FROM minute JOIN unit USING (unit_key) WHERE unit_id = ? AND epoch = ? AND position = ? LIMIT 1",
            (unit_id, epoch, position),
        )
        return row is not None

    def _nearest(self, sat: Sequence[str], position: str, raised: tuple[int, int]) -> str | None:
        """Return the unit whose minutes there lie next to an instant, those before it first; None without any."""
        epoch, at_ns = raised
        before, after = [], []
        for one in sat:
            row = self._ledger.database.row(
                "SELECT max(CASE WHEN start_ns <= ? THEN start_ns END), min(CASE WHEN start_ns > ? THEN start_ns END) "
                "FROM minute JOIN unit USING (unit_key) WHERE unit_id = ? AND epoch = ? AND position = ?",
                (at_ns, at_ns, one, epoch, position),
            )
            if row is not None and row[0] is not None:
                before.append((at_ns - int(row[0]), one))
            if row is not None and row[1] is not None:
                after.append((int(row[1]) - at_ns, one))
        if not before and not after:
            return None
        last, first = min(before, default=None), min(after, default=None)
        # A row reaches a minute on; behind its end the one that comes next is as good.
        if last is not None and (first is None or last[0] <= MINUTE_NS or last[0] <= first[0]):
            return last[1]
        return None if first is None else first[1]

    def _by_clock(self, alert: StoredAlert, position: str) -> bool:
        if alert.raised_at is None:
            return False
        at_ns = alert.raised_at.utc_ns
        return any(
            stay.position == position
            and stay.from_utc_ns <= at_ns
            and (stay.to_utc_ns is None or at_ns < stay.to_utc_ns)
            for stay in self._stays[self._unit_id]
        )
