"""What damper totals hold of trips that weren't driven, and totals without it.

Sums: counted less the shares of those trips. Peaks: of the minute rows and trips that are left, unless the counted peak
is larger than any of those trips had. The revision rises by one with each repair that changes a unit's totals, and
never falls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from dutylog.duty.totals import SUMS, Totals
from dutylog.ledger.database import Database
from dutylog.ledger.kept_pieces import read_pieces
from dutylog.ledger.trip_peaks import PEAKS, PeakFinder, Peaks
from dutylog.ledger.trip_pieces import PieceSums
from dutylog.ledger.trip_repairs import read_repairs
from dutylog.ledger.trip_spans import Stretch


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What a damper did in one piece of a trip that doesn't count, and where that lies."""

    totals: Totals
    spans: tuple[Stretch, ...]


@dataclass(slots=True)
class Discount:
    """What doesn't count of one unit. totals: sums and largest peaks of all pieces."""

    totals: Totals = field(default_factory=Totals)
    pieces: list[LeftOut] = field(default_factory=list)


class Discounts:
    """Of all units of a ledger, at one moment."""

    def __init__(self, database: Database) -> None:
        self._database = database
        repairs = read_repairs(database)
        self._changes = repairs.changes
        self._by_unit: dict[str, Discount] = {}
        pieces = [piece for mark in repairs.marks for piece in mark.pieces]
        self._marked = frozenset(piece.number for piece in pieces)
        self._peaks: dict[str, Peaks] | None = None
        self._is_looked = False
        sums = read_pieces(database, pieces)
        for piece in pieces:
            if piece in sums:
                self._take(sums[piece])

    def revision(self, unit_id: str, counted: int) -> int:
        """Return the revision of a unit's totals: that of what was counted, and one for each repair of it since."""
        return counted + self._changes.get(unit_id, 0)

    def apply(self, unit_id: str, counted: Totals) -> Totals:
        """Return a unit's totals without what doesn't count; where peaks can't be had in time, those counted."""
        found = self._by_unit.get(unit_id)
        if found is None:
            return counted
        left = counted.copy()
        for name in SUMS:
            setattr(left, name, max(0, getattr(counted, name) - getattr(found.totals, name)))
        for place, name in enumerate(PEAKS):
            value, gone = getattr(counted, name), getattr(found.totals, name)
            if value is None or gone is None or value > gone:
                continue
            peaks = self._find_peaks()
            if peaks is None:
                break
            known = peaks[unit_id][place] if unit_id in peaks else None
            other = None if name == "peak_body_mc" else 0
            setattr(left, name, other if known is None else min(known, value))
        return left

    def sums(self) -> dict[str, Totals]:
        """Return what doesn't count of each unit that has such a trip."""
        return {unit_id: found.totals for unit_id, found in self._by_unit.items()}

    def pieces(self, unit_id: str) -> Sequence[LeftOut]:
        """Return what a unit did that doesn't count, piece by piece."""
        found = self._by_unit.get(unit_id)
        return () if found is None else found.pieces

    def _take(self, sums: PieceSums) -> None:
        gone: dict[str, Totals] = {}
        for damper in sums.dampers:
            gone.setdefault(damper.unit_id, Totals()).merge(damper.totals)
        for unit_id, totals in gone.items():
            found = self._by_unit.setdefault(unit_id, Discount())
            found.totals.merge(totals)
            found.pieces.append(LeftOut(totals, sums.stretches))

    def _find_peaks(self) -> dict[str, Peaks] | None:
        """Return the peaks that are left of all units; looked for once."""
        if not self._is_looked:
            self._is_looked = True
            spans = {
                unit_id: [span for piece in found.pieces for span in piece.spans]
                for unit_id, found in self._by_unit.items()
            }
            self._peaks = PeakFinder(self._database, spans, self._marked).find()
        return self._peaks
