"""What people tell about the life of dampers, as entries of the chain: services, dirt, use nobody measured, marks.

A service stands at a place in the unit's own running time (measured and not measured time together), which no wrong
clock can move. Fields, limits and messages: shared/LIFE.md.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from dutylog.domain.wear import DIRTS, GRADES, MARK_KINDS, MIXES, PARTS, USE_KINDS
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.seal_passes import count_passes
from dutylog.engine.output import TripRow
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.calibrations import check_number
from dutylog.ledger.chain import append_entry
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.names import nearest
from dutylog.ledger.rows import Entry, EntryDraft, Unit
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_spans import find_stretches
from dutylog.units import NS_PER_S

SERVICE, DIRT, STATED_USE, SHAFT_MARK, WITHDRAW = "service", "dirt", "stated_use", "shaft_mark", "withdraw"
GAS_READING = "gas_reading"
CARE, LOAD_NOTE, ROAD_SAID = "care", "load_note", "road_said"
WITHDRAWABLE = (SERVICE, DIRT, STATED_USE, SHAFT_MARK, GAS_READING, CARE, LOAD_NOTE, ROAD_SAID)
FIRST_YEAR, LAST_YEAR = 1950, 2199
CLOCK_SET_YEAR = 2020
"""A wall clock before this was never set."""
DISTANCE_LIMIT_M = 1e9
FACTOR_LIMIT = 5.0
LEAST_MARK_MM, MARK_LIMIT_MM = 0.05, 50.0
US_PER_S = 1_000_000


@dataclass(frozen=True, slots=True)
class Said:
    """Who said something, and when. row: number of the entry. day: None where neither a person nor the clock knew."""

    row: int
    by: str
    note: str | None
    day: date | None


@dataclass(frozen=True, slots=True)
class Service:
    """One service of a unit. running_s: its running time then. replaced: parts made new; found: grades by part."""

    said: Said
    unit_id: str
    running_s: float
    replaced: tuple[str, ...]
    found: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Dirt:
    """What a trip had on its shafts. number: of the engine's trip.

    trip: (epoch, start_ns, end_ns) of its first stretch, later: of those in epochs behind it.
    """

    said: Said
    number: int
    trip: tuple[int, int, int]
    what: str
    washed: bool
    later: tuple[tuple[int, int, int], ...] = ()

    @property
    def spans(self) -> tuple[tuple[int, int, int], ...]:
        """Return all its stretches, in order."""
        return self.trip, *self.later


@dataclass(frozen=True, slots=True)
class StatedUse:
    """A distance nobody measured. from_day, to_day: None where unknown. factor: how far off it may be either way."""

    said: Said
    unit_id: str
    running_s: float
    distance_m: float
    mix: str
    kind: str
    from_day: date | None
    to_day: date | None
    factor: float


@dataclass(frozen=True, slots=True)
class ShaftMark:
    """A mark on a shaft. distance_mm: from the face of the seal head at full extension.

    passes_count: how often its place had gone through the seal when it was told.
    """

    said: Said
    unit_id: str
    running_s: float
    kind: str
    distance_mm: float
    size_mm: float
    is_sharp: bool
    passes_count: int


@dataclass(frozen=True, slots=True)
class LifeEntries:
    """All of them that nobody has withdrawn, oldest first. withdrawn: rows of those that were."""

    services: tuple[Service, ...] = ()
    dirts: tuple[Dirt, ...] = ()
    uses: tuple[StatedUse, ...] = ()
    marks: tuple[ShaftMark, ...] = ()
    withdrawn: frozenset[int] = field(default=frozenset())


# checks of requests


def check_parts(value: object, what: str) -> list[str]:
    """Return a list of different wear parts, perhaps empty; InputError for anything else."""
    if not isinstance(value, list) or not all(isinstance(part, str) for part in value):
        raise InputError(f"{what}: expected a list of parts")
    for part in value:
        check_word(part, f"{what}: part", PARTS)
    if len(set(value)) != len(value):
        raise InputError(f"{what}: a part is there twice")
    return list(value)


def check_found(value: object, what: str) -> dict[str, str]:
    """Return grades by part, perhaps none; InputError for anything else."""
    if not isinstance(value, dict) or len(value) > len(PARTS):
        raise InputError(f"{what}: expected grades by part")
    return {
        check_word(part, f"{what}: part", PARTS): check_word(grade, f"{what}: grade of {part}", GRADES)
        for part, grade in value.items()
    }


def check_word(value: object, what: str, known: tuple[str, ...]) -> str:
    """Return one of the known words; InputError naming the nearest for anything else."""
    if not isinstance(value, str) or value not in known:
        raise InputError(f"{what}: {value!r:.40} is none of {', '.join(known)}; {nearest(str(value)[:64], known)}")
    return value


def check_dirt(value: object, what: str) -> str:
    """Return one of DIRTS."""
    return check_word(value, what, DIRTS)


def check_mark(value: object, what: str) -> str:
    """Return one of MARK_KINDS."""
    return check_word(value, what, MARK_KINDS)


def check_mix(value: object, what: str) -> str:
    """Return one of MIXES."""
    return check_word(value, what, MIXES)


def check_use(value: object, what: str) -> str:
    """Return one of USE_KINDS."""
    return check_word(value, what, USE_KINDS)


def check_day(value: object, what: str) -> str:
    """Return a date as text, 2026-05-31; InputError for anything else."""
    try:
        found = date.fromisoformat(value) if isinstance(value, str) and len(value) == 10 else None
    except ValueError:
        found = None
    if found is None or not FIRST_YEAR <= found.year <= LAST_YEAR:
        years = f"{FIRST_YEAR} to {LAST_YEAR}"
        raise InputError(f"{what}: {value!r:.40} is no date of the years {years}; write it as 2026-05-31")
    return found.isoformat()


def check_distance(value: object, what: str) -> float:
    """Return a distance above 0 [m]."""
    return _within(check_number(value, what), what, 1.0, DISTANCE_LIMIT_M, "m")


def check_factor(value: object, what: str) -> float:
    """Return a factor of doubt from 1."""
    return _within(check_number(value, what), what, 1.0, FACTOR_LIMIT, "")


def check_millimetres(value: object, what: str) -> float:
    """Return a distance along the shaft [mm]."""
    return _within(check_number(value, what), what, 0.0, 1000.0, "mm")


def check_size(value: object, what: str) -> float:
    """Return the length of a mark along the shaft [mm]."""
    return _within(check_number(value, what), what, LEAST_MARK_MM, MARK_LIMIT_MM, "mm")


def known_day(utc_ns: int) -> date | None:
    """Return the UTC day of a wall time [ns], None where that clock was never set."""
    day = datetime.fromtimestamp(utc_ns / NS_PER_S, UTC).date()
    return day if day.year >= CLOCK_SET_YEAR else None


def refuse_day_to_come(ledger: Ledger, day: str | None) -> None:
    """Refuse a day in the future where the clock was ever set: a year mistyped would bend ages and rates."""
    today = known_day(ledger.stamp().utc_ns)
    if day is not None and today is not None and date.fromisoformat(day) > today + timedelta(days=1):
        raise InputError(f"{day} is still to come (today is {today}); check the date")


# writing


def store_service(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Service:
    """Write the entry of a checked request `service`.

    Raises:
        InputError: nothing replaced and nothing found, or a date to come.
        LedgerError: no such unit.
    """
    draft = draft_service(ledger, ledger.find_unit(request["unit"]), request)
    return _read_service(ledger, ledger.append_entry(draft.kind, draft.unit_id, draft.data, _at(ledger, sequence)))


def draft_service(ledger: Ledger, unit: Unit, request: Mapping[str, Any]) -> EntryDraft:
    """Return the entry of a service, not written yet; InputError as that of `store_service`."""
    if not request["replaced"] and not request["found"]:
        raise InputError("command service: nothing replaced and nothing found; name at least one part")
    data = {
        **_story(ledger, request),
        "running_s": running_s_on(ledger, unit, request["on"]),
        "replaced": request["replaced"],
        "found": request["found"],
    }
    return EntryDraft(SERVICE, unit.unit_id, data)


def store_dirt(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> tuple[Dirt, ...]:
    """Write the entries of a checked request `dirt`, one for each of the engine's trips that a trip is made of.

    Raises:
        LedgerError: no such trip.
    """
    story, at, entries = _story(ledger, {**request, "on": None}), _at(ledger, sequence), []
    with ledger.database.write() as connection:
        for number in TripBook(ledger).trip(request["trip"]).numbers:
            row = ledger.trip(number).row
            data: dict[str, Any] = {
                **story,
                "trip": number,
                "span": [row.epoch, row.start_ns, row.end_ns],
                "start_tile": row.start_tile,
                "what": request["what"],
                "washed": request["washed"],
            }
            if not row.is_open:
                data["spans"] = [list(one) for one in _find_spans(ledger, row)]
            draft = EntryDraft(DIRT, None, data)
            entries.append(append_entry(ledger.database, connection, ledger.stamp(), draft, at))
    return tuple(_read_dirt(ledger, entry) for entry in entries)


def store_use(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> StatedUse:
    """Write the entry of a checked request `stated_use`; errors as those of `store_service`."""
    unit = ledger.find_unit(request["unit"])
    first, last = request["from_day"], request["to_day"]
    if first is not None and last is not None and first > last:
        raise InputError(f"command stated_use: from {first} to {last} runs backwards; swap them")
    refuse_day_to_come(ledger, first)
    data = {
        **_story(ledger, {**request, "on": last}),
        "running_s": running_s_on(ledger, unit, last or first),
        **{name: request[name] for name in ("distance_m", "mix", "kind", "from_day", "to_day", "factor")},
    }
    for entry in _standing(ledger, STATED_USE, withdrawn_rows(ledger)):
        told = json.loads(entry.data)
        if entry.unit_id == unit.unit_id and all(told[name] == data[name] for name in data if name != "running_s"):
            raise LedgerError(
                f"damper {unit.label}: the same was told already as entry {entry.row}; a note tells another one apart"
            )
    return _read_use(ledger, ledger.append_entry(STATED_USE, unit.unit_id, data, _at(ledger, sequence)))


def store_mark(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> ShaftMark:
    """Write the entry of a checked request `shaft_mark`; errors as those of `store_service`."""
    unit = ledger.find_unit(request["unit"])
    data = {
        **_story(ledger, request),
        "running_s": running_s_on(ledger, unit, None),
        "passes_count": passes_of(ledger, unit.unit_id, request["distance_mm"], request["size_mm"]),
        **{name: request[name] for name in ("mark", "distance_mm", "size_mm", "is_sharp")},
    }
    return _read_mark(ledger, ledger.append_entry(SHAFT_MARK, unit.unit_id, data, _at(ledger, sequence)))


def withdraw(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Entry:
    """Write that an entry counts no longer; return that entry.

    Raises:
        LedgerError: no such entry, not one that can be withdrawn, or withdrawn already.
    """
    row = request["entry"]
    found = next((one for kind in WITHDRAWABLE for one in ledger.entries_of(kind) if one.row == row), None)
    if found is None:
        raise LedgerError(f"entry {row} is none of {', '.join(WITHDRAWABLE)}; `dutylog life entries` lists them")
    if row in withdrawn_rows(ledger):
        raise LedgerError(f"entry {row} is withdrawn already")
    data = {"row": row, "by": request["by"], "why": request["why"]}
    ledger.append_entry(WITHDRAW, found.unit_id, data, _at(ledger, sequence))
    return found


# reading


def read_life(ledger: Ledger) -> LifeEntries:
    """Return all that counts; LedgerCorrupt when one can't be read."""
    gone = withdrawn_rows(ledger)
    services = [_read_service(ledger, one) for one in _standing(ledger, SERVICE, gone)]
    dirts = [_read_dirt(ledger, one) for one in _standing(ledger, DIRT, gone)]
    uses = [_read_use(ledger, one) for one in _standing(ledger, STATED_USE, gone)]
    marks = [_read_mark(ledger, one) for one in _standing(ledger, SHAFT_MARK, gone)]
    return LifeEntries(tuple(services), tuple(dirts), tuple(uses), tuple(marks), gone)


