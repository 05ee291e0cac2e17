"""What a damper did, minute by minute, as plain figures for whoever works out its wear."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from dutylog.ledger.database import Database
from dutylog.ledger.row_shares import TripTime, Within, measure_within, share_out
from dutylog.ledger.trip_discounts import Discounts, LeftOut
from dutylog.ledger.trip_spans import Stretch

PAGE = 10_000
"""Rows asked for at once: a damper of years has a hundred thousand."""
_COUNTED = ("energy_uj", "strokes_count", "shaft_travel_um", "moving_us", "moving_measured_us")
"""What a trip that doesn't count takes out of its rows."""
_UTC = "coalesce(minute.utc_ns, epoch.utc_ns + (minute.start_ns - epoch.mono_ns))"


class UseRow(NamedTuple):
    """One 60-second row. utc_ns: when it began, None where nobody knows; the rest as in MinuteRow.

    is_driven: False where nothing is left, as in a trip whose duty doesn't count. Such a row has only its time: so that
    what people told, which stands at a place in a damper's running time, stays where it was. A row that holds the
    begin of another trip, too, has what is left of it.
    """

    epoch: int
    start_ns: int
    duration_us: int
    utc_ns: int | None
    energy_uj: int
    strokes_count: int
    shaft_travel_um: int
    measured_us: int
    unmeasured_us: int
    moving_us: int
    moving_measured_us: int
    body_mean_c: float | None
    ambient_mean_c: float | None
    speed_mean_mps: float | None
    position: str
    is_driven: bool = True


def read_use_rows(database: Database, unit_id: str) -> list[UseRow]:
    """Return all rows of a damper in the order of the log. See Ledger.use_rows."""
    found: list[tuple[Any, ...]] = []
    while True:
        page = database.rows(
            f"SELECT minute_key, epoch, minute.start_ns, duration_us, {_UTC}, "
            "energy_compression_uj + energy_rebound_uj, "
            "strokes_count, shaft_travel_um, measured_us, unmeasured_us, moving_us, moving_measured_us, body_mean_c, "
            "ambient_mean_c, speed_mean_mps, minute.position "
            "FROM minute JOIN unit USING (unit_key) LEFT JOIN epoch USING (epoch) "
            "WHERE unit_id = ? AND minute_key > ? ORDER BY minute_key LIMIT ?",
            (unit_id, found[-1][0] if found else -1, PAGE),
        )
        found += page
        if len(page) < PAGE:
            break
    rows = sorted((UseRow(*row[1:]) for row in found), key=_place_of)
    left_out = _LeftOut(database, rows)
    for piece in Discounts(database).pieces(unit_id):
        left_out.take(piece)
    return left_out.rows()


class _LeftOut:
    """Takes out of a damper's rows what doesn't count. rows: in the order of the log."""

    def __init__(self, database: Database, rows: Sequence[UseRow]) -> None:
        self._trip_time, self._rows = TripTime(database), rows
        self._places = [_place_of(row) for row in rows]
        self._longest_ns = max((row.duration_us for row in rows), default=0) * 1000
        self._left: dict[int, dict[str, int]] = {}
        self._short: list[tuple[int, str, int]] = []

    def take(self, piece: LeftOut) -> None:
        """Take out one piece of a trip: of rows that reach beyond it only what belongs to it."""
        numbers, within = self._rows_in(piece.spans)
        for name in _COUNTED:
            values = [self._value(number, name) for number in numbers]
            total = getattr(piece.totals, name)
            shares = share_out(total, values, within)
            for number, value, share in zip(numbers, values, shares, strict=True):
                self._left.setdefault(number, {})[name] = value - share
            stored = sum(getattr(self._rows[number], name) for number in numbers)
            if (lacking := min(total, stored) - sum(shares)) > 0:
                self._short.append((numbers[-1], name, lacking))

    def rows(self) -> list[UseRow]:
        """Return all rows in their places; what is left of one keeps all its time."""
        for number, name, lacking in self._short:
            self._take_near(number, name, lacking)
        found = list(self._rows)
        for number, left in self._left.items():
            found[number] = _leave(found[number], left)
        return found

    def _take_near(self, number: int, name: str, lacking: int) -> None:
        """Take what another such piece took of a row they share from the rows where that one left it."""
        for near in sorted(self._left, key=lambda one: abs(one - number)):
            left = self._left[near]
            taken = min(left[name], lacking)
            left[name], lacking = left[name] - taken, lacking - taken
            if not lacking:
                return

    def _value(self, number: int, name: str) -> int:
        left = self._left.get(number, {})
        return left[name] if name in left else int(getattr(self._rows[number], name))

    def _rows_in(self, spans: Sequence[Stretch]) -> tuple[list[int], list[Within]]:
        found: dict[int, Within] = {}
        for one in spans:
            first = bisect_left(self._places, (one.epoch, one.start_ns - self._longest_ns))
            for number in range(first, bisect_left(self._places, (one.epoch, one.end_ns))):
                row = self._rows[number]
                within = measure_within(row.start_ns, row.duration_us, one.start_ns, one.end_ns)
                if within.inside > 0:
                    found[number] = self._trip_time.measure(row.epoch, row.start_ns, within)
        return list(found), list(found.values())


def _place_of(row: UseRow) -> tuple[int, int]:
    return row.epoch, row.start_ns


def _leave(row: UseRow, left: Mapping[str, Any]) -> UseRow:
    """Return a row with what is left in it, its speed less by the time in motion taken; if nothing, only its time."""
    if not any(left.values()):
        return row._replace(**left, body_mean_c=None, speed_mean_mps=None, is_driven=False)
    ratio = left["moving_us"] / row.moving_us if row.moving_us else 1.0
    speed_mps = None if row.speed_mean_mps is None else row.speed_mean_mps * ratio
    return row._replace(**left, speed_mean_mps=speed_mps)


def read_running_us(database: Database, unit_id: str, utc_ns: int) -> int | None:
    """Return the running time before a wall time. See Ledger.running_us_before.

    Everything before the first row, in the order of the log, that a clock somebody vouched for puts at or behind that
    time; only where no row has such a clock the others are asked.
    """
    for trusted in ("(minute.utc_ns IS NOT NULL OR epoch.utc_trusted = 1)", "1"):
        row = database.row(
            "WITH mine AS (SELECT epoch, minute.start_ns AS start_ns, measured_us + unmeasured_us AS us, "
            f"{_UTC} AS utc, {trusted} AS is_known "
            "FROM minute JOIN unit USING (unit_key) LEFT JOIN epoch USING (epoch) "
            "WHERE unit_id = ?), first AS (SELECT epoch, start_ns FROM mine WHERE is_known AND utc >= ? "
            "ORDER BY epoch, start_ns LIMIT 1) SELECT (SELECT coalesce(sum(us), 0) FROM mine, first WHERE "
            "(mine.epoch, mine.start_ns) < (first.epoch, first.start_ns)), (SELECT count(*) FROM first), "
            "(SELECT count(*) FROM mine WHERE is_known)",
            (unit_id, utc_ns),
        )
        if row is not None and row[2]:
            return int(row[0]) if row[1] else None
    return None
