"""Repairs of trips: split, merged, not driven, and each taken back. Entries, laid over when trips are read.

What the engine counted stays as it is in its tables. Rules, fields and messages: shared/LEDGER.md, Repairs of trips.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from dutylog.ledger.chain import COLUMNS, read_entry
from dutylog.ledger.database import Database
from dutylog.ledger.names import NOTE_LIMIT, check_text
from dutylog.ledger.rows import Entry
from dutylog.ledger.trip_pieces import Piece, Place

SPLIT, MERGE, NOT_DRIVEN, UNDONE = "trip_split", "trip_merge", "trip_not_driven", "trip_repair_undone"
RENAME = "trip_rename"
REPAIRS = (SPLIT, MERGE, NOT_DRIVEN)
WHYS = ("dyno", "transport", "other")
"""Why a trip's duty doesn't count: strokes on a test bench, or the vehicle carried by another."""
MOST_TRIPS = 60
"""Trips that may become one, by the length an entry may have. Source: judgement."""
UNREADABLE = "can't be read"
UNKNOWN = "-"
_NUMBERS = range(1, 10**9)
_PLACES = range(2**53)


@dataclass(frozen=True, slots=True)
class Repair:
    """One repair. row: of its entry. key: of the trip as it was called then. undone_by: who took it back, None: nobody.

    text: what it did, in words. utc_ns, utc_trusted: as in its entry. numbers: of the engine's trips it is about.
    is_unread: its entry makes no sense to this version, so it does nothing; units: whose totals it changes, as far as
    that can be read.
    """

    row: int
    kind: str
    key: str
    by: str
    note: str | None
    text: str
    utc_ns: int
    utc_trusted: bool
    undone_by: str | None
    numbers: tuple[int, ...] = ()
    is_unread: bool = False
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """Pieces of trips whose duty doesn't count. row: of the entry. units: those whose totals it changes."""

    row: int
    why: str
    pieces: tuple[Piece, ...]
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Repairs:
    """All of them, oldest first, and what those come to that stand.

    merges: first and last number and row of the entry. cuts: by number of the trip, in order, with row of the entry.
    names: of parts, by number and begin. changes: how often each unit's totals were changed by a repair or its undoing.
    """

    told: tuple[Repair, ...]
    merges: tuple[tuple[int, int, int], ...]
    cuts: Mapping[int, tuple[tuple[Place, int], ...]]
    marks: tuple[Mark, ...]
    names: Mapping[tuple[int, Place], str | None]
    changes: Mapping[str, int]

    def range_of(self, number: int) -> tuple[int, int]:
        """Return the first and the last number of the trips that are one with this one."""
        first = last = number
        while True:
            touched = [m for m in self.merges if m[0] <= last and m[1] >= first]
            wider = min([first, *(m[0] for m in touched)]), max([last, *(m[1] for m in touched)])
            if wider == (first, last):
                return wider
            first, last = wider

    def parts_of(self, numbers: Sequence[int]) -> list[tuple[Piece, ...]]:
        """Return the parts of trips that are one, in order, as pieces of them; one part where nothing was split."""
        parts: list[tuple[Piece, ...]] = []
        part: list[Piece] = []
        for number in numbers:
            begin: Place | None = None
            for place in dict.fromkeys(place for place, _ in self.cuts.get(number, ())):
                parts.append((*part, Piece(number, begin, place)))
                part, begin = [], place
            part.append(Piece(number, begin, None))
        return [*parts, tuple(part)]

    def marks_of(self, piece: Piece) -> list[Mark]:
        """Return the marks that touch a piece."""
        return [mark for mark in self.marks if any(_touch(piece, one) for one in mark.pieces)]

    def why_not_driven(self, pieces: Sequence[Piece]) -> str | None:
        """Return why none of these pieces counts, None where any does."""
        whys = []
        for piece in pieces:
            over = [mark for mark in self.marks if any(one.holds(piece) for one in mark.pieces)]
            if not over:
                return None
            whys.append(over[0].why)
        return whys[0] if whys else None


def read_repairs(database: Database) -> Repairs:
    """Return all repairs. An entry that can't be read is passed over: it does nothing, and is told as such."""
    kinds = (*REPAIRS, UNDONE, RENAME)
    rows = database.rows(
        f"SELECT {COLUMNS} FROM entry WHERE kind IN ({', '.join('?' * len(kinds))}) ORDER BY row", kinds
    )
    found = _Found()
    for entry in map(read_entry, rows):
        found.take(entry)
    return found.make()


@dataclass(frozen=True, slots=True)
class _Read:
    """What an entry says. cut: number and place. merge: first and last number. pieces: of a mark. undoes: a row."""

    repair: Repair | None = None
    cut: tuple[int, Place] | None = None
    merge: tuple[int, int] | None = None
    why: str = ""
    pieces: tuple[Piece, ...] = ()
    name: tuple[int, Place, str | None] | None = None
    undoes: tuple[int, str] | None = None


