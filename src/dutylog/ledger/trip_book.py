"""Trips as people keep them: what the engine found, with the repairs they made."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dutylog.engine.output import TripDamper
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.alerts import read_of_trip
from dutylog.ledger.chain import append_entry
from dutylog.ledger.names import NAME_LIMIT, check_text
from dutylog.ledger.rows import EntryDraft, Epoch, Minute, StoredAlert, Trip
from dutylog.ledger.trip_pieces import Piece, PieceSums, TripPieces
from dutylog.ledger.trip_repairs import RENAME, UNREADABLE, Repair, Repairs, read_repairs
from dutylog.ledger.trip_spans import RECORDING, Stretch
from dutylog.ledger.trips import read_epoch, read_minutes, read_trip

if TYPE_CHECKING:
    from dutylog.ledger.ledger import Ledger

_KEY = re.compile(r"([1-9][0-9]{0,8})(?:\.([1-9][0-9]{0,3}))?", re.ASCII)
_ENDLESS = 2**62
_AT_ONCE = 100
_SHOWN = 10


@dataclass(frozen=True, slots=True)
class Span:
    """Where a stretch of a trip lies in the raw log: from a tile of an epoch on, as long as length_ns on its clock.

    A tile belongs to it where its middle lies in it: clocks of epochs may part by milliseconds.
    start_ns: its begin on that clock. after_ns: its begin since the trip's, pauses included.
    """

    epoch: int
    start_tile: int
    length_ns: int
    start_ns: int = 0
    after_ns: int = 0

    @property
    def end_ns(self) -> int:
        """Return its end on its epoch's clock."""
        return self.start_ns + self.length_ns


@dataclass(frozen=True, slots=True)
class BookTrip:
    """One trip as it is shown.

    key: '7', or '7.2' for the second part of a trip that was split. numbers: of the engine's trips it is made of.
    spans: in order. dampers: sums and maxima of all of it. not_driven: why its duty doesn't count, None where it does.
    Wall times are None where no clock of the epoch is known. parts: keys of its parts where it was split and this is
    all of it.
    """

    key: str
    numbers: tuple[int, ...]
    name: str | None
    spans: tuple[Span, ...]
    is_open: bool
    duration_ns: int
    moving_us: int
    distance_m: float | None
    dampers: tuple[TripDamper, ...]
    start_utc_ns: int | None
    end_utc_ns: int | None
    utc_trusted: bool
    not_driven: str | None
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """What a key means. numbers: of the engine's trips that are one. part: which of the parts, None for all."""

    key: str
    numbers: tuple[int, ...]
    parts: tuple[tuple[Piece, ...], ...]
    part: int | None

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """Return the pieces of the trip, or of the part that was asked for."""
        if self.part is not None:
            return self.parts[self.part]
        return tuple(Piece(number, None, None) for number in self.numbers)

    @property
    def smallest(self) -> tuple[Piece, ...]:
        """Return the pieces it is made of where all cuts cut it, those between its parts among them."""
        return self.pieces if self.part is not None else tuple(piece for part in self.parts for piece in part)


