"""Writing repairs of trips: a checked request, what it would break, one entry. See ledger/trip_repairs.py."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.calibrations import check_number
from dutylog.ledger.chain import append_entry
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import check_word
from dutylog.ledger.rows import EntryDraft
from dutylog.ledger.trip_book import BookTrip, Found, TripBook
from dutylog.ledger.trip_pieces import Place, TripPieces
from dutylog.ledger.trip_repairs import (
    MERGE,
    MOST_TRIPS,
    NOT_DRIVEN,
    SPLIT,
    UNDONE,
    UNKNOWN,
    UNREADABLE,
    WHYS,
    Repairs,
    clock_text,
    piece_to_json,
    read_repairs,
)
from dutylog.ledger.trips import read_trip
from dutylog.units import NS_PER_S

_KEY = re.compile(r"[1-9][0-9]{0,8}(?:\.[1-9][0-9]{0,3})?", re.ASCII)
LONGEST_S = 366 * 86_400.0


@dataclass(frozen=True, slots=True)
class Mended:
    """A repair that was written. row: of its entry. key: of the trip concerned. text: one line for people."""

    row: int
    key: str
    text: str


# checks of requests


def check_key(value: object, what: str) -> str:
    """Return a trip's key as text, '7' or '7.2', also where it came as a number; InputError for anything else."""
    text = str(value) if type(value) is int else value
    if not isinstance(text, str):
        raise InputError(f"{what}: {value!r:.40} is no whole number from 1, and no key of a trip such as 7.2")
    if type(value) is int and not 1 <= value < 10**9:
        raise InputError(f"{what}: {value!r:.40} is no whole number from 1 to {10**9 - 1}")
    if not _KEY.fullmatch(text):
        raise InputError(f"{what}: {value!r:.40} is no trip; write 7, or 7.2 for its second part")
    return text


def check_keys(value: object, what: str) -> list[str]:
    """Return the keys of two different trips; InputError for anything else."""
    if not isinstance(value, list) or len(value) != 2:
        raise InputError(f"{what}: expected a list of two trips")
    keys = [check_key(one, what) for one in value]
    if keys[0] == keys[1]:
        raise InputError(f"{what}: trip {keys[0]} is there twice; name two trips")
    return keys


def check_why(value: object, what: str) -> str:
    """Return one of WHYS."""
    return check_word(value, what, WHYS)


def check_at(value: object, what: str) -> float:
    """Return a time since a trip's begin [s]."""
    seconds = check_number(value, what)
    if not 0.0 < seconds < LONGEST_S:
        raise InputError(f"{what}: {seconds:g} s, expected more than 0 and less than a year")
    return seconds


# writing