class _Found:
    """Sorts entries into what stands."""

    def __init__(self) -> None:
        self._read: list[tuple[int, _Read]] = []
        self._gone: dict[int, str] = {}
        self._changes: Counter[str] = Counter()

    def take(self, entry: Entry) -> None:
        units: tuple[str, ...] = ()
        try:
            with _reading():
                data = json.loads(entry.data)
                units = _read_units(data)
                self._changes.update(units)
                read = _read_entry(entry, data, units)
        except _Unread:
            read = _Read(_tell_unread(entry, units))
        if read.undoes is not None:
            self._gone[read.undoes[0]] = read.undoes[1]
        self._read.append((entry.row, read))

    def make(self) -> Repairs:
        cuts: dict[int, list[tuple[Place, int]]] = {}
        names = {(read.name[0], read.name[1]): read.name[2] for _, read in self._read if read.name is not None}
        standing = [(row, read) for row, read in self._read if row not in self._gone]
        for row, read in standing:
            if read.cut is not None:
                cuts.setdefault(read.cut[0], []).append((read.cut[1], row))
        told = [replace(one, undone_by=self._gone.get(row)) for row, read in self._read if (one := read.repair)]
        marks = [
            Mark(row, read.why, read.pieces, read.repair.units)
            for row, read in standing
            if read.repair is not None and read.pieces
        ]
        return Repairs(
            told=tuple(told),
            merges=tuple((*read.merge, row) for row, read in standing if read.merge is not None),
            cuts={number: tuple(sorted(those)) for number, those in cuts.items()},
            marks=tuple(marks),
            names=names,
            changes=self._changes,
        )


class _Unread(Exception):
    """An entry makes no sense."""


@contextmanager
def _reading() -> Iterator[None]:
    """Turn what goes wrong in the body with what an entry holds, which may be anything, into _Unread."""
    try:
        yield
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, RecursionError) as err:
        raise _Unread from err


def _read_entry(entry: Entry, data: Mapping[str, Any], units: tuple[str, ...]) -> _Read:
    if entry.kind == RENAME:
        return _read_name(data)
    by, note = check_text(data["by"], "by"), data.get("note")
    if entry.kind == UNDONE:
        _check(isinstance(data["units"], list))
        return _Read(undoes=(_whole(data["entry"], _PLACES), by))
    if note is not None:
        check_text(note, "note", NOTE_LIMIT)

    def tell(key: str, text: str, numbers: Sequence[int]) -> Repair:
        when = entry.utc_ns, entry.utc_trusted
        return Repair(entry.row, entry.kind, key, by, note, text, *when, None, tuple(numbers), units=units)

    if entry.kind == MERGE:
        first, last = (_whole(number, _NUMBERS) for number in data["trips"])
        _check(first < last < first + MOST_TRIPS)
        return _Read(tell(str(first), f"trips {first} to {last} are one", range(first, last + 1)), merge=(first, last))
    key = check_text(data["trip"], "trip")
    if entry.kind == SPLIT:
        number, place = _whole(data["number"], _NUMBERS), _read_place((data["epoch"], data["minute"]))
        at_s = float(data["at_s"])
        _check(0.0 <= at_s < 1e9)
        return _Read(tell(key, f"split {clock_text(at_s)} after its begin", [number]), cut=(number, place))
    _check(isinstance(data["units"], list))
    why, pieces = check_text(data["why"], "why"), tuple(_read_piece(one) for one in data["pieces"])
    numbers = dict.fromkeys(piece.number for piece in pieces)
    told = tell(key, f"not driven ({why}), its duty doesn't count", tuple(numbers))
    # A piece of no length, of a trip cut twice at one place, holds nothing.
    return _Read(told, why=why, pieces=tuple(one for one in pieces if one.begin is None or one.begin != one.end))


def _read_name(data: Mapping[str, Any]) -> _Read:
    if data.get("start") is None:
        return _Read()
    number, *place = data["start"]
    name = data["to"]
    if name is not None:
        check_text(name, "name")
    return _Read(name=(_whole(number, _NUMBERS), _read_place(place), name))


def _read_units(data: Mapping[str, Any]) -> tuple[str, ...]:
    units = data.get("units")
    return tuple(one for one in units if isinstance(one, str)) if isinstance(units, list) else ()


def _tell_unread(entry: Entry, units: tuple[str, ...]) -> Repair:
    when = entry.utc_ns, entry.utc_trusted
    return Repair(entry.row, entry.kind, UNKNOWN, UNKNOWN, None, UNREADABLE, *when, None, (), True, units)


def _check(is_sound: bool) -> None:
    if not is_sound:
        raise ValueError


def _whole(value: object, within: range) -> int:
    if type(value) is not int or value not in within:
        raise ValueError
    return value


def _read_place(place: Sequence[object]) -> Place:
    epoch, minute = place
    return Place(_whole(epoch, _PLACES), _whole(minute, _PLACES))


def piece_to_json(piece: Piece) -> list[object]:
    """Return a piece as an entry has it."""
    return [piece.number, *(None if place is None else list(place) for place in (piece.begin, piece.end))]


def _read_piece(told: Sequence[Any]) -> Piece:
    number, *ends = told
    begin, end = (None if place is None else _read_place(place) for place in ends)
    _check(begin is None or end is None or begin <= end)
    return Piece(_whole(number, _NUMBERS), begin, end)


def _touch(one: Piece, other: Piece) -> bool:
    """Return whether two pieces share anything."""
    if one.number != other.number:
        return False
    is_before = one.end is not None and other.begin is not None and one.end <= other.begin
    is_after = one.begin is not None and other.end is not None and one.begin >= other.end
    return not is_before and not is_after


def clock_text(seconds: float) -> str:
    """Return a time since a begin as 1:02:03."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
