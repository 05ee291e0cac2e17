"""The latest change of each damper before a trip, and the trips on either side of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise

from dutylog.domain.vehicle import Damper, Setting
from dutylog.ledger.life_entries import Service
from dutylog.life.parts import part_names
from dutylog.review.stretches import Stretches

TRIPS_EACH_SIDE = 5
"""Trips before and after a change that are compared, the nearest. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Change:
    """Something done to one damper. day: UTC. from_day: what was driven on that very day counts as after it."""

    position: str
    day: date
    what: str
    from_day: bool


@dataclass(frozen=True, slots=True)
class Sided:
    """A change with earlier trips on both sides of it; the trip under review is one more of those after."""

    change: Change
    before: tuple[Stretches, ...]
    after: tuple[Stretches, ...]


@dataclass(frozen=True, slots=True)
class DatedTrip:
    """An earlier trip. day: UTC day of its begin."""

    key: str
    day: date


def day_of_trip(start_utc_s: float | None, is_trusted: bool) -> date | None:
    """Return the UTC day a trip began on, None where no clock that can be trusted told."""
    if start_utc_s is None or not is_trusted:
        return None
    return datetime.fromtimestamp(start_utc_s, UTC).date()


def find_changes(
    dampers: Sequence[Damper], units: Mapping[str, str], services: Sequence[Service], day: date
) -> list[Change]:
    """Return the latest change of each position before a day's trip; none where that day's order can't be known.

    Args:
        dampers: with their settings. units: ids by position. services: of all units.
    """
    found = []
    for position, unit_id in units.items():
        settings = next((one.settings for one in dampers if one.position == position), ())
        known = [_of_setting(position, *both) for both in pairwise(sorted(settings, key=lambda one: one.from_day))]
        known += [_of_service(position, one) for one in services if one.unit_id == unit_id and one.replaced]
        past = [one for one in known if one is not None and one.day <= day]
        latest = max(past, key=lambda one: one.day, default=None)
        if latest is not None and (latest.day < day or latest.from_day):
            found.append(latest)
    return found


def take_sides(
    changes: Sequence[Change], trips: Sequence[DatedTrip], load: Callable[[str], Stretches | None]
) -> tuple[Sided, ...]:
    """Return the changes that have earlier trips before them.

    Args:
        trips: earlier ones, the newest first. load: gives a trip's stretches, None where there are none.
    """
    kept: dict[str, Stretches | None] = {}

    def nearest(those: Sequence[DatedTrip]) -> tuple[Stretches, ...]:
        found: list[Stretches] = []
        for one in those[:TRIPS_EACH_SIDE]:
            if one.key not in kept:
                kept[one.key] = load(one.key)
            if (there := kept[one.key]) is not None:
                found.append(there)
        return tuple(reversed(found))

    sided = []
    for change in changes:
        before = nearest([one for one in trips if one.day < change.day])
        later = [one for one in trips if one.day > change.day or (change.from_day and one.day == change.day)]
        if before:
            sided.append(Sided(change, before, nearest(list(reversed(later)))))
    return tuple(sided)


def _of_setting(position: str, before: Setting, after: Setting) -> Change | None:
    if before.has_same_adjusters(after):
        return None
    return Change(position, after.from_day, f"setting {after.name}", from_day=True)


def _of_service(position: str, service: Service) -> Change | None:
    """Return a service as a change; of its own day nobody knows which trips came after it."""
    if service.said.day is None:
        return None
    names = part_names(None)
    parts = ", ".join(names.get(key, key) for key in service.replaced)
    return Change(position, service.said.day, f"new {parts}", from_day=False)
