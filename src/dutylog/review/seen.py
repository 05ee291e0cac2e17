"""What the rules of the verdict look at, and how a sentence about several dampers is put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.domain.quantity import position_text
from dutylog.review.differences import Pair
from dutylog.review.hits import name_damper
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

    def name(self, row: DamperRow) -> str:
        """Return a damper's place as words, with its serial where two sat there in turn."""
        return name_damper(row, self.dampers)


def join_names(positions: Sequence[str]) -> str:
    """Return positions as words: 'front left', 'front left and rear right', 'a, b and c'."""
    return join_words([position_text(one) for one in positions])


def join_words(names: Sequence[str]) -> str:
    """Return one or more names as words: 'a, b and c'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def add_others(others: Sequence[tuple[str, Figure]]) -> Words:
    """Return what is added for those that were next: ' (rear left 5, front left 3)'; nothing without any.

    Args:
        others: name and figure of each, the figure being the one by which the worst was found.
    """
    words: list[str | Figure] = []
    for place, (name, figure) in enumerate(others):
        words += [f"{', ' if place else ' ('}{name} ", figure]
    return (*words, ")") if words else ()


def times(count: int) -> Words:
    """Return 'once', or so many times."""
    return ("once",) if count == 1 else (Figure("count", count), " times")