def withdrawn_rows(ledger: Ledger) -> frozenset[int]:
    """Return the numbers of entries that count no longer."""
    found = set()
    for entry in ledger.entries_of(WITHDRAW):
        with decoding(ledger.path, f"entry {entry.row}"):
            found.add(int(json.loads(entry.data)["row"]))
    return frozenset(found)


def passes_of(ledger: Ledger, unit_id: str, distance_mm: float, size_mm: float) -> int:
    """Return how often a place of the shaft has gone through the seal so far; 0 while nothing was measured."""
    state = ledger.cold_state(unit_id)
    if state is None:
        return 0
    with decoding(ledger.path, f"accumulators of unit {unit_id}"):
        duty = DamperDuty.from_dict(json.loads(zlib.decompress(state)))
    return count_passes(duty.histograms.seal_passes, distance_mm, size_mm)


def _standing(ledger: Ledger, kind: str, gone: frozenset[int]) -> list[Entry]:
    return [entry for entry in ledger.entries_of(kind) if entry.row not in gone]


def _story(ledger: Ledger, request: Mapping[str, Any]) -> dict[str, Any]:
    """Return who, why and when; InputError for a day to come."""
    refuse_day_to_come(ledger, request["on"])
    return {name: request[name] for name in ("by", "note", "on")}


