"""What a piece of a trip holds: sums of its minute rows, so that all pieces of a trip add up to its own shares.

What lies behind a cut is the sum of the minute rows there, at most the trip's share; what lies before is the rest.
Rows and shares are read anew each time, so it stays true after a recount.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.minutes import TILES
from dutylog.engine.output import MinuteRow, TripDamper
from dutylog.ledger.database import Database
from dutylog.ledger.rows import Trip
from dutylog.ledger.trip_spans import Stretch, find_stretches
from dutylog.ledger.trips import read_minutes

_PEAKS = ("peak_compression_umps", "peak_rebound_umps", "peak_body_mc")


class Place(NamedTuple):
    """A border between two minute rows: the later one's epoch and number."""

    epoch: int
    minute: int


class Piece(NamedTuple):
    """One trip of the engine from a place to another; None: from its begin, to its end."""

    number: int
    begin: Place | None
    end: Place | None

    def holds(self, other: Piece) -> bool:
        """Return whether another piece lies within this one."""
        begins = self.begin is None or (other.begin is not None and other.begin >= self.begin)
        ends = self.end is None or (other.end is not None and other.end <= self.end)
        return self.number == other.number and begins and ends


@dataclass(frozen=True, slots=True)
class PieceSums:
    """Where a piece lies, and what was done in it; fields as in TripRow. duration_ns: pauses included."""

    stretches: tuple[Stretch, ...]
    duration_ns: int
    moving_us: int
    distance_m: float | None
    dampers: tuple[TripDamper, ...]


