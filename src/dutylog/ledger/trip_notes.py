"""What people tell of a trip, as entries of the chain: care done after it, what was loaded, what a road really was.

Fields, limits and messages: shared/REVIEW.md.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.calibrations import check_number
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import CARE, LOAD_NOTE, ROAD_SAID, check_word, known_day, withdrawn_rows
from dutylog.ledger.rows import Entry
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.ledger.trip_repairs import read_repairs
from dutylog.ledger.trip_starts import key_now, start_of
from dutylog.units import NS_PER_S

CARE_ITEMS = ("cool", "wash", "dry", "protect", "leaks", "gas", "bolts", "bump_stops", "straps", "joints")
"""Keys of what may be done after a trip, for ever; their words are in review/care.py."""
ROADS = ("street", "graded", "washboard", "rough", "jumps", "parked")
"""Kinds of road that a person may put right; those of review/trip_data.py."""
LONGEST_S = 31 * 86_400.0
"""No trip is longer; a number beyond was mistyped."""
END_SLACK_S = 60.0
"""A trip under way has grown since somebody looked at it."""
_KEY = re.compile(r"[1-9][0-9]{0,8}(\.[1-9][0-9]{0,3})?")


@dataclass(frozen=True, slots=True)
class CareDone:
    """An item of care that somebody did. row: of its entry. item: one of CARE_ITEMS. utc_s: None: clock never set."""

    row: int
    item: str
    by: str
    note: str | None
    utc_s: float | None


@dataclass(frozen=True, slots=True)
class RoadSaid:
    """What a person says a stretch was. from_s, to_s: since the trip's begin. kind: one of ROADS."""

    row: int
    from_s: float
    to_s: float
    kind: str
    by: str


@dataclass(frozen=True, slots=True)
class Notes:
    """All that counts of one trip: the last word on each item of care and on the load; roads in order of telling."""

    care: tuple[CareDone, ...] = ()
    load_note: str | None = None
    roads: tuple[RoadSaid, ...] = ()


# checks of requests


def check_key(value: object, what: str) -> str:
    """Return a trip's key as text, '7' or '7.2'; InputError for anything else."""
    if not isinstance(value, str) or not _KEY.fullmatch(value):
        raise InputError(f"{what}: {value!r:.40} is no trip; write 7, or 7.2 for its second part")
    return value


def check_item(value: object, what: str) -> str:
    """Return one of CARE_ITEMS."""
    return check_word(value, what, CARE_ITEMS)


def check_road(value: object, what: str) -> str:
    """Return one of ROADS."""
    return check_word(value, what, ROADS)


def check_moment(value: object, what: str) -> float:
    """Return a time since a trip's begin [s]; InputError for one that no trip has."""
    seconds = check_number(value, what)
    if not 0.0 <= seconds <= LONGEST_S:
        raise InputError(f"{what}: {seconds:g} s, expected 0 to {LONGEST_S:g}")
    return seconds


# writing


def to_trip(ledger: Ledger, request: Mapping[str, Any]) -> dict[str, Any]:
    """Return a request with the key its trip has now, of one that was merged into another that one's, and its begin.

    Raises:
        LedgerError: no such trip.
    """
    key = TripBook(ledger).trip(request["trip"]).key
    return {**request, "trip": key, "start": start_of(ledger, key)}


