"""What damper totals hold of trips that weren't driven, and totals without it.

Sums: counted less the shares of those trips. Peaks: of the minute rows that are left, unless the counted peak is larger
than any of those trips had. The revision rises by one with each repair that changes a unit's totals, and never falls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from dutylog.duty.totals import SUMS, Totals
from dutylog.errors import LedgerError
from dutylog.ledger.database import Database
from dutylog.ledger.trip_pieces import TripPieces
from dutylog.ledger.trip_repairs import Mark, read_repairs
from dutylog.ledger.trip_spans import Stretch
from dutylog.ledger.trips import read_trip

PEAKS = ("peak_compression_umps", "peak_rebound_umps", "peak_body_mc")
KEPT_LIMIT = 256
OVERLAP_ROWS = 500
"""Newest rows that are looked at again: they may have been written anew since. Source: judgement."""


@dataclass(slots=True)
class Discount:
    """What doesn't count of one unit. totals: sums and largest peaks of it. spans: where its rows lie."""

    totals: Totals = field(default_factory=Totals)
    spans: list[Stretch] = field(default_factory=list)


class Discounts:
    """Of all units of a ledger, at one moment."""

    def __init__(self, database: Database) -> None:
        self._database = database
        repairs = read_repairs(database)
        self._changes = repairs.changes
        self._by_unit: dict[str, Discount] = {}
        for mark in repairs.marks:
            self._take(mark)

    def revision(self, unit_id: str, counted: int) -> int:
        """Return the revision of a unit's totals: that of what was counted, and one for each repair of it since."""
        return counted + self._changes.get(unit_id, 0)

    def apply(self, unit_id: str, counted: Totals) -> Totals:
        """Return a unit's totals without what doesn't count."""
        found = self._by_unit.get(unit_id)
        if found is None:
            return counted
        left = counted.copy()
        for name in SUMS:
            setattr(left, name, max(0, getattr(counted, name) - getattr(found.totals, name)))
        peaks: Peaks | None = None
        for place, name in enumerate(PEAKS):
            value, gone = getattr(counted, name), getattr(found.totals, name)
            if value is None or gone is None or value > gone:
                continue
            if peaks is None:
                peaks = _read_peaks(self._database, unit_id, found.spans)
            known = peaks[place]
            setattr(left, name, known if known is not None or name == "peak_body_mc" else 0)
        return left

    def sums(self) -> dict[str, Totals]:
        """Return what doesn't count of each unit that has such a trip."""
        return {unit_id: found.totals for unit_id, found in self._by_unit.items()}

    def spans(self, unit_id: str) -> Sequence[Stretch]:
        """Return where the rows of a unit lie that don't count."""
        found = self._by_unit.get(unit_id)
        return () if found is None else found.spans

    def _take(self, mark: Mark) -> None:
        for piece in mark.pieces:
            try:
                trip = read_trip(self._database, piece.number)
            except LedgerError:
                continue  # a ledger put back from a copy may lack it
            sums = TripPieces(self._database, trip).sums(piece)
            for damper in sums.dampers:
                found = self._by_unit.setdefault(damper.unit_id, Discount())
                found.totals.merge(damper.totals)
            for unit_id in {damper.unit_id for damper in sums.dampers}:
                self._by_unit[unit_id].spans += sums.stretches


Peaks = tuple[int | None, ...]
_kept: dict[tuple[object, ...], tuple[int, Peaks]] = {}
"""Peaks found before, by file, unit and spans: rows up to a key, and the peaks of those. Years of rows are many."""


def _read_peaks(database: Database, unit_id: str, spans: Sequence[Stretch]) -> Peaks:
    """Return the peaks of a unit's minute rows outside of some spans, as PEAKS."""
    row = database.row(
        "SELECT unit_key, revision, (SELECT coalesce(max(minute_key), 0) FROM minute) FROM hot JOIN unit "
        "USING (unit_key) WHERE unit_id = ?",
        (unit_id,),
    )
    if row is None:
        return (None,) * len(PEAKS)
    unit_key, revision, newest = row
    key = (*_file_of(database), unit_id, revision, tuple((one.epoch, one.start_ns, one.end_ns) for one in spans))
    after, known = _kept.get(key, (0, (None,) * len(PEAKS)))
    until = max(after, newest - OVERLAP_ROWS)
    if until > after:
        known = _join(known, _query(database, unit_key, after, until, spans))
        if len(_kept) >= KEPT_LIMIT:
            _kept.clear()
        _kept[key] = until, known
    return _join(known, _query(database, unit_key, until, newest, spans))


def _query(database: Database, unit_key: int, after: int, until: int, spans: Sequence[Stretch]) -> Peaks:
    """Return the peaks of rows whose key lies behind `after`, up to `until`."""
    outside = " AND NOT (epoch = ? AND start_ns < ? AND start_ns + duration_us * 1000 > ?)" * len(spans)
    # The sign keeps the index of units out where few rows are asked for.
    unit = "+unit_key" if after else "unit_key"
    values = [value for one in spans for value in (one.epoch, one.end_ns, one.start_ns)]
    found = database.row(
        f"SELECT {', '.join(f'max({name})' for name in PEAKS)} FROM minute "
        f"WHERE {unit} = ? AND minute_key > ? AND minute_key <= ?{outside}",
        (unit_key, after, until, *values),
    )
    return found or (None,) * len(PEAKS)


def _join(first: Peaks, second: Peaks) -> Peaks:
    return tuple(_larger(one, other) for one, other in zip(first, second, strict=True))


def _file_of(database: Database) -> tuple[object, ...]:
    """Return what tells this file from one that came to its place later."""
    try:
        status = database.path.stat()
    except OSError:
        return (str(database.path),)
    return str(database.path.absolute()), status.st_dev, status.st_ino


def _larger(first: int | None, second: int | None) -> int | None:
    if first is None or second is None:
        return second if first is None else first
    return max(first, second)