class TripBook:
    """The trips of a ledger. Each question sees the ledger anew."""

    def __init__(self, ledger: Ledger) -> None:
        self._database = ledger.database

    def trip(self, key: str | int) -> BookTrip:
        """Return one trip; of one that was merged into another, that one. LedgerError names the keys there are."""
        with self._database.snapshot():
            repairs = read_repairs(self._database)
            return self._make(self.find(key, repairs), repairs)

    def trips(self, limit: int = 50, before: str | int | None = None) -> list[BookTrip]:
        """Return trips, the newest first, parts of split ones by themselves; `before`: only older than this key.

        Raises:
            InputError: a limit below 1, or no key.
        """
        if limit < 1:
            raise InputError(f"limit {limit}: at least 1 trip must be asked for")
        with self._database.snapshot():
            repairs, found = read_repairs(self._database), []
            for one in self._before(repairs, before):
                found.append(self._make(one, repairs))
                if len(found) == limit:
                    break
            return found

    def get(self, key: str | int) -> BookTrip | None:
        """Return one trip as `trip` does, None where there is none of that key."""
        with self._database.snapshot():
            number, part = parse_key(key)
            if self._database.row("SELECT 1 FROM trip WHERE trip = ?", (number,)) is None:
                return None
            repairs = read_repairs(self._database)
            numbers = self._numbers(repairs, number)
            parts = len(repairs.parts_of(numbers))
            if part is not None and not (number == numbers[0] and parts > 1 and part <= parts):
                return None
            return self.trip(key)

    def alerts(self, trip: BookTrip) -> list[StoredAlert]:
        """Return the alerts raised in a trip or a part of one, the oldest first."""
        with self._database.snapshot():
            rows = [read_trip(self._database, number).row for number in trip.numbers]
            found = [one for row in rows for one in read_of_trip(self._database, row.epoch, row.start_tile)]
            whole = self.trip(trip.key.partition(".")[0])
        first, last = trip.spans[0], trip.spans[-1]
        begins = first.after_ns == 0 and (first.epoch, first.start_ns) == (
            whole.spans[0].epoch,
            whole.spans[0].start_ns,
        )
        ends = (last.epoch, last.end_ns) == (whole.spans[-1].epoch, whole.spans[-1].end_ns)
        return [
            one
            for one in found
            if (begins or one.row.raised >= (first.epoch, first.start_ns))
            and (ends or one.row.raised < (last.epoch, last.end_ns))
        ]

    def repairs(self) -> list[Repair]:
        """Return all repairs, the newest first, those taken back and those that can't be read among them."""
        return list(reversed(read_repairs(self._database).told))

    def repairs_of(self, trip: BookTrip) -> list[Repair]:
        """Return the repairs that concern a trip, the newest first: marks by their pieces, merges by their range."""
        return [one for one in self.repairs() if set(one.numbers) & set(trip.numbers)]

    def unread_lines(self) -> list[str]:
        """Return one line where repairs stand that can't be read, none where all can."""
        rows = [str(one.row) for one in self.repairs() if one.is_unread and one.undone_by is None]
        if not rows:
            return []
        shown = ", ".join(rows[-_SHOWN:]) + (" and more" if len(rows) > _SHOWN else "")
        return [
            f"repairs of trips that {UNREADABLE} do nothing: entry {shown}; "
            "see `dutylog trip repairs`, and take them back with `dutylog trip undo`"
        ]

    def minutes(self, unit_id: str, key: str | int) -> list[Minute]:
        """Return a damper's 60-second rows that overlap a trip, in order."""
        with self._database.snapshot():
            spans = self.trip(key).spans
            return [
                row
                for one in spans
                for row in read_minutes(self._database, unit_id, one.epoch, one.start_ns, one.end_ns)
            ]

    def find(self, key: str | int, repairs: Repairs) -> Found:
        """Return what a key means; LedgerError names the keys there are."""
        number, part = parse_key(key)
        numbers = self._numbers(repairs, number)
        if number not in numbers:
            read_trip(self._database, number)  # says which there are
        parts = tuple(repairs.parts_of(numbers))
        first = str(numbers[0])
        if part is None:
            return Found(first, numbers, parts, None)
        if number != numbers[0]:
            raise LedgerError(f"no trip {key}: trip {number} is part of trip {first}; undo that, or ask for {first}")
        if len(parts) == 1:
            raise LedgerError(f"no trip {key}: trip {number} isn't split; ask for {number}")
        if part > len(parts):
            raise LedgerError(f"no trip {key}: trip {number} has parts {first}.1 to {first}.{len(parts)}")
        return Found(f"{first}.{part}", numbers, parts, part - 1)

    def numbers_between(self, first: int, last: int) -> tuple[int, ...]:
        """Return the numbers of the engine's trips there are from one to another."""
        rows = self._database.rows("SELECT trip FROM trip WHERE trip BETWEEN ? AND ? ORDER BY trip", (first, last))
        return tuple(int(row[0]) for row in rows)

    def _numbers(self, repairs: Repairs, number: int) -> tuple[int, ...]:
        return self.numbers_between(*repairs.range_of(number))

    def _before(self, repairs: Repairs, before: str | int | None) -> Iterator[Found]:
        """Yield trips and parts, the newest first, older than a key."""
        number, part = (_ENDLESS, None) if before is None else parse_key(before)
        last, until = number - (0 if part else 1), part
        while True:
            rows = self._database.rows(
                "SELECT trip FROM trip WHERE trip <= ? ORDER BY trip DESC LIMIT ?", (last, _AT_ONCE)
            )
            for (one,) in rows:
                numbers = self._numbers(repairs, int(one))
                if numbers[0] != one:
                    continue
                parts = tuple(repairs.parts_of(numbers))
                most = len(parts) if until is None or one != number else min(until - 1, len(parts))
                for place in range(most, 0, -1):
                    key = str(one) if len(parts) == 1 else f"{one}.{place}"
                    yield Found(key, numbers, parts, place - 1)
            if len(rows) < _AT_ONCE:
                return
            last = int(rows[-1][0]) - 1

    def _make(self, found: Found, repairs: Repairs) -> BookTrip:
        trips = {piece.number: read_trip(self._database, piece.number) for piece in found.pieces}
        sums = [TripPieces(self._database, trips[piece.number]).sums(piece) for piece in found.pieces]
        stretches, duration_ns = self._join(sums)
        first, last = self._clock(stretches[0]), self._clock(stretches[-1])
        whole = found.part is None and len(found.parts) > 1
        return BookTrip(
            key=found.key,
            numbers=tuple(dict.fromkeys(piece.number for piece in found.pieces)),
            name=self._name(found, trips, repairs),
            spans=tuple(Span(s.epoch, s.start_tile, s.end_ns - s.start_ns, s.start_ns, s.after_ns) for s in stretches),
            is_open=any(trips[piece.number].row.is_open and piece.end is None for piece in found.pieces),
            duration_ns=duration_ns,
            moving_us=sum(one.moving_us for one in sums),
            distance_m=_add(one.distance_m for one in sums),
            dampers=_merge_dampers(sums),
            start_utc_ns=None if first is None else first.utc_at_ns(stretches[0].start_ns),
            end_utc_ns=None if last is None else last.utc_at_ns(stretches[-1].end_ns),
            utc_trusted=first is not None and first.utc_trusted,
            not_driven=repairs.why_not_driven(found.smallest),
            parts=tuple(f"{found.key}.{n}" for n in range(1, len(found.parts) + 1)) if whole else (),
        )

    def _name(self, found: Found, trips: Mapping[int, Trip], repairs: Repairs) -> str | None:
        """Return the name: of a later part its own, else that of the trip it begins with."""
        first = found.pieces[0]
        if first.begin is not None:
            return repairs.names.get((first.number, first.begin))
        return trips[first.number].name

    def _join(self, sums: Sequence[PieceSums]) -> tuple[list[Stretch], int]:
        """Return all stretches in order, told from the first one's begin, and how long that is."""
        found: list[Stretch] = []
        length_ns = 0
        for one in sums:
            if found and one.stretches:
                length_ns += self._pause_ns(found[-1], one.stretches[0])
            begin_ns = one.stretches[0].after_ns if one.stretches else 0
            found += [replace(s, after_ns=s.after_ns - begin_ns + length_ns) for s in one.stretches]
            length_ns += one.duration_ns
        return found, length_ns

    def _pause_ns(self, before: Stretch, after: Stretch) -> int:
        """Return how long nothing happened between two trips; 0 where no clock tells."""
        first, second = self._clock(before), self._clock(after)
        if first is None or second is None:
            return 0
        is_one_clock = first.boot_id == second.boot_id and RECORDING not in (first.source_kind, second.source_kind)
        if before.epoch == after.epoch or is_one_clock:
            return max(0, after.start_ns - before.end_ns)
        if first.utc_trusted and second.utc_trusted:
            return max(0, second.utc_at_ns(after.start_ns) - first.utc_at_ns(before.end_ns))
        return 0

    def _clock(self, stretch: Stretch) -> Epoch | None:
        return read_epoch(self._database, stretch.epoch)