class TripPieces:
    """One trip of the engine, to be read in pieces."""

    def __init__(self, database: Database, trip: Trip) -> None:
        self._trip = trip
        self.stretches = find_stretches(database, trip.row)
        self._database = database
        self._rows: list[tuple[MinuteRow, Stretch]] | None = None

    def sums(self, piece: Piece) -> PieceSums:
        """Return what a piece holds; the whole trip as it is stored."""
        row = self._trip.row
        stretches = self._between(piece)
        if piece.begin is None and piece.end is None:
            whole_ns = row.end_ns - row.start_ns
            return PieceSums(self.stretches, whole_ns, row.moving_us, row.distance_m, row.dampers)
        dampers = tuple(self._share(damper, piece) for damper in row.dampers)
        there = tuple(one for one in dampers if one is not None)
        moving_us = row.moving_us if piece.begin is None else self._moving_us(piece.begin)
        moving_us -= self._moving_us(piece.end)
        distance_m = None
        if row.distance_m is not None:
            behind_m = self._distance_m(row.distance_m, piece.end)
            distance_m = row.distance_m - behind_m
            if piece.begin is not None:
                distance_m = self._distance_m(row.distance_m, piece.begin) - behind_m
        return PieceSums(stretches, self._lasts_ns(piece), moving_us, distance_m, there)

    def places(self, epoch: int | None = None) -> list[tuple[Place, int]]:
        """Return every border within the trip with its instant on its epoch's clock; of one epoch, where given."""
        first = self.stretches[0]
        found = {
            Place(row.epoch, row.minute): row.start_ns
            for row, _ in self._minutes()
            if (row.epoch, row.start_ns) > (first.epoch, first.start_ns) and epoch in (None, row.epoch)
        }
        return sorted(found.items())

    def _minutes(self) -> list[tuple[MinuteRow, Stretch]]:
        """Return the rows of its dampers that overlap it, each with the stretch it lies in."""
        if self._rows is None:
            # Of several units, because a row of one that came on the way may be lacking before.
            units = dict.fromkeys(damper.unit_id for damper in self._trip.row.dampers)
            self._rows = [
                (minute.row, one)
                for one in self.stretches
                for unit_id in units
                for minute in read_minutes(self._database, unit_id, one.epoch, one.start_ns, one.end_ns)
            ]
        return self._rows

    def _behind(self, place: Place | None) -> Iterable[tuple[MinuteRow, Stretch]]:
        """Yield the rows behind a place: none behind the trip's end, which None stands for."""
        if place is None:
            return
        for row, stretch in self._minutes():
            if (row.epoch, row.minute) >= place:
                yield row, stretch

    def _share(self, damper: TripDamper, piece: Piece) -> TripDamper | None:
        """Return a damper's share of a piece, None where it wasn't there."""
        all_of, none_of = damper.totals, Totals()
        start = all_of if piece.begin is None else self._tail(damper, piece.begin)
        gained = start.since(none_of if piece.end is None else self._tail(damper, piece.end))
        own = [row.totals for row, _ in self._minutes() if _is_of(row, damper) and _is_in(row, piece)]
        if not own and not any(getattr(gained, name) for name in SUMS):
            return None
        for name in _PEAKS:
            seen = [value for totals in own if (value := getattr(totals, name)) is not None]
            most = max(seen, default=None)
            limit = getattr(all_of, name)
            known = None if most is None or limit is None else min(most, limit)
            setattr(gained, name, known if known is not None or name == "peak_body_mc" else 0)
        return replace(damper, totals=gained)

    def _tail(self, damper: TripDamper, place: Place) -> Totals:
        """Return the sums behind a place, at most the trip's own."""
        found = Totals()
        for row, stretch in self._behind(place):
            if _is_of(row, damper):
                found.merge(_cut_time(row, stretch))
        for name in SUMS:
            setattr(found, name, min(getattr(found, name), getattr(damper.totals, name)))
        return found

    def _moving_us(self, place: Place | None) -> int:
        """Return the vehicle's time in motion behind a place."""
        by_minute: dict[tuple[int, int], int] = {}
        for row, _ in self._behind(place):
            key = row.epoch, row.minute
            by_minute[key] = max(by_minute.get(key, 0), row.totals.moving_us)
        return min(sum(by_minute.values()), self._trip.row.moving_us)

    def _distance_m(self, whole_m: float, place: Place | None) -> float:
        by_minute = {
            (row.epoch, row.minute): max(0.0, row.speed_mean_mps) * row.duration_us * 1e-6
            for row, _ in self._behind(place)
            if row.speed_mean_mps is not None
        }
        return min(sum(by_minute.values()), whole_m)

    def _between(self, piece: Piece) -> tuple[Stretch, ...]:
        found = []
        starts = dict(self.places()) if piece.begin or piece.end else {}
        for one in self.stretches:
            if piece.begin is not None and one.epoch < piece.begin.epoch:
                continue
            if piece.end is not None and one.epoch > piece.end.epoch:
                continue
            cut = one
            if piece.begin is not None and one.epoch == piece.begin.epoch:
                start_ns = starts.get(piece.begin, one.start_ns)
                if start_ns > one.start_ns:
                    after_ns = one.after_ns + start_ns - one.start_ns
                    cut = replace(cut, start_tile=piece.begin.minute * TILES, start_ns=start_ns, after_ns=after_ns)
            if piece.end is not None and one.epoch == piece.end.epoch:
                cut = replace(cut, end_ns=min(cut.end_ns, starts.get(piece.end, one.end_ns)))
            if cut.end_ns > cut.start_ns:
                found.append(cut)
        return tuple(found) or self.stretches[-1:]

    def _lasts_ns(self, piece: Piece) -> int:
        """Return how long a piece lasts from its begin to the next one's."""
        row = self._trip.row
        begin_ns = 0 if piece.begin is None else self._since_begin_ns(piece.begin)
        end_ns = row.end_ns - row.start_ns if piece.end is None else self._since_begin_ns(piece.end)
        return max(0, end_ns - begin_ns)

    def _since_begin_ns(self, place: Place) -> int:
        at_ns = dict(self.places()).get(place)
        one = next((s for s in self.stretches if s.epoch == place.epoch), None)
        return 0 if at_ns is None or one is None else one.after_ns + at_ns - one.start_ns


def _is_of(row: MinuteRow, damper: TripDamper) -> bool:
    return (row.unit_id, row.position) == (damper.unit_id, damper.position)


def _is_in(row: MinuteRow, piece: Piece) -> bool:
    place = Place(row.epoch, row.minute)
    return (piece.begin is None or place >= piece.begin) and (piece.end is None or place < piece.end)


def _cut_time(row: MinuteRow, stretch: Stretch) -> Totals:
    """Return a row's totals; where it reaches behind the trip's end, its time only up to there."""
    over_ns = row.start_ns + row.duration_us * 1000 - stretch.end_ns
    if over_ns <= 0 or not row.duration_us:
        return row.totals
    totals, ratio = row.totals.copy(), max(0.0, 1.0 - over_ns / (row.duration_us * 1000))
    totals.measured_us, totals.unmeasured_us = round(totals.measured_us * ratio), round(totals.unmeasured_us * ratio)
    return totals