def split(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Mended:
    """Cut a trip at the border of minute rows nearest to a time.

    Raises:
        LedgerError: no such trip, it is under way, so short that there is no border in it, or cut there already.
        InputError: the time lies behind the trip's end.
    """
    with ledger.database.write() as connection:
        repairs, book = read_repairs(ledger.database), TripBook(ledger)
        found = book.find(request["trip"], repairs)
        trip = _ended(book, found)
        place, number, at_s = _choose_border(ledger, repairs, found, trip, request["at_s"])
        data = {"trip": trip.key, "number": number, "epoch": place.epoch, "minute": place.minute, "at_s": at_s}
        draft = EntryDraft(SPLIT, None, {**data, "by": request["by"]})
        entry = append_entry(ledger.database, connection, ledger.stamp(), draft, _at(ledger, sequence))
        after = book.find(found.numbers[0], read_repairs(ledger.database))
    keys = [f"{found.numbers[0]}.{n}" for n in range(1, len(after.parts) + 1)]
    text = f"trip {trip.key} is split {clock_text(at_s)} after its begin, at the border of a minute"
    return Mended(entry.row, keys[0], f"{text}: now trips {', '.join(keys)}; stored as entry {entry.row}")


def merge(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Mended:
    """Make one trip of two that follow each other.

    Raises:
        LedgerError: no such trip, another lies between, one is split or under way, or counts while the other doesn't.
    """
    with ledger.database.write() as connection:
        repairs, book = read_repairs(ledger.database), TripBook(ledger)
        first, second = sorted((book.find(key, repairs) for key in request["trips"]), key=lambda one: one.numbers)
        _refuse_one(repairs, first, second)
        for one in (first, second):
            _refuse_parts(repairs, one)
            _ended(book, one)
        numbers = [*first.numbers, *second.numbers]
        _refuse_distance(ledger, first, second)
        if (whys := {repairs.why_not_driven(one.pieces) for one in (first, second)}) and len(whys) > 1:
            rows = [mark.row for one in (first, second) for piece in one.pieces for mark in repairs.marks_of(piece)]
            raise LedgerError(
                f"trips {first.key} and {second.key} don't count alike (entry {rows[0]}); "
                f"undo that first: dutylog trip undo {rows[0]}"
            )
        if len(numbers) > MOST_TRIPS:
            raise LedgerError(f"{len(numbers)} trips would be one, at most {MOST_TRIPS} may; leave them apart")
        draft = EntryDraft(MERGE, None, {"trips": [numbers[0], numbers[-1]], "by": request["by"]})
        entry = append_entry(ledger.database, connection, ledger.stamp(), draft, _at(ledger, sequence))
    text = f"trips {first.key} and {second.key} are one now, trip {first.key}; stored as entry {entry.row}"
    return Mended(entry.row, first.key, text)


def mark_not_driven(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Mended:
    """Say that a trip's duty doesn't count; LedgerError for none, one under way, or one that doesn't already."""
    with ledger.database.write() as connection:
        repairs, book = read_repairs(ledger.database), TripBook(ledger)
        found = book.find(request["trip"], repairs)
        trip = _ended(book, found)
        for mark in (mark for piece in found.pieces for mark in repairs.marks_of(piece)):
            raise LedgerError(f"trip {trip.key} doesn't count already, or a part of it (entry {mark.row})")
        data = {
            "trip": trip.key,
            "pieces": [piece_to_json(piece) for piece in found.pieces],
            "units": list(dict.fromkeys(damper.unit_id for damper in trip.dampers)),
            **{name: request[name] for name in ("why", "by", "note")},
        }
        draft = EntryDraft(NOT_DRIVEN, None, data)
        entry = append_entry(ledger.database, connection, ledger.stamp(), draft, _at(ledger, sequence))
    text = f"trip {trip.key} was not driven ({request['why']}): its duty doesn't count; stored as entry {entry.row}"
    return Mended(entry.row, trip.key, text)


def undo(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Mended:
    """Take a repair back; LedgerError when there is none of that number, or a later one rests on it."""
    row = request["entry"]
    with ledger.database.write() as connection:
        repairs = read_repairs(ledger.database)
        repair = next((one for one in repairs.told if one.row == row), None)
        if repair is None:
            raise LedgerError(f"entry {row} is no repair of a trip; `dutylog trip repairs` lists them")
        if repair.undone_by is not None:
            raise LedgerError(f"entry {row} was undone already by {repair.undone_by}")
        _refuse_resting(repairs, row)
        _refuse_inner(repairs, row)
        _refuse_half(TripBook(ledger), repairs, row)
        draft = EntryDraft(UNDONE, None, {"entry": row, "by": request["by"], "units": list(repair.units)})
        entry = append_entry(ledger.database, connection, ledger.stamp(), draft, _at(ledger, sequence))
    if repair.is_unread:
        text = f"undone: entry {row}, which {UNREADABLE}; it stays in the chain. Stored as entry {entry.row}"
        return Mended(entry.row, UNKNOWN, text)
    text = f"undone: trip {repair.key}, {repair.text} (entry {row}); it stays in the chain. Stored as entry {entry.row}"
    return Mended(entry.row, repair.key, text)


# within


def _at(ledger: Ledger, sequence: int | None) -> int:
    return ledger.cursor().hot_sequence if sequence is None else sequence


def _ended(book: TripBook, found: Found) -> BookTrip:
    """Return a trip; LedgerError while it is under way, for its rows aren't all there."""
    trip = book.trip(found.key)
    if trip.is_open:
        raise LedgerError(f"trip {trip.key} is under way; repair it when it has ended")
    return trip


def _choose_border(
    ledger: Ledger, repairs: Repairs, found: Found, trip: BookTrip, at_s: float
) -> tuple[Place, int, float]:
    """Return the border nearest to a time, the engine's trip it lies in, and its own time [s]."""
    if at_s >= trip.duration_ns / NS_PER_S:
        lasts = clock_text(trip.duration_ns / NS_PER_S)
        raise InputError(f"trip {trip.key} lasts {lasts}, it can't be split {clock_text(at_s)} after its begin")
    borders = []
    for piece in found.pieces:
        cuts = dict(repairs.cuts.get(piece.number, ()))
        for place, start_ns in TripPieces(ledger.database, read_trip(ledger.database, piece.number)).places():
            for span in trip.spans:
                # A cut at its own begin or end is looked at, too: who asks twice means that one.
                if span.epoch == place.epoch and span.start_ns <= start_ns <= span.end_ns:
                    since_s = (span.after_ns + start_ns - span.start_ns) / NS_PER_S
                    if place in cuts or (since_s > 0.0 and start_ns < span.end_ns):
                        borders.append((abs(since_s - at_s), place, piece.number, since_s, cuts.get(place)))
    if not borders:
        raise LedgerError(f"trip {trip.key} is too short to be split: there is no border between two minutes in it")
    _, place, number, since_s, row = min(borders, key=lambda one: one[:2])
    if row is not None:
        at = f"{clock_text(since_s)} after its begin"
        raise LedgerError(f"trip {trip.key} is split there already (entry {row}), {at}")
    return place, number, since_s


def _refuse_parts(repairs: Repairs, found: Found) -> None:
    """Raise where a trip to be merged is split, or only a part of one."""
    rows = [row for number in found.numbers for _, row in repairs.cuts.get(number, ())]
    if rows:
        raise LedgerError(
            f"trip {found.numbers[0]} is split (entry {rows[-1]}); undo that first: dutylog trip undo {rows[-1]}"
        )


def _refuse_one(repairs: Repairs, first: Found, second: Found) -> None:
    """Raise where both keys mean one trip."""
    if first.numbers != second.numbers:
        return
    rows = [row for low, high, row in repairs.merges if low <= first.numbers[0] and first.numbers[-1] <= high]
    entry = f" (entry {rows[-1]})" if rows else ""
    raise LedgerError(f"that is one trip already{entry}, trip {first.numbers[0]}")


def _refuse_distance(ledger: Ledger, first: Found, second: Found) -> None:
    between: Sequence[tuple[Any, ...]] = ledger.database.rows(
        "SELECT trip FROM trip WHERE trip > ? AND trip < ?", (first.numbers[-1], second.numbers[0])
    )
    if between:
        raise LedgerError(
            f"trips {first.key} and {second.key} don't follow each other: trip {between[0][0]} lies between"
        )


def _refuse_resting(repairs: Repairs, row: int) -> None:
    """Raise where the end of what doesn't count lies at a cut that is to go."""
    cuts = [((number, place), of) for number, those in repairs.cuts.items() for place, of in those]
    cut = next((where for where, of in cuts if of == row), None)
    is_twice = any(where == cut and of != row for where, of in cuts)
    if cut is not None and not is_twice:
        number, place = cut
        for mark in repairs.marks:
            if any(piece.number == number and place in (piece.begin, piece.end) for piece in mark.pieces):
                undo_first = f"undo that first: dutylog trip undo {mark.row}"
                raise LedgerError(f"entry {mark.row} rests on it (not driven); {undo_first}")


def _refuse_inner(repairs: Repairs, row: int) -> None:
    """Raise where the trips of a merge that is to go would stay one by another."""
    inner = next((one for one in repairs.merges if one[2] == row), None)
    if inner is None:
        return
    for first, last, other in repairs.merges:
        is_same = (first, last) == inner[:2]
        if first <= inner[0] and inner[1] <= last and (other > row if is_same else other != row):
            raise LedgerError(f"trips {first} to {last} would stay one; undo entry {other} first")


def _refuse_half(book: TripBook, repairs: Repairs, row: int) -> None:
    """Raise where, without a mark, a merged trip would count in part."""
    mark = next((one for one in repairs.marks if one.row == row), None)
    if mark is None:
        return
    left = replace(repairs, marks=tuple(one for one in repairs.marks if one is not mark))
    for first, last, merge_row in sorted(repairs.merges, key=lambda one: -one[2]):
        for part in repairs.parts_of(book.numbers_between(first, last)):
            if len({left.why_not_driven([piece]) is None for piece in part}) > 1:
                raise LedgerError(
                    f"trips {first} to {last} are one and would count in part; undo the merge first: entry {merge_row}"
                )
