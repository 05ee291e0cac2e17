"""What kind of damper a unit is, over time: a revalved one has another profile from a day on (shared/LEDGER.md).

The change is an entry of the chain with the new profile in it, so that nothing hangs on the vehicle file having it: the
ledger hands such profiles out beside those of the file.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from dutylog.domain.vehicle import Profile, Vehicle
from dutylog.errors import InputError
from dutylog.ledger.chain import encode_canonical
from dutylog.ledger.database import Database, decoding
from dutylog.ledger.rows import Entry, Unit

if TYPE_CHECKING:
    from dutylog.ledger.ledger import Ledger

UNIT_PROFILE = "unit_profile"
ADDED_KEY = "added_profiles"
"""Of `meta`: profiles that came with service records, all that there ever were."""


@dataclass(frozen=True, slots=True)
class ProfileChange:
    """A unit's profile changed. running_s: the unit's running time then. was, name: profiles before and since."""

    row: int
    unit_id: str
    was: str
    name: str
    day: date
    running_s: float
    profile: Profile


def profile_to_dict(profile: Profile) -> dict[str, Any]:
    """Return the dictionary form of one profile (shared/RECORDING.md)."""
    form: dict[str, Any] = Vehicle("v", "v", (), (profile,)).to_dict()["profiles"][0]
    return form


def profile_from_dict(data: Mapping[str, Any]) -> Profile:
    """Return a profile of its dictionary form; InputError when it isn't one."""
    form = {"schema": 1, "vehicle_id": "v", "name": "v", "dampers": [], "profiles": [data]}
    return Vehicle.from_dict(form).profiles[0]


def is_alike(one: Profile, other: Profile) -> bool:
    """Return whether two profiles say the same but for what conversions leave over."""
    return _alike(profile_to_dict(one), profile_to_dict(other))


def check_profile_form(value: object, what: str) -> dict[str, Any]:
    """Return the dictionary form of a profile, checked; InputError for anything else."""
    if not isinstance(value, dict):
        raise InputError(f"{what}: expected a profile")
    try:
        return profile_to_dict(profile_from_dict(value))
    except (InputError, AttributeError) as err:
        raise InputError(f"{what}: {err}") from err


def change_data(was: str, profile: Profile, day: str, running_s: float) -> dict[str, Any]:
    """Return the data of an entry UNIT_PROFILE. was: name of the profile until then."""
    return {
        "from": was,
        "to": profile.name,
        "day": day,
        "running_s": running_s,
        "profile": profile_to_dict(profile),
    }


def read_changes(ledger: Ledger, unit_id: str | None = None) -> list[ProfileChange]:
    """Return changes of one unit, or of all, oldest first; LedgerCorrupt when one can't be read."""
    entries = ledger.entries_of(UNIT_PROFILE)
    return [_read(ledger, one) for one in entries if unit_id in (None, one.unit_id)]


def order_changes(changes: Sequence[ProfileChange]) -> list[ProfileChange]:
    """Return changes of one unit in the order in which they count.

    One that was told later for an earlier day stands where it was, not where it was told. Where the damper didn't run
    between two days, the later day counts; of one day, what was told last.
    """
    return sorted(changes, key=lambda one: (one.running_s, one.day, one.row))


def first_profile(unit_profile: str, changes: Sequence[ProfileChange]) -> str:
    """Return the name of the profile that a unit began with. unit_profile: what it has now."""
    # Each entry says what the unit had when it was told; only the first one told knew of no other.
    return min(changes, key=lambda one: one.row).was if changes else unit_profile


def profile_on(unit_profile: str, changes: Sequence[ProfileChange], running_s: float, day: date) -> str:
    """Return the name of the profile that a unit had at the end of a day, which is a place in its running time [s]."""
    before = [one for one in order_changes(changes) if (one.running_s, one.day) <= (running_s, day)]
    return before[-1].name if before else first_profile(unit_profile, changes)


def next_change(changes: Sequence[ProfileChange], running_s: float, day: date) -> ProfileChange | None:
    """Return the change that ends a profile which begins on a day, a place in the running time [s]; None: none does."""
    return next((one for one in order_changes(changes) if (one.running_s, one.day) > (running_s, day)), None)


def read_added(database: Database) -> list[Profile]:
    """Return the profiles that came with service records; LedgerCorrupt when they can't be read."""
    row = database.row("SELECT value FROM meta WHERE key = ?", (ADDED_KEY,))
    with decoding(database.path, "profiles of service records"):
        told = [] if row is None else json.loads(row[0])["profiles"]
        return [profile_from_dict(one) for one in told]


def add_profile(database: Database, connection: sqlite3.Connection, profile: Profile) -> None:
    """Keep a profile that came with a service record, within a transaction that is under way."""
    added = [*(one for one in read_added(database) if one.name != profile.name), profile]
    value = encode_canonical({"profiles": [profile_to_dict(one) for one in added]})
    connection.execute(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value", (ADDED_KEY, value)
    )


def with_added(vehicle: Vehicle, added: Sequence[Profile]) -> Vehicle:
    """Return a vehicle with profiles that its file doesn't have; one that it has is the file's own."""
    known = {profile.name for profile in vehicle.profiles}
    lacking = tuple(profile for profile in added if profile.name not in known)
    return replace(vehicle, profiles=(*vehicle.profiles, *lacking)) if lacking else vehicle


def followed(ledger: Ledger, vehicle: Vehicle) -> tuple[Vehicle, list[str]]:
    """Return a vehicle in which revalved dampers count with the profile they have now, and lines for people about it.

    A place whose profile in the vehicle file is another one that its damper had gets the one it has now; any other
    profile there is the file's word.
    """
    changes = read_changes(ledger)
    if not changes:
        return vehicle, []
    installed, notes, dampers = ledger.installed(), [], []
    added: list[Profile] = []
    for damper in vehicle.dampers:
        unit = installed.get(damper.position)
        ours = [one for one in changes if unit is not None and one.unit_id == unit.unit_id]
        if unit is None or not ours or damper.profile == unit.profile:
            dampers.append(damper)
            continue
        newest = order_changes(ours)[-1]
        told = (
            f"{damper.position}: damper {unit.label} has profile {unit.profile} since {newest.day} (entry {newest.row})"
        )
        if damper.profile not in _names_in(ours):
            notes.append(
                f"{told}, the vehicle file gives it {damper.profile}; that counts. Correct the one that's wrong"
            )
            dampers.append(damper)
            continue
        notes.append(f'{told}; that counts. Write profile = "{unit.profile}" at {damper.position} in the vehicle file')
        dampers.append(replace(damper, profile=unit.profile))
        added.append(newest.profile)
    return with_added(replace(vehicle, dampers=tuple(dampers)), added), notes


def had_profile(ledger: Ledger, unit: Unit, name: str) -> bool:
    """Return whether a unit has a profile now or had it before a change."""
    return name == unit.profile or name in _names_in(read_changes(ledger, unit.unit_id))


def _names_in(changes: Sequence[ProfileChange]) -> set[str]:
    """Return the names of all profiles that a unit had by its changes."""
    return {name for one in changes for name in (one.was, one.name)}


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_alike(value, other[key]) for key, value in one.items())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(_alike(*pair) for pair in zip(one, other, strict=True))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9)
    return bool(one == other)


def _read(ledger: Ledger, entry: Entry) -> ProfileChange:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        return ProfileChange(
            entry.row,
            str(entry.unit_id),
            str(data["from"]),
            str(data["to"]),
            date.fromisoformat(data["day"]),
            float(data["running_s"]),
            profile_from_dict(data["profile"]),
        )
