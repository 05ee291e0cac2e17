"""What a request may hold: every command with its fields and their checks; tables for people in shared/LEDGER.md."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.errors import InputError
from dutylog.ledger import (
    calibrations,
    card_entries,
    gas_readings,
    life_entries,
    push_tests,
    service_records,
    trip_mend,
    trip_notes,
    unit_profiles,
)
from dutylog.ledger.names import NAME_LIMIT, NOTE_LIMIT

OIL, DAMPING = "oil", "damping"
HEAT_RESETS = {
    "learning": "what was learned of how it sheds heat is forgotten; it is learned anew",
    DAMPING: "the baseline of its damping output is forgotten; it is learned anew",
}
"""What may be forgotten of a damper's heat, and what is said then."""


def check_reset(value: object, what: str) -> str:
    """Return one of HEAT_RESETS; InputError for anything else."""
    if not isinstance(value, str) or value not in HEAT_RESETS:
        raise InputError(f"{what}: {value!r:.40} is none of {', '.join(HEAT_RESETS)}")
    return value


@dataclass(frozen=True, slots=True)
class FieldRule:
    """What a field of a request may be: text of at most `limit` characters, or a whole number from 1.

    check: for a field that is neither; takes the value and what it is called, returns the value or raises InputError.
    """

    is_required: bool
    limit: int = NAME_LIMIT
    is_number: bool = False
    check: Callable[[object, str], Any] | None = None


