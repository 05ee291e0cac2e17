"""Service records of a bench, taken into the ledger: a service, a fill, perhaps another profile, and whose word it is.

The signature is checked before by whoever has the file; what the ledger itself can hold them to is that a bench's key
stays the same, that its records of a damper follow each other, and that none is taken twice. Fields: shared/LEDGER.md.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger import gas_readings, life_entries
from dutylog.ledger.calibrations import require_vehicle
from dutylog.ledger.chain import append_entry
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry, EntryDraft, Unit
from dutylog.ledger.taken_records import SERVICE_RECORD, check_key, check_turn, corrected_rows, read_records
from dutylog.ledger.unit_profiles import (
    UNIT_PROFILE,
    ProfileChange,
    add_profile,
    change_data,
    is_alike,
    next_change,
    profile_from_dict,
    profile_on,
    read_changes,
)

_DIGEST = re.compile(r"[0-9a-f]{64}")
_DIGITS = re.compile(r"[0-9a-f]{16}")
_GAS_FIELDS = ("gauge_pa", "body_c", "air_c", "travel_mm", "altitude_m")


@dataclass(frozen=True, slots=True)
class _NewProfile:
    """A profile that a unit gets at a place in its running time. was: name before. until: the change that ends it."""

    profile: Profile
    was: str
    running_s: float
    until: ProfileChange | None


@dataclass(frozen=True, slots=True)
class Taken:
    """What taking a record wrote.

    rows: by kind of entry. withdrawn: rows that it corrects. notices: lines for people. text: what was done.
    """

    rows: Mapping[str, int]
    withdrawn: tuple[int, ...]
    notices: tuple[str, ...]
    text: str


def check_digest(value: object, what: str) -> str:
    """Return 64 hex digits."""
    if not isinstance(value, str) or not _DIGEST.fullmatch(value):
        raise InputError(f"{what}: {value!r:.40}, expected 64 hex digits")
    return value


def check_key_id(value: object, what: str) -> str:
    """Return 16 hex digits; blanks between them don't count."""
    return _check_digits(value, what, "as the bench shows its key")


def check_named_record(value: object, what: str) -> str:
    """Return the first 16 hex digits of a record's digest; blanks between them don't count."""
    return _check_digits(value, what, "as the line that refused the record has them")


def check_gas(value: object, what: str) -> dict[str, float]:
    """Return a gas fill: each of its figures within what a reading may have."""
    if not isinstance(value, dict) or set(value) != set(_GAS_FIELDS):
        raise InputError(f"{what}: expected {', '.join(_GAS_FIELDS)}")
    return {name: gas_readings.check_field(name)(value[name], f"{what}: {name}") for name in _GAS_FIELDS}


def store(
    ledger: Ledger, request: Mapping[str, Any], sequence: int | None, others: Sequence[tuple[EntryDraft, int]] = ()
) -> Taken:
    """Write all that a checked request `service_record` tells, in one transaction.

    Args:
        ledger: open for writing. sequence: of the raw log, None: the cursor's.
        others: drafts that go with it, each with its place in the log.
    Raises:
        LedgerError: no such unit, taken already, out of turn, or signed by another key than that bench had.
        InputError: a day to come, a fill where there is no valve, a profile that clashes with one there is.
    """
    unit = ledger.find_unit(request["unit"])
    known = read_records(ledger)
    notices = [*check_key(known, request), *check_turn(ledger, unit, known, request)]
    at = ledger.cursor().hot_sequence if sequence is None else sequence
    gone = corrected_rows(unit, known, request, life_entries.withdrawn_rows(ledger))
    new = _new_profile(ledger, unit, request)
    drafts = _drafts(ledger, unit, request, new)
    why = f"corrected by record {request['sequence']} of {request['bench']}"[:200]
    with ledger.database.write() as connection:
        stamp, rows = ledger.stamp(), {}

        def append(draft: EntryDraft, place: int) -> Entry:
            entry = append_entry(ledger.database, connection, stamp, draft, place)
            rows[draft.kind] = entry.row
            return entry

        for row in gone:
            data = {"row": row, "by": request["by"], "why": why}
            append(EntryDraft(life_entries.WITHDRAW, unit.unit_id, data), at)
        for draft in drafts:
            append(draft, at)
        if new is not None:
            if new.until is None:
                connection.execute("UPDATE unit SET profile = ? WHERE unit_id = ?", (new.profile.name, unit.unit_id))
            add_profile(ledger.database, connection, new.profile)
        append(EntryDraft(SERVICE_RECORD, unit.unit_id, _record_data(request, rows)), at)
        for draft, place in others:
            append(draft, place)
    return Taken(rows, gone, tuple(notices), _say(request, gone, new))


