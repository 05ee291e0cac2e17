"""What happened to a damper since what a service made new: trips, hits and alerts that still count (shared/BENCH.md).

A service ends only what the part concerned was part of (look_rules); hits end with any that makes a part new.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date

from dutylog.bench import look_rules as rules
from dutylog.bench.facts import AlertFact, TripFact, UnitFacts
from dutylog.bench.facts_card import TRIPS_KEPT
from dutylog.bench.figures import Figure, Sentence


def last_service_day(facts: UnitFacts) -> date | None:
    """Return the day of the newest service that made a part new, None where nobody knows of one."""
    return max((one.day for one in facts.services if one.replaced and one.day is not None), default=None)


def renewed_day(facts: UnitFacts, parts: Iterable[str]) -> date | None:
    """Return from which day on all of some parts are as they are now, None where one was never known to be made new."""
    days = []
    for key in parts:
        part = facts.part(key)
        told = [one.day for one in facts.services if key in one.replaced and one.day is not None]
        if part is not None and part.since_entry is not None and part.since is not None:
            told.append(part.since)
        if not told:
            return None
        days.append(max(told))
    return min(days, default=None)


@dataclass(frozen=True, slots=True)
class Hits:
    """How often something happened. least: by the trips on the card; most: by what is known of its whole life."""

    least: float
    most: float
    is_whole: bool

    def tell_most(self) -> Sentence:
        """Return what must be said behind the count where trips may lack, nothing otherwise."""
        if self.is_whole:
            return ()
        life: Sentence = (", ", Figure("count", self.most), " in its life") if self.most > self.least else ()
        return (*life, f" (its card holds the newest {TRIPS_KEPT} trips only)")


def is_trips_whole(facts: UnitFacts, since: date | None) -> bool:
    """Return whether no trip since a day can lack on its card, which holds the newest ones only."""
    return len(facts.trips) < TRIPS_KEPT or len(trips_since(facts, since)) < len(facts.trips)


def count_bottom_outs(facts: UnitFacts) -> Hits | None:
    """Return the bottom-outs since the last service, None where nothing counted them."""
    return _count_hits(facts, facts.life.bottom_outs_count, lambda trip: trip.bottom_outs_count)


def count_top_outs(facts: UnitFacts) -> Hits | None:
    """Return the top-outs since the last service, None where nothing counted them."""
    return _count_hits(facts, facts.life.top_outs_count, lambda trip: trip.top_outs_count or 0)


def _count_hits(facts: UnitFacts, life: int | None, count: Callable[[TripFact], int]) -> Hits | None:
    since = last_service_day(facts)
    least = float(sum(count(trip) for trip in trips_since(facts, since)))
    if since is None and life is not None:
        most = max(float(life), least)
        return Hits(most, most, is_whole=True)
    if not facts.trips:
        return None
    is_whole = is_trips_whole(facts, since)
    return Hits(least, least if is_whole or life is None else max(float(life), least), is_whole)


def standing_alerts(facts: UnitFacts, kind: str | None = None) -> list[AlertFact]:
    """Return alerts that no service has ended since, of one kind or of all, as they stand on the card.

    What ends one is the part it speaks of being made new (look_rules.ALERT_OVER), not any small service.
    """
    since = last_service_day(facts)
    days = {key: renewed_day(facts, parts) for key, parts in rules.ALERT_OVER.items()}
    return [
        one
        for one in facts.alerts
        if (kind is None or one.kind == kind) and _is_since(one.day, days.get(one.kind, since))
    ]


def _is_since(day: date | None, since: date | None) -> bool:
    return since is None or day is None or day >= since


def trips_since(facts: UnitFacts, since: date | None) -> list[TripFact]:
    """Return trips of a day or later; those whose day nobody knows are among them, to be on the safe side."""
    return [one for one in facts.trips if since is None or one.day is None or one.day >= since]


def alerts_since(facts: UnitFacts, since: date | None) -> list[AlertFact]:
    """Return alerts of a day or later, and those of an unknown day."""
    return [one for one in facts.alerts if since is None or one.day is None or one.day >= since]
