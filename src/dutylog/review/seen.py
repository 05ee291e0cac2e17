"""What the rules of the verdict look at, and how a sentence about several dampers is put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.domain.quantity import position_text
from dutylog.review.differences import Pair
from dutylog.review.review import DamperRow, Figure, HeightTrend, RoadRow, TripFacts, Words
from dutylog.review.told import Told
from dutylog.review.trip_data import TripData


@dataclass(frozen=True, slots=True)
class Seen:
    """All of a trip that is judged. sides: left against right; axles: each against the one before it."""

    data: TripData
    facts: TripFacts
    dampers: Sequence[DamperRow]
    roads: Sequence[RoadRow]
    trends: Sequence[HeightTrend]
    sides: Sequence[Pair]
    axles: Sequence[Pair]
    told: Told


def join_names(positions: Sequence[str]) -> str:
    """Return positions as words: 'front left', 'front left and rear right', 'a, b and c'."""
    names = [position_text(one) for one in positions]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def add_others(others: Sequence[tuple[str, Figure]]) -> Words:
    """Return what is added for those that were next: ' (rear left 5, front left 3)'; nothing without any."""
    words: list[str | Figure] = []
    for place, (position, figure) in enumerate(others):
        words += [f"{', ' if place else ' ('}{position_text(position)} ", figure]
    return (*words, ")") if words else ()


def times(count: int) -> Words:
    """Return 'once', or so many times."""
    return ("once",) if count == 1 else (Figure("count", count), " times")
