"""Gauge readings of nitrogen charges as entries of the chain: what was shown, how warm, how far in, by whom.

Fields, limits and messages: shared/CHARGE.md.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from dutylog.domain.gas import check_charged
from dutylog.domain.nitrogen import ALTITUDES_M
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.calibrations import check_number, require_vehicle
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import CLOCK_SET_YEAR, GAS_READING, refuse_day_to_come
from dutylog.ledger.names import nearest
from dutylog.ledger.rows import Entry, EntryDraft, Unit
from dutylog.units import NS_PER_S

CHECK, FILL = "check", "fill"
"""Only read; or filled, and read afterwards."""
WHAT = (CHECK, FILL)
LIMITS: Mapping[str, tuple[float, float, str]] = {
    "gauge_pa": (0.0, 6e6, "Pa"),
    "body_c": (-50.0, 200.0, "degC"),
    "oil_c": (-50.0, 250.0, "degC"),
    "air_c": (-50.0, 60.0, "degC"),
    "travel_mm": (0.0, 2000.0, "mm"),
    "altitude_m": (*ALTITUDES_M, "m"),
    "hose_ml": (0.1, 200.0, "ml"),
}
"""What a reading may say: name, least, most, unit. 6 MPa is half as much again as a charge in a vehicle file."""


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One reading. row: number of its entry. what: one of WHAT; a fill is told as read after filling.

    gauge_pa: as the gauge showed it, against the air around. oil_c: None: as warm as the body. hose_ml: room of gauge
    and hose, None where nobody said. day: None where neither a person nor the clock knew it. is_day_sure: a person
    said it or the clock was vouched for.
    """

    row: int
    unit_id: str
    gauge_pa: float
    what: str
    body_c: float
    oil_c: float | None
    air_c: float
    travel_mm: float
    altitude_m: float
    hose_ml: float | None
    by: str
    note: str | None
    day: date | None
    is_day_sure: bool


def check_what(value: object, what: str) -> str:
    """Return one of WHAT; InputError for anything else."""
    if not isinstance(value, str) or value not in WHAT:
        raise InputError(f"{what}: {value!r:.40} is none of {', '.join(WHAT)}")
    return value


def check_field(name: str) -> Callable[[object, str], float]:
    """Return the check of one of LIMITS."""
    low, high, unit = LIMITS[name]

    def check(value: object, what: str) -> float:
        number = check_number(value, what)
        if not low <= number <= high:
            raise InputError(f"{what}: {number:g} {unit}, expected {low:g} to {high:g}")
        return number

    return check


def store(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> StoredReading:
    """Write the entry of a checked request `gas_reading`.

    Raises:
        LedgerError: no such unit, no vehicle known, or it has no profile of that name.
        InputError: a kind without a valve, more travel than stroke, or a day to come.
    """
    draft = draft_reading(ledger, ledger.find_unit(request["unit"]), request)
    at = ledger.cursor().hot_sequence if sequence is None else sequence
    return read_entry(ledger, ledger.append_entry(draft.kind, draft.unit_id, draft.data, at))


def draft_reading(ledger: Ledger, unit: Unit, request: Mapping[str, Any], profile: Profile | None = None) -> EntryDraft:
    """Return the entry of a reading, not written yet; errors as those of `store`. profile: None: the unit's own."""
    profile = find_profile(ledger, unit) if profile is None else profile
    check_charged(profile)
    stroke_mm = profile.stroke_m * 1e3
    if request["travel_mm"] > stroke_mm:
        raise InputError(
            f"command gas_reading: travel_mm {request['travel_mm']:g}, but damper {unit.label} has a stroke of "
            f"{stroke_mm:g} mm; 0 is full extension"
        )
    refuse_day_to_come(ledger, request["on"])
    data = {name: request[name] for name in (*LIMITS, "what", "by", "note", "on")}
    return EntryDraft(GAS_READING, unit.unit_id, data)


def find_profile(ledger: Ledger, unit: Unit) -> Profile:
    """Return the profile of a unit; LedgerError where the vehicle in force has none of that name."""
    profiles = {profile.name: profile for profile in require_vehicle(ledger).profiles}
    if unit.profile not in profiles:
        raise LedgerError(
            f"damper {unit.label} has profile {unit.profile}, which the vehicle lacks; "
            f"{nearest(unit.profile, profiles)}"
        )
    return profiles[unit.profile]


def history(ledger: Ledger, unit_id: str, withdrawn: frozenset[int] = frozenset()) -> list[StoredReading]:
    """Return a unit's readings in the order of their entries, without the rows that were withdrawn."""
    entries = [entry for entry in ledger.entries_of(GAS_READING) if entry.unit_id == unit_id]
    return [read_entry(ledger, entry) for entry in entries if entry.row not in withdrawn]


def read_entry(ledger: Ledger, entry: Entry) -> StoredReading:
    """Return what an entry holds; LedgerCorrupt when it can't be read."""
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        oil_c, hose_ml = (None if data[name] is None else float(data[name]) for name in ("oil_c", "hose_ml"))
        gauge_pa, body_c, air_c, travel_mm, altitude_m = (
            float(data[name]) for name in ("gauge_pa", "body_c", "air_c", "travel_mm", "altitude_m")
        )
        written = datetime.fromtimestamp(entry.utc_ns / NS_PER_S, UTC).date()
        said = None if data["on"] is None else date.fromisoformat(data["on"])
        return StoredReading(
            row=entry.row,
            unit_id=str(entry.unit_id),
            gauge_pa=gauge_pa,
            what=check_what(data["what"], "what"),
            body_c=body_c,
            oil_c=oil_c,
            air_c=air_c,
            travel_mm=travel_mm,
            altitude_m=altitude_m,
            hose_ml=hose_ml,
            by=str(data["by"]),
            note=None if data["note"] is None else str(data["note"]),
            day=said or (written if written.year >= CLOCK_SET_YEAR else None),
            is_day_sure=said is not None or entry.utc_trusted,
        )
