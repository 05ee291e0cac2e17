"""What a damper did, minute by minute, as plain figures for whoever works out its wear."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from dutylog.ledger.database import Database
from dutylog.ledger.trip_discounts import Discounts
from dutylog.ledger.trip_spans import Stretch

PAGE = 10_000
"""Rows asked for at once: a damper of years has a hundred thousand."""
_UTC = "coalesce(minute.utc_ns, epoch.utc_ns + (minute.start_ns - epoch.mono_ns))"


class UseRow(NamedTuple):
    """One 60-second row. utc_ns: when it began, None where nobody knows; the rest as in MinuteRow.

    is_driven: False in a trip whose duty doesn't count. Such a row has only its time: so that what people told, which
    stands at a place in a damper's running time, stays where it was.
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
    spans: dict[int, list[Stretch]] = {}
    for one in Discounts(database).spans(unit_id):
        spans.setdefault(one.epoch, []).append(one)
    rows = sorted((UseRow(*row[1:]) for row in found), key=lambda row: (row.epoch, row.start_ns))
    return [_leave_out(row) if _is_in(row, spans.get(row.epoch, ())) else row for row in rows] if spans else rows


def _is_in(row: UseRow, spans: Sequence[Stretch]) -> bool:
    end_ns = row.start_ns + row.duration_us * 1000
    return any(row.start_ns < one.end_ns and end_ns > one.start_ns for one in spans)


def _leave_out(row: UseRow) -> UseRow:
    """Return a row with nothing but its time."""
    return row._replace(
        energy_uj=0,
        strokes_count=0,
        shaft_travel_um=0,
        moving_us=0,
        moving_measured_us=0,
        body_mean_c=None,
        speed_mean_mps=None,
        is_driven=False,
    )


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