def rename_trip(ledger: Ledger, key: str | int, name: str | None) -> str:
    """Give a trip or a part of one a name, None takes it away, and write the entry; return its key.

    Raises:
        LedgerError: no such trip. InputError: a name that isn't one.
    """
    if name is not None:
        check_text(name, "name of the trip", NAME_LIMIT)
    database = ledger.database
    with database.write() as connection:
        repairs = read_repairs(database)
        found = TripBook(ledger).find(key, repairs)
        first = found.pieces[0]
        data: dict[str, object] = {"trip": found.key if "." in found.key else found.numbers[0], "to": name}
        if first.begin is None:
            data["from"] = read_trip(database, first.number).name
            connection.execute("UPDATE trip SET name = ? WHERE trip = ?", (name, first.number))
        else:
            data |= {"from": repairs.names.get((first.number, first.begin)), "start": [first.number, *first.begin]}
        append_entry(database, connection, ledger.stamp(), EntryDraft(RENAME, None, data), None)
    return found.key


def parse_key(key: str | int) -> tuple[int, int | None]:
    """Return the number of a trip and which part of it, None for all; LedgerError for what is no key."""
    matched = _KEY.fullmatch(str(key))
    if matched is None:
        raise LedgerError(f"no trip {str(key)!r:.40}; write 7, or 7.2 for its second part")
    number, part = matched.groups()
    return int(number), None if part is None else int(part)


def _merge_dampers(sums: Sequence[PieceSums]) -> tuple[TripDamper, ...]:
    """Return one share for each damper in each place, in order of coming."""
    if len(sums) == 1:
        return sums[0].dampers
    found: dict[tuple[str, str], TripDamper] = {}
    for one in sums:
        for damper in one.dampers:
            key = damper.unit_id, damper.position
            if key not in found:
                found[key] = replace(damper, totals=damper.totals.copy())
            else:
                found[key].totals.merge(damper.totals)
    return tuple(found.values())


def _add(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None