def running_s_on(ledger: Ledger, unit: Unit, day: str | None) -> float:
    """Return a unit's running time [s] now, or at the end of a day (UTC)."""
    if day is not None:
        end = datetime.combine(date.fromisoformat(day) + timedelta(days=1), datetime.min.time(), UTC)
        before = ledger.running_us_before(unit.unit_id, round(end.timestamp() * 1e9))
        if before is not None:
            return before / US_PER_S
    # All of it: a repair of a trip must not move what was told at a place in it.
    totals = ledger.counted(unit.unit_id)
    return (totals.measured_us + totals.unmeasured_us) / US_PER_S


def _at(ledger: Ledger, sequence: int | None) -> int:
    return ledger.cursor().hot_sequence if sequence is None else sequence


def _said(entry: Entry, data: Mapping[str, Any]) -> Said:
    told = None if data["on"] is None else date.fromisoformat(data["on"])
    note = data["note"]
    return Said(entry.row, str(data["by"]), None if note is None else str(note), told or known_day(entry.utc_ns))


def _read_service(ledger: Ledger, entry: Entry) -> Service:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        replaced, found = check_parts(data["replaced"], "replaced"), check_found(data["found"], "found")
        return Service(_said(entry, data), str(entry.unit_id), float(data["running_s"]), tuple(replaced), found)