def is_latest(ledger: Ledger, unit: Unit, day: str) -> bool:
    """Return whether a profile that a unit gets on a day is what it has now: none follows later in its life."""
    running_s = life_entries.running_s_on(ledger, unit, day)
    return next_change(read_changes(ledger, unit.unit_id), running_s, date.fromisoformat(day)) is None


def _check_digits(value: object, what: str, where: str) -> str:
    text = value.replace(" ", "").lower() if isinstance(value, str) else value
    if not isinstance(text, str) or not _DIGITS.fullmatch(text):
        raise InputError(f"{what}: {value!r:.40}, expected 16 hex digits, {where}")
    return text


def _new_profile(ledger: Ledger, unit: Unit, request: Mapping[str, Any]) -> _NewProfile | None:
    """Return the profile that a unit gets, None where it had that one already."""
    if request["profile"] is None:
        return None
    profile = profile_from_dict(request["profile"])
    there = next((one for one in require_vehicle(ledger).profiles if one.name == profile.name), None)
    if there is not None and not is_alike(there, profile):
        raise InputError(
            f"the vehicle has another profile {profile.name} already; take the record with --profile-name NAME"
        )
    life_entries.refuse_day_to_come(ledger, request["on"])
    changes, day = read_changes(ledger, unit.unit_id), date.fromisoformat(request["on"])
    running_s = life_entries.running_s_on(ledger, unit, request["on"])
    was = profile_on(unit.profile, changes, running_s, day)
    return None if profile.name == was else _NewProfile(profile, was, running_s, next_change(changes, running_s, day))


def _drafts(ledger: Ledger, unit: Unit, request: Mapping[str, Any], new: _NewProfile | None) -> list[EntryDraft]:
    """Return the entries of what was done, in their order: service, fill, profile."""
    story = {"unit": request["unit"], "by": request["done_by"], "on": request["on"], "note": request["note"]}
    drafts = []
    if request["replaced"] or request["found"]:
        told = {**story, "replaced": request["replaced"], "found": request["found"]}
        drafts.append(life_entries.draft_service(ledger, unit, told))
    if request["gas"] is not None:
        filled = {**story, **request["gas"], "note": None, "what": gas_readings.FILL, "oil_c": None, "hose_ml": None}
        drafts.append(gas_readings.draft_reading(ledger, unit, filled, None if new is None else new.profile))
    life_entries.refuse_day_to_come(ledger, request["on"])
    if new is not None:
        data = change_data(new.was, new.profile, request["on"], new.running_s)
        drafts.append(EntryDraft(UNIT_PROFILE, unit.unit_id, data))
    return drafts


def _say(request: Mapping[str, Any], gone: Sequence[int], new: _NewProfile | None) -> str:
    """Return what a record did, in words."""
    done = [f"replaced {', '.join(request['replaced'])}"] if request["replaced"] else []
    done += [f"found {part} {grade}" for part, grade in request["found"].items()]
    done += ["filled"] if request["gas"] is not None else []
    if new is not None:
        until = "on" if new.until is None else f"until {new.until.day}, when it became {new.until.name}"
        done.append(f"profile {new.profile.name} from {request['on']} {until}")
    done += [f"entries {', '.join(map(str, gone))} withdrawn"] if gone else []
    return "; ".join(done) or "nothing replaced, nothing found"


def _record_data(request: Mapping[str, Any], rows: Mapping[str, int]) -> dict[str, Any]:
    names = ("digest", "bench_id", "bench", "key_id", "sequence", "job", "visit", "previous", "checked_by")
    return {
        **{name: request[name] for name in names},
        "day": request["on"],
        "by": request["done_by"],
        "taken_by": request["by"],
        "service": rows.get(life_entries.SERVICE),
        "gas": rows.get(life_entries.GAS_READING),
        "profile": rows.get(UNIT_PROFILE),
    }
