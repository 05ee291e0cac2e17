"""What a duty card says of a damper: plain JSON from the ledger, without evidence and signature (shared/DUTY_CARD.md).

It holds no position on earth and no name of a trip. Nothing here needs more than the ledger, opened for reading.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from dutylog import ENGINE
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import LedgerError
from dutylog.ledger import gas_readings
from dutylog.ledger.calibrations import require_vehicle
from dutylog.ledger.card_entries import last_issued
from dutylog.ledger.card_rows import read_alerts_of_unit, read_hashes, read_trip_numbers
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import Dirt, LifeEntries, known_day, read_life
from dutylog.ledger.rows import StoredAlert, Unit, UnitDuty
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.ledger.unit_profiles import profile_to_dict
from dutylog.life.to_dict import mark_to_json, part_to_json
from dutylog.life.unit_life import Lives, UnitLife
from dutylog.units import J_PER_UJ, NS_PER_S

KIND, SCHEMA = "dutylog-duty-card", 1
MOST_TRIPS, MOST_ALERTS = 50, 50
"""The newest of each: what a bench looks through (judgement); totals hold all."""
BIN_C = 10
"""Width of a step of the histogram of body temperature [K]."""
SETTING = "setting"
_S_PER_US = 1e-6
_C_PER_MC = 1e-3


@dataclass(frozen=True, slots=True)
class Body:
    """A card's body, and what else the entry that tells of it needs. head_row: newest entry it was made from."""

    content: dict[str, Any]
    number: int
    revision: int
    totals: Totals
    head_row: int


def body_of(ledger: Ledger, unit: Unit, by: str) -> Body:
    """Return what the next card of a damper says, all of one moment.

    Args:
        ledger: open for reading; its clock dates the card.
        by: who has it made.
    Raises:
        LedgerError: no vehicle is stored, or the ledger can't be read.
        InputError: its profile isn't in the vehicle file.
    """
    with ledger.reading():
        vehicle = require_vehicle(ledger)
        life, told, stamp = Lives(ledger).read(unit), read_life(ledger), ledger.stamp()
        duty = _duty_of(ledger, unit)
        last, newest = last_issued(ledger, unit.unit_id), ledger.entries(limit=1)[0]
        number = 1 if last is None else last.number + 1
        content = {
            "kind": KIND,
            "schema": SCHEMA,
            "engine": ENGINE,
            "issued": {
                "sequence": number,
                "utc": instant_text(stamp.utc_ns),
                "utc_trusted": stamp.utc_trusted,
                "by": by,
            },
            "vehicle": {
                "ledger_id": read_hashes(ledger, 1)[0].hex(),
                "vehicle_id": vehicle.vehicle_id,
                "name": vehicle.name,
            },
            "damper": {
                "unit_id": unit.unit_id,
                "serial": unit.serial,
                "tag": unit.tag,
                "position": life.position,
                "added_day": _day_text(known_day(unit.added_utc_ns)),
            },
            "profile": profile_to_dict(life.profile),
            "settings": _settings(ledger, unit),
            "installs": _installs(ledger, unit),
            "revision": duty.revision,
            "totals": totals_to_dict(duty.totals),
            "parts": [part_to_json(one) for one in life.parts],
            "marks": [mark_to_json(one) for one in life.marked],
            "heat": _heat(ledger, life, duty.totals),
            "trips": _trips(ledger, unit, told.dirts),
            "gas": _gas(ledger, unit, told),
            "alerts": [_alert(one) for one in read_alerts_of_unit(ledger, unit.unit_id, MOST_ALERTS)],
            "services": _services(told, unit),
            "stated_use": _stated_use(told, unit),
            "coverage": _coverage(duty.totals),
        }
    return Body(content, number, duty.revision, duty.totals, newest.row)


def totals_to_dict(totals: Totals) -> dict[str, int | None]:
    """Return a damper's totals by their columns."""
    return dict(zip(TOTALS_COLUMNS, totals.as_row(), strict=True))


def instant_text(utc_ns: int) -> str:
    """Return a wall time [ns] as text, whole seconds."""
    return datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _duty_of(ledger: Ledger, unit: Unit) -> UnitDuty:
    found = next((one for one in ledger.unit_duties() if one.unit_id == unit.unit_id), None)
    if found is None:
        raise LedgerError(f"damper {unit.label} has no totals in ledger {ledger.path}; check it: dutylog ledger verify")
    return found


def _settings(ledger: Ledger, unit: Unit) -> list[dict[str, Any]]:
    """Return what the unit's adjusters stood on, as it was written down, oldest first."""
    found = []
    for entry in ledger.entries_of(SETTING):
        if entry.unit_id == unit.unit_id:
            with decoding(ledger.path, f"entry {entry.row}"):
                data = json.loads(entry.data)
                names = ("position", "from_day", "name", "compression_clicks", "rebound_clicks")
                found.append({name: data[name] for name in names})
    return found


