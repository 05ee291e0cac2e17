"""What a piece of a trip holds: sums of its minute rows, so that all pieces of a trip add up to its own shares.

What lies behind a cut is the sum of the minute rows there, at most the trip's share; what lies before is the rest. Of a
row that reaches beyond the trip's begin or end, where another trip may lie, only what belongs to it counts.
Rows and shares are read anew each time, so it stays true after a recount.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.minutes import TILES
from dutylog.engine.output import MinuteRow, TripDamper
from dutylog.ledger.database import Database
from dutylog.ledger.row_shares import TripTime, Within, measure_within, share_out
from dutylog.ledger.rows import Trip
from dutylog.ledger.trip_spans import Stretch, find_stretches
from dutylog.ledger.trips import read_minutes

_TIMES = ("measured_us", "unmeasured_us")
"""Sums that go on where nothing is done."""
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


class _Held(NamedTuple):
    """A minute row that overlaps a trip: how much of its time lies there, and how much of what was done in it."""

    place: Place
    row: MinuteRow
    time: Within
    duty: Within


class TripPieces:
    """One trip of the engine, to be read in pieces. What is asked for more than once is read once."""

    def __init__(self, database: Database, trip: Trip) -> None:
        self._trip = trip
        self.stretches = find_stretches(database, trip.row)
        self._database = database
        self._rows: list[_Held] | None = None
        self._places: dict[Place, int] | None = None
        self._taken: dict[int, list[tuple[Place, Totals]]] = {}
        self._is_settled: bool | None = None

    @property
    def is_settled(self) -> bool:
        """Return whether its last minute row is stored: with a short grace time a trip ends before its row does."""
        if self._is_settled is None:
            newest = self._database.row(
                "SELECT epoch, start_ns + duration_us * 1000 FROM minute ORDER BY minute_key DESC LIMIT 1"
            )
            last = self.stretches[-1]
            self._is_settled = newest is not None and tuple(newest) >= (last.epoch, last.end_ns)
        return self._is_settled

    def sums(self, piece: Piece) -> PieceSums:
        """Return what a piece holds; the whole trip as it is stored."""
        row = self._trip.row
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
        return PieceSums(self._between(piece), self._lasts_ns(piece), moving_us, distance_m, there)

    def places(self, epoch: int | None = None) -> list[tuple[Place, int]]:
        """Return every border within the trip with its instant on its epoch's clock; of one epoch, where given."""
        return sorted(one for one in self._borders().items() if epoch in (None, one[0].epoch))

    def _borders(self) -> dict[Place, int]:
        if self._places is None:
            first = self.stretches[0]
            self._places = {
                held.place: held.row.start_ns
                for held in self._minutes()
                if (held.row.epoch, held.row.start_ns) > (first.epoch, first.start_ns)
            }
        return self._places

    def _minutes(self) -> list[_Held]:
        """Return the rows of its dampers that overlap it, each with how much of it lies there."""
        if self._rows is None:
            # Of several units, because a row of one that came on the way may be lacking before.
            units = dict.fromkeys(damper.unit_id for damper in self._trip.row.dampers)
            trip_time = TripTime(self._database)
            self._rows = []
            for one, unit_id in product(self.stretches, units):
                for minute in read_minutes(self._database, unit_id, one.epoch, one.start_ns, one.end_ns):
                    row = minute.row
                    time = measure_within(row.start_ns, row.duration_us, one.start_ns, one.end_ns)
                    duty = trip_time.measure(row.epoch, row.start_ns, time)
                    self._rows.append(_Held(Place(row.epoch, row.minute), row, time, duty))
        return self._rows

    def _share(self, damper: TripDamper, piece: Piece) -> TripDamper | None:
        """Return a damper's share of a piece, None where it wasn't there."""
        all_of, none_of = damper.totals, Totals()
        start = all_of if piece.begin is None else self._tail(damper, piece.begin)
        gained = start.since(none_of if piece.end is None else self._tail(damper, piece.end))
        own = [held.row.totals for held in self._minutes() if _is_of(held.row, damper) and _is_in(held.place, piece)]
        if not own and not any(getattr(gained, name) for name in SUMS):
            return None
        for name in _PEAKS:
            seen = [value for totals in own if (value := getattr(totals, name)) is not None]
            most = max(seen, default=None)
            limit = getattr(all_of, name)
            if piece.end is None and not self.is_settled:
                most = limit  # the row that isn't stored yet may hold it
            known = None if most is None or limit is None else min(most, limit)
            setattr(gained, name, known if known is not None or name == "peak_body_mc" else 0)
        return replace(damper, totals=gained)

    def _tail(self, damper: TripDamper, place: Place) -> Totals:
        """Return the sums behind a place, at most the trip's own."""
        found, shares = Totals(), self._shares(damper)
        for at, totals in shares:
            if at >= place:
                found.merge(totals)
        if not self.is_settled:
            for name in SUMS:
                # What no row has yet is in the one that isn't stored yet, the last.
                lacking = getattr(damper.totals, name) - sum(getattr(totals, name) for _, totals in shares)
                setattr(found, name, getattr(found, name) + lacking)
        return found

    def _shares(self, damper: TripDamper) -> list[tuple[Place, Totals]]:
        """Return what of a damper's rows belongs to the trip: the first and the last may hold another trip, too."""
        number = self._trip.row.dampers.index(damper)
        if number not in self._taken:
            rows = [held for held in self._minutes() if _is_of(held.row, damper)]
            found = [Totals() for _ in rows]
            for name in SUMS:
                within = [held.time if name in _TIMES else held.duty for held in rows]
                values = [getattr(held.row.totals, name) for held in rows]
                for totals, value in zip(found, share_out(getattr(damper.totals, name), values, within), strict=True):
                    setattr(totals, name, value)
            self._taken[number] = [(held.place, totals) for held, totals in zip(rows, found, strict=True)]
        return self._taken[number]

    def _moving_us(self, place: Place | None) -> int:
        """Return the vehicle's time in motion behind a place."""
        by_minute: dict[Place, tuple[int, Within]] = {}
        for held in self._minutes():
            most_us = max(by_minute.get(held.place, (0, held.duty))[0], held.row.totals.moving_us)
            by_minute[held.place] = most_us, held.duty
        return _sum_behind(self._trip.row.moving_us, by_minute, place)

    def _distance_m(self, whole_m: float, place: Place | None) -> float:
        by_minute = {
            held.place: (round(max(0.0, held.row.speed_mean_mps) * held.row.duration_us * 1e-3), held.duty)
            for held in self._minutes()
            if held.row.speed_mean_mps is not None
        }
        return min(_sum_behind(round(whole_m * 1e3), by_minute, place) * 1e-3, whole_m)

    def _between(self, piece: Piece) -> tuple[Stretch, ...]:
        found = []
        starts = self._borders() if piece.begin or piece.end else {}
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
        at_ns = self._borders().get(place)
        one = next((s for s in self.stretches if s.epoch == place.epoch), None)
        return 0 if at_ns is None or one is None else one.after_ns + at_ns - one.start_ns


def _is_of(row: MinuteRow, damper: TripDamper) -> bool:
    return (row.unit_id, row.position) == (damper.unit_id, damper.position)


def _is_in(place: Place, piece: Piece) -> bool:
    return (piece.begin is None or place >= piece.begin) and (piece.end is None or place < piece.end)


def _sum_behind(total: int, by_minute: Mapping[Place, tuple[int, Within]], place: Place | None) -> int:
    """Return what lies behind a place of a trip's total: nothing behind its end, which None stands for."""
    if place is None:
        return 0
    values, within = [one for one, _ in by_minute.values()], [one for _, one in by_minute.values()]
    shares = share_out(total, values, within)
    return sum(share for at, share in zip(by_minute, shares, strict=True) if at >= place)