def _read_dirt(ledger: Ledger, entry: Entry) -> Dirt:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        first, *later = [tuple(int(value) for value in span) for span in data.get("spans", [data["span"]])]
        (epoch, start_ns, end_ns), tile = first, data.get("start_tile")
        rest = tuple((number, begin_ns, until_ns) for number, begin_ns, until_ns in later)
        trip, what = (epoch, start_ns, end_ns), str(data["what"])
        dirt = Dirt(_said(entry, data), int(data["trip"]), trip, what, bool(data["washed"]), rest)
    if "spans" in data:
        return dirt
    try:
        row = ledger.trip(dirt.number).row
    except LedgerError:
        return dirt
    # A trip that was under way when it was told has become longer since.
    if row.epoch != epoch or (row.start_ns != start_ns if tile is None else row.start_tile != tile):
        return dirt
    begun, *others = _find_spans(ledger, row)
    return replace(dirt, trip=begun, later=tuple(others))


def _find_spans(ledger: Ledger, row: TripRow) -> list[tuple[int, int, int]]:
    """Return where a trip lies in the log: it may go on over epochs."""
    return [(one.epoch, one.start_ns, one.end_ns) for one in find_stretches(ledger.database, row)]


def _read_use(ledger: Ledger, entry: Entry) -> StatedUse:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        first, last = (None if data[key] is None else date.fromisoformat(data[key]) for key in ("from_day", "to_day"))
        return StatedUse(
            _said(entry, data),
            str(entry.unit_id),
            float(data["running_s"]),
            float(data["distance_m"]),
            str(data["mix"]),
            str(data["kind"]),
            first,
            last,
            float(data["factor"]),
        )


def _read_mark(ledger: Ledger, entry: Entry) -> ShaftMark:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        return ShaftMark(
            _said(entry, data),
            str(entry.unit_id),
            float(data["running_s"]),
            str(data["mark"]),
            float(data["distance_mm"]),
            float(data["size_mm"]),
            bool(data["is_sharp"]),
            int(data["passes_count"]),
        )


def _within(value: float, what: str, low: float, high: float, unit: str) -> float:
    if not low <= value <= high:
        raise InputError(f"{what}: {value:g} {unit}, expected {low:g} to {high:g}")
    return value