def _installs(ledger: Ledger, unit: Unit) -> list[dict[str, Any]]:
    return [
        {
            "position": stay.position,
            "wheel": stay.wheel,
            "from_day": _day_text(known_day(stay.from_utc_ns)),
            "to_day": None if stay.to_utc_ns is None else _day_text(known_day(stay.to_utc_ns)),
        }
        for stay in ledger.installs_of(unit.unit_id)
    ]


def _heat(ledger: Ledger, life: UnitLife, totals: Totals) -> dict[str, Any]:
    seconds: Counter[int] = Counter()
    for row in ledger.use_rows(life.unit.unit_id):
        # Rows of what wasn't driven have no temperature.
        if row.body_mean_c is not None:
            seconds[int(row.body_mean_c // BIN_C)] += row.duration_us
    histogram = [[step * BIN_C, (step + 1) * BIN_C, seconds[step] * _S_PER_US] for step in sorted(seconds)]
    return {
        "hot_seal_s": life.hot_seal_s,
        "hot_oil_s": life.hot_oil_s,
        "peak_body_c": _peak_body_c(totals),
        "body_histogram": histogram,
    }


def _trips(ledger: Ledger, unit: Unit, dirts: Sequence[Dirt]) -> list[dict[str, Any]]:
    """Return the newest trips the unit was on, those that weren't driven left out, the newest first."""
    book, said = TripBook(ledger), {one.number: one for one in dirts}
    found: dict[str, dict[str, Any]] = {}
    # Some of them may be merged into one, or not count.
    for number in read_trip_numbers(ledger, unit.unit_id, 4 * MOST_TRIPS):
        whole = book.trip(number)
        for key in reversed(whole.parts or (whole.key,)):
            trip = book.trip(key) if whole.parts else whole
            if key not in found and trip.not_driven is None:
                row = _trip(trip, unit, said)
                if row is not None:
                    found[key] = row
        if len(found) >= MOST_TRIPS:
            break
    return list(found.values())[:MOST_TRIPS]


def _trip(trip: BookTrip, unit: Unit, said: Mapping[int, Dirt]) -> dict[str, Any] | None:
    totals = Totals()
    shares = [one.totals for one in trip.dampers if one.unit_id == unit.unit_id]
    if not shares:
        return None
    for share in shares:
        totals.merge(share)
    dirt = next((said[number] for number in reversed(trip.numbers) if number in said), None)
    return {
        "day": None if trip.start_utc_ns is None else _day_text(known_day(trip.start_utc_ns)),
        "distance_m": trip.distance_m,
        "moving_s": trip.moving_us * _S_PER_US,
        "energy_j": totals.energy_uj * J_PER_UJ,
        "bottom_outs_count": totals.bottom_outs_count,
        # Nothing on the vehicle counts them; a zero would say that there were none.
        "top_outs_count": None,
        "peak_body_c": _peak_body_c(totals),
        "dirt": None if dirt is None else dirt.what,
        "washed": None if dirt is None else dirt.washed,
    }


def _gas(ledger: Ledger, unit: Unit, told: LifeEntries) -> list[dict[str, Any]]:
    names = ("what", "gauge_pa", "body_c", "oil_c", "air_c", "travel_mm", "altitude_m", "by")
    return [
        {"day": _day_text(one.day), **{name: getattr(one, name) for name in names}}
        for one in gas_readings.history(ledger, unit.unit_id, told.withdrawn)
    ]


def _alert(one: StoredAlert) -> dict[str, Any]:
    day = None if one.raised_at is None else known_day(one.raised_at.utc_ns)
    row = one.row
    return {
        "day": _day_text(day),
        "kind": row.kind,
        "level": row.level,
        "text": row.text,
        "is_over": row.cleared is not None,
    }


def _services(told: LifeEntries, unit: Unit) -> list[dict[str, Any]]:
    return [
        {
            "entry": one.said.row,
            "day": _day_text(one.said.day),
            "by": one.said.by,
            "replaced": list(one.replaced),
            "found": dict(one.found),
            "note": one.said.note,
        }
        for one in told.services
        if one.unit_id == unit.unit_id
    ]


def _stated_use(told: LifeEntries, unit: Unit) -> list[dict[str, Any]]:
    return [
        {
            "entry": one.said.row,
            "distance_m": one.distance_m,
            "mix": one.mix,
            "kind": one.kind,
            "from_day": _day_text(one.from_day),
            "to_day": _day_text(one.to_day),
            "by": one.said.by,
        }
        for one in told.uses
        if one.unit_id == unit.unit_id
    ]


def _coverage(totals: Totals) -> dict[str, Any]:
    ratio = totals.moving_measured_us / totals.moving_us if totals.moving_us else None
    return {
        "moving_s": totals.moving_us * _S_PER_US,
        "moving_measured_s": totals.moving_measured_us * _S_PER_US,
        "ratio": ratio,
    }


def _peak_body_c(totals: Totals) -> float | None:
    return None if totals.peak_body_mc is None else totals.peak_body_mc * _C_PER_MC


def _day_text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
