"""Repairs of trips: split, merged, not driven, and each taken back. Entries, laid over when trips are read.

What the engine counted stays as it is in its tables. Rules, fields and messages: shared/LEDGER.md, Repairs of trips.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.ledger.chain import COLUMNS, read_entry
from dutylog.ledger.database import Database, decoding
from dutylog.ledger.rows import Entry
from dutylog.ledger.trip_pieces import Piece, Place

SPLIT, MERGE, NOT_DRIVEN, UNDONE = "trip_split", "trip_merge", "trip_not_driven", "trip_repair_undone"
RENAME = "trip_rename"
REPAIRS = (SPLIT, MERGE, NOT_DRIVEN)
WHYS = ("dyno", "transport", "other")
"""Why a trip's duty doesn't count: strokes on a test bench, or the vehicle carried by another."""
MOST_TRIPS = 60
"""Trips that may become one, by the length an entry may have. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Repair:
    """One repair. row: of its entry. key: of the trip as it was called then. undone_by: who took it back, None: nobody.

    text: what it did, in words. utc_ns, utc_trusted: as in its entry.
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
            for place, _ in self.cuts.get(number, ()):
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
    """Return all repairs; LedgerCorrupt when an entry can't be read."""
    kinds = (*REPAIRS, UNDONE, RENAME)
    rows = database.rows(
        f"SELECT {COLUMNS} FROM entry WHERE kind IN ({', '.join('?' * len(kinds))}) ORDER BY row", kinds
    )
    entries = [read_entry(row) for row in rows]
    gone: dict[int, str] = {}
    changes: Counter[str] = Counter()
    for entry in entries:
        with decoding(database.path, f"entry {entry.row}"):
            data = json.loads(entry.data)
            if entry.kind == UNDONE:
                gone[int(data["entry"])] = str(data["by"])
            changes.update(str(unit_id) for unit_id in data.get("units", ()))
    found = _Found(database, gone)
    for entry in entries:
        with decoding(database.path, f"entry {entry.row}"):
            found.take(entry, json.loads(entry.data))
    return found.make(changes)


class _Found:
    """Sorts entries into what stands."""

    def __init__(self, database: Database, gone: Mapping[int, str]) -> None:
        self._database, self._gone = database, gone
        self._told: list[Repair] = []
        self._merges: list[tuple[int, int, int]] = []
        self._cuts: dict[int, list[tuple[Place, int]]] = {}
        self._marks: list[Mark] = []
        self._names: dict[tuple[int, Place], str | None] = {}

    def take(self, entry: Entry, data: Mapping[str, Any]) -> None:
        if entry.kind == RENAME:
            if data.get("start") is not None:
                number, epoch, minute = (int(value) for value in data["start"])
                self._names[number, Place(epoch, minute)] = data["to"]
            return
        if entry.kind == UNDONE:
            return
        self._told.append(_tell(entry, data, self._gone.get(entry.row)))
        if entry.row in self._gone:
            return
        if entry.kind == SPLIT:
            place = Place(int(data["epoch"]), int(data["minute"]))
            self._cuts.setdefault(int(data["number"]), []).append((place, entry.row))
        elif entry.kind == MERGE:
            first, last = (int(number) for number in data["trips"])
            self._merges.append((first, last, entry.row))
        else:
            pieces = tuple(_read_piece(one) for one in data["pieces"])
            self._marks.append(Mark(entry.row, str(data["why"]), pieces, tuple(data["units"])))

    def make(self, changes: Mapping[str, int]) -> Repairs:
        cuts = {number: tuple(sorted(those)) for number, those in self._cuts.items()}
        return Repairs(tuple(self._told), tuple(self._merges), cuts, tuple(self._marks), self._names, changes)


def piece_to_json(piece: Piece) -> list[object]:
    """Return a piece as an entry has it."""
    return [piece.number, *(None if place is None else list(place) for place in (piece.begin, piece.end))]


def _read_piece(told: Sequence[Any]) -> Piece:
    number, *ends = told
    begin, end = (None if place is None else Place(int(place[0]), int(place[1])) for place in ends)
    return Piece(int(number), begin, end)


def _touch(one: Piece, other: Piece) -> bool:
    """Return whether two pieces share anything."""
    if one.number != other.number:
        return False
    is_before = one.end is not None and other.begin is not None and one.end <= other.begin
    is_after = one.begin is not None and other.end is not None and one.begin >= other.end
    return not is_before and not is_after


def _tell(entry: Entry, data: Mapping[str, Any], undone_by: str | None) -> Repair:
    if entry.kind == MERGE:
        first, last = data["trips"]
        key, text = str(first), f"trips {first} to {last} are one"
    elif entry.kind == SPLIT:
        key, text = str(data["trip"]), f"split {clock_text(float(data['at_s']))} after its begin"
    else:
        key, text = str(data["trip"]), f"not driven ({data['why']}), its duty doesn't count"
    note = data.get("note")
    return Repair(
        row=entry.row,
        kind=entry.kind,
        key=key,
        by=str(data["by"]),
        note=None if note is None else str(note),
        text=text,
        utc_ns=entry.utc_ns,
        utc_trusted=entry.utc_trusted,
        undone_by=undone_by,
    )


def clock_text(seconds: float) -> str:
    """Return a time since a begin as 1:02:03."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