COMMANDS: Mapping[str, Mapping[str, FieldRule]] = {
    "ping": {},
    "add": {"serial": FieldRule(False), "profile": FieldRule(True), "note": FieldRule(False, NOTE_LIMIT)},
    "install": {"unit": FieldRule(True), "position": FieldRule(True)},
    "remove": {"unit": FieldRule(True)},
    "rename_trip": {"trip": FieldRule(True, check=trip_mend.check_key), "name": FieldRule(False)},
    "trip_split": {
        "trip": FieldRule(True, check=trip_mend.check_key),
        "at_s": FieldRule(True, check=trip_mend.check_at),
        "by": FieldRule(True),
    },
    "trip_merge": {"trips": FieldRule(True, check=trip_mend.check_keys), "by": FieldRule(True)},
    "trip_not_driven": {
        "trip": FieldRule(True, check=trip_mend.check_key),
        "why": FieldRule(True, check=trip_mend.check_why),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "trip_undo": {"entry": FieldRule(True, is_number=True), "by": FieldRule(True)},
    "acknowledge": {"alert": FieldRule(True), "by": FieldRule(True)},
    "heat_reset": {"position": FieldRule(True), "what": FieldRule(True, check=check_reset)},
    "calibrate": {
        "position": FieldRule(True),
        "kind": FieldRule(True),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
        "is_remounted": FieldRule(False, check=calibrations.check_flag),
        "corrects": FieldRule(False, check=calibrations.check_flag),
        "method": FieldRule(False),
        "points": FieldRule(False, check=calibrations.check_points),
        "extended_mm": FieldRule(False, check=calibrations.check_number),
        "body_c": FieldRule(False, check=calibrations.check_number),
        "ambient_c": FieldRule(False, check=calibrations.check_number),
        "rested_h": FieldRule(False, check=calibrations.check_number),
        "others_c": FieldRule(False, check=calibrations.check_numbers),
    },
    "push_test": {
        "by": FieldRule(True),
        "when": FieldRule(True, check=push_tests.check_when),
        "note": FieldRule(False, NOTE_LIMIT),
        "corners": FieldRule(True, check=push_tests.check_corners),
    },
    "service": {
        "unit": FieldRule(True),
        "by": FieldRule(True),
        "on": FieldRule(False, check=life_entries.check_day),
        "note": FieldRule(False, NOTE_LIMIT),
        "replaced": FieldRule(True, check=life_entries.check_parts),
        "found": FieldRule(True, check=life_entries.check_found),
    },
    "dirt": {
        "trip": FieldRule(True, is_number=True),
        "what": FieldRule(True, check=life_entries.check_dirt),
        "washed": FieldRule(True, check=calibrations.check_flag),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "stated_use": {
        "unit": FieldRule(True),
        "distance_m": FieldRule(True, check=life_entries.check_distance),
        "mix": FieldRule(True, check=life_entries.check_mix),
        "kind": FieldRule(True, check=life_entries.check_use),
        "from_day": FieldRule(False, check=life_entries.check_day),
        "to_day": FieldRule(False, check=life_entries.check_day),
        "factor": FieldRule(True, check=life_entries.check_factor),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "shaft_mark": {
        "unit": FieldRule(True),
        "mark": FieldRule(True, check=life_entries.check_mark),
        "distance_mm": FieldRule(True, check=life_entries.check_millimetres),
        "size_mm": FieldRule(True, check=life_entries.check_size),
        "is_sharp": FieldRule(True, check=calibrations.check_flag),
        "on": FieldRule(False, check=life_entries.check_day),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "gas_reading": {
        "unit": FieldRule(True),
        "gauge_pa": FieldRule(True, check=gas_readings.check_field("gauge_pa")),
        "what": FieldRule(True, check=gas_readings.check_what),
        "body_c": FieldRule(True, check=gas_readings.check_field("body_c")),
        "oil_c": FieldRule(False, check=gas_readings.check_field("oil_c")),
        "air_c": FieldRule(True, check=gas_readings.check_field("air_c")),
        "travel_mm": FieldRule(True, check=gas_readings.check_field("travel_mm")),
        "altitude_m": FieldRule(True, check=gas_readings.check_field("altitude_m")),
        "hose_ml": FieldRule(False, check=gas_readings.check_field("hose_ml")),
        "on": FieldRule(False, check=life_entries.check_day),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "care": {
        "trip": FieldRule(True, check=trip_notes.check_key),
        "item": FieldRule(True, check=trip_notes.check_item),
        "by": FieldRule(True),
        "note": FieldRule(False, NOTE_LIMIT),
    },
    "load_note": {
        "trip": FieldRule(True, check=trip_notes.check_key),
        "text": FieldRule(True),
        "by": FieldRule(True),
    },
    "road_said": {
        "trip": FieldRule(True, check=trip_notes.check_key),
        "from_s": FieldRule(True, check=trip_notes.check_moment),
        "to_s": FieldRule(True, check=trip_notes.check_moment),
        "kind": FieldRule(True, check=trip_notes.check_road),
        "by": FieldRule(True),
    },
    "withdraw": {
        "entry": FieldRule(True, is_number=True),
        "by": FieldRule(True),
        "why": FieldRule(True, NOTE_LIMIT),
    },
    "service_record": {
        "unit": FieldRule(True),
        "by": FieldRule(True),
        "done_by": FieldRule(True),
        "checked_by": FieldRule(True),
        "on": FieldRule(True, check=life_entries.check_day),
        "note": FieldRule(False, NOTE_LIMIT),
        "replaced": FieldRule(True, check=life_entries.check_parts),
        "found": FieldRule(True, check=life_entries.check_found),
        "gas": FieldRule(False, check=service_records.check_gas),
        "profile": FieldRule(False, check=unit_profiles.check_profile_form),
        "bench_id": FieldRule(True),
        "bench": FieldRule(True, 200),
        "key_id": FieldRule(True, check=service_records.check_key_id),
        "accept_key": FieldRule(False, check=service_records.check_key_id),
        "digest": FieldRule(True, check=service_records.check_digest),
        "sequence": FieldRule(True, is_number=True),
        "previous": FieldRule(False, check=service_records.check_digest),
        "job": FieldRule(True, is_number=True),
        "visit": FieldRule(True, check=service_records.check_digest),
        "accept_record": FieldRule(False, check=service_records.check_named_record),
    },
    "card_issued": {
        "unit": FieldRule(True),
        "number": FieldRule(True, is_number=True),
        "head_row": FieldRule(True, is_number=True),
        "public_key": FieldRule(True, check=card_entries.check_hex),
        "body_digest": FieldRule(True, check=card_entries.check_hex),
        "revision": FieldRule(True, is_number=True),
        "totals": FieldRule(True, check=card_entries.check_totals),
        "by": FieldRule(True),
    },
}
