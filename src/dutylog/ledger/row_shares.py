"""How much of 60-second rows belongs to a stretch of which the whole is known, but not where in its rows it lies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from dutylog.ledger.database import Database


class Within(NamedTuple):
    """How much of a row's length lies in a stretch, both in one unit."""

    inside: int
    length: int

    @property
    def is_whole(self) -> bool:
        """Return whether all of it does."""
        return self.inside >= self.length


def measure_within(start_ns: int, duration_us: int, first_ns: int, end_ns: int) -> Within:
    """Return how much of a row lies between two instants of its clock."""
    length_ns = duration_us * 1000
    return Within(max(0, min(start_ns + length_ns, end_ns) - max(start_ns, first_ns)), length_ns)


class TripTime:
    """How much of rows belongs to a stretch by the time of all trips in them: outside of trips nothing is done."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: dict[tuple[int, int, int], int] = {}

    def measure(self, epoch: int, start_ns: int, within: Within) -> Within:
        """Return how much of what was done in a row from start_ns on was done in a stretch that has `within` of it."""
        if within.is_whole:
            return within
        key = epoch, start_ns, start_ns + within.length
        if key not in self._known:
            row = self._database.row(
                "SELECT coalesce(sum(min(end_ns, ?3) - max(start_ns, ?2)), 0) FROM trip "
                "WHERE epoch = ?1 AND start_ns < ?3 AND end_ns > ?2",
                key,
            )
            self._known[key] = 0 if row is None else int(row[0])
        return Within(within.inside, max(within.inside, min(within.length, self._known[key])))


def share_out(total: int, values: Sequence[int], within: Sequence[Within]) -> list[int]:
    """Return how much of each row's value belongs to a stretch that has `total` of it.

    First rows that lie in it whole; what is left comes from those at its ends, by how much of them lies in it, and
    more of them only where that isn't enough. Never more than a row has; the sum is `total`, or that of all rows if
    that is less. Values are not negative.
    """
    inner = [value if one.is_whole else 0 for value, one in zip(values, within, strict=True)]
    left = total - sum(inner)
    if left <= 0:
        return _spread(total, inner)
    by_time = [
        0 if one.is_whole else value * one.inside // one.length for value, one in zip(values, within, strict=True)
    ]
    more = left - sum(by_time)
    if more <= 0:
        return [first + second for first, second in zip(inner, _spread(left, by_time), strict=True)]
    rest = [value - first - second for value, first, second in zip(values, inner, by_time, strict=True)]
    added = _spread(min(more, sum(rest)), rest)
    return [first + second + third for first, second, third in zip(inner, by_time, added, strict=True)]


def _spread(amount: int, weights: Sequence[int]) -> list[int]:
    """Return whole numbers in proportion to weights, none above its weight, that add up to `amount`."""
    whole = sum(weights)
    if amount >= whole:
        return list(weights)
    found, seen, given = [], 0, 0
    for weight in weights:
        seen += weight
        upto = amount * seen // whole
        found.append(upto - given)
        given = upto
    return found
