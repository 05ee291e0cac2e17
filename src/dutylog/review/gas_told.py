"""What readings and alerts say of the gas of the dampers on a trip."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger import gas_readings
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import LifeEntries
from dutylog.life.gas_history import compute_leak, tell

NO_GAS = "twin_tube"


def read_gas_days(
    ledger: Ledger, entries: LifeEntries, units: Mapping[str, str], day: date | None
) -> dict[str, float | None]:
    """Return how many days before `day` each position's charge was last read; negative: after it.

    None: nobody told a reading, or no clock vouches for its day or for `day`. Dampers without gas aren't in it.

    Args:
        entries: what people told, of the same ledger. units: ids by position. day: of the trip's end.
    """
    found: dict[str, float | None] = {}
    for position, unit_id in units.items():
        unit = ledger.unit(unit_id)
        profile = None if unit is None else _profile(ledger, unit.profile)
        if profile is not None and profile.construction == NO_GAS:
            continue
        days = [
            one.day
            for one in gas_readings.history(ledger, unit_id, entries.withdrawn)
            if one.day is not None and one.is_day_sure
        ]
        found[position] = float((day - max(days)).days) if days and day is not None else None
    return found


def read_leaking(ledger: Ledger, entries: LifeEntries, units: Mapping[str, str], today: date) -> dict[str, bool]:
    """Return by position whether its readings show that the charge goes down by more than they differ."""
    found = {}
    for position, unit_id in units.items():
        unit = ledger.unit(unit_id)
        profile = None if unit is None else _profile(ledger, unit.profile)
        if profile is None:
            continue
        services = [one for one in entries.services if one.unit_id == unit_id and "charge" in one.replaced]
        renewed = [one.said.day for one in services if one.said.day is not None]
        stored = gas_readings.history(ledger, unit_id, entries.withdrawn)
        try:
            told = tell(profile, stored, profile.charge_pa, renewed).told
            leak = compute_leak(told, profile.charge_pa, today.toordinal())
        except InputError:
            continue  # a profile that can't be reckoned with says nothing of its gas
        found[position] = leak is not None and leak.is_shown
    return found


def _profile(ledger: Ledger, name: str) -> Profile | None:
    vehicle = ledger.vehicle()
    return None if vehicle is None else next((one for one in vehicle.profiles if one.name == name), None)