def store_care(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> CareDone:
    """Write the entry of a checked request `care`; LedgerError when there is no such trip."""
    request = to_trip(ledger, request)
    return _read_care(ledger, _append(ledger, CARE, request, ("trip", "start", "item", "by", "note"), sequence))


def store_load(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Entry:
    """Write the entry of a checked request `load_note`; LedgerError when there is no such trip."""
    request = to_trip(ledger, request)
    return _append(ledger, LOAD_NOTE, request, ("trip", "start", "text", "by"), sequence)


def store_road(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> RoadSaid:
    """Write the entry of a checked request `road_said`.

    Raises:
        InputError: the stretch is empty, runs backwards or lies behind the trip's end.
        LedgerError: no such trip.
    """
    request = to_trip(ledger, request)
    first_s, last_s = request["from_s"], request["to_s"]
    lasts_s = TripBook(ledger).trip(request["trip"]).duration_ns / NS_PER_S
    if last_s <= first_s:
        raise InputError(f"command road_said: from {_clock(first_s)} to {_clock(last_s)} is no stretch; swap them")
    if last_s > lasts_s + END_SLACK_S:
        raise InputError(
            f"command road_said: trip {request['trip']} lasts {_clock(lasts_s)}, {_clock(last_s)} is behind it"
        )
    names = ("trip", "start", "from_s", "to_s", "kind", "by")
    return _read_road(ledger, _append(ledger, ROAD_SAID, request, names, sequence))


# reading


def read_notes(ledger: Ledger, key: str) -> Notes:
    """Return what counts of a trip; LedgerCorrupt when an entry can't be read.

    Of a part ('7.2') the words on the whole ('7') count as well, of a merged trip those on all it is made of; its
    own come last and so win. Roads are told by time since a begin, so only those of the very key count. The key of a
    trip that was merged into another means that one. Words on a part follow its begin, whatever it is called now.
    """
    trip = _find(ledger, key)
    key = key if trip is None else trip.key
    gone, keys = withdrawn_rows(ledger), _keys_of(key, trip)
    care: dict[str, CareDone] = {}
    for entry in _told(ledger, CARE, keys, gone):
        done = _read_care(ledger, entry)
        care.pop(done.item, None)
        care[done.item] = done
    loads = _told(ledger, LOAD_NOTE, keys, gone)
    roads = (_read_road(ledger, entry) for entry in _told(ledger, ROAD_SAID, (key,), gone))
    return Notes(tuple(care.values()), _read_text(ledger, loads[-1]) if loads else None, tuple(roads))


def load_notes(ledger: Ledger) -> dict[str, str]:
    """Return the load note of each trip that has one, by the key it was told for; of a part, by that it has now."""
    found = _with_keys(ledger, LOAD_NOTE, withdrawn_rows(ledger))
    return {key: _read_text(ledger, entry) for entry, key in found if key is not None}


def find_load_note(notes: Mapping[str, str], trip: BookTrip) -> str | None:
    """Return what `load_notes` has for a trip, the strongest word; None where nobody told of its load."""
    return next((notes[key] for key in reversed(_keys_of(trip.key, trip)) if key in notes), None)


def _find(ledger: Ledger, key: str) -> BookTrip | None:
    try:
        return TripBook(ledger).trip(key)
    except LedgerError:
        return None  # its words outlast a trip that isn't there any more


def _keys_of(key: str, trip: BookTrip | None) -> tuple[str, ...]:
    """Return the keys whose words count for a trip, the weakest first."""
    whole = key.split(".", 1)[0]
    numbers = [] if trip is None else [str(number) for number in trip.numbers]
    others = dict.fromkeys(one for one in (*reversed(numbers), whole) if one != key)
    return (*others, key)


def _told(ledger: Ledger, kind: str, keys: tuple[str, ...], gone: frozenset[int]) -> list[Entry]:
    """Return the entries of a kind that count for one of the keys, in order of keys, then of telling."""
    found = _with_keys(ledger, kind, gone)
    return [entry for one in keys for entry, key in found if key == one]


def _with_keys(ledger: Ledger, kind: str, gone: frozenset[int]) -> list[tuple[Entry, str | None]]:
    """Return the entries of a kind, each with the key its trip has now; None where no trip begins there any more."""
    entries = [entry for entry in ledger.entries_of(kind) if entry.row not in gone]
    if not entries:
        return []
    repairs = read_repairs(ledger.database)
    return [(entry, key_now(ledger, *_read_key(ledger, entry), repairs)) for entry in entries]


def _append(
    ledger: Ledger, kind: str, request: Mapping[str, Any], names: tuple[str, ...], sequence: int | None
) -> Entry:
    at = ledger.cursor().hot_sequence if sequence is None else sequence
    return ledger.append_entry(kind, None, {name: request[name] for name in names}, at)


def _read_key(ledger: Ledger, entry: Entry) -> tuple[str, object]:
    """Return the key of its trip then, and its begin as it was stored."""
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        return str(data["trip"]), data.get("start")


def _read_text(ledger: Ledger, entry: Entry) -> str:
    with decoding(ledger.path, f"entry {entry.row}"):
        return str(json.loads(entry.data)["text"])


def _read_care(ledger: Ledger, entry: Entry) -> CareDone:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        utc_s = None if known_day(entry.utc_ns) is None else entry.utc_ns / NS_PER_S
        note = None if data["note"] is None else str(data["note"])
        return CareDone(entry.row, str(data["item"]), str(data["by"]), note, utc_s)


def _read_road(ledger: Ledger, entry: Entry) -> RoadSaid:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        return RoadSaid(entry.row, float(data["from_s"]), float(data["to_s"]), str(data["kind"]), str(data["by"]))


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
