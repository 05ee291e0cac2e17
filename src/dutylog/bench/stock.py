"""What parts the coming weeks will take, against what is there and how long more of it takes to come.

A damper counts by the chance that any wear part which calls for a piece is due by a day (board of forecasts): its parts
wear together, so the largest of their chances counts, not their sum. Source: judgement.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from dutylog.bench.part_needs import NEEDS, Need, needs_for
from dutylog.bench.store.rows import DueRow, StockRow
from dutylog.domain.vehicle import Profile
from dutylog.domain.wear import PARTS
from dutylog.life.budget import RANGE_80
from dutylog.life.forecast import HORIZON_DAYS

MOST_LEAD_DAYS = 365
"""Of a part of the catalogue. Source: judgement: beyond it nothing is foreseen well enough to order by."""
Floats = NDArray[np.float64]
_Build = tuple[str, str, str, str | None]
"""Construction, reservoir, joints, name of the profile."""
_TAIL = 0.25
"""The tenth before early and after late take a quarter of the stretch to likely: as steep as the rest."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What is expected of a piece. days: (n,) ends of weeks. expected, deviation: (n,) until then, all told.

    need: of part_needs. profile_name: whose dampers, None: of all that no other row is for. dampers_count: of how many
    dampers any is expected.
    """

    need: Need
    profile_name: str | None
    days: tuple[date, ...]
    expected: tuple[float, ...]
    deviation: tuple[float, ...]
    dampers_count: int

    def by(self, day: date) -> float:
        """Return what is expected until a day: straight between the ends of weeks."""
        return float(np.interp(day.toordinal(), [one.toordinal() for one in self.days], self.expected))

    def most_by(self, day: date) -> float:
        """Return what is enough until a day in 9 of 10 cases, were dampers independent of each other."""
        sd = float(np.interp(day.toordinal(), [one.toordinal() for one in self.days], self.deviation))
        return self.by(day) + RANGE_80 * sd


@dataclass(frozen=True, slots=True)
class PartDemand:
    """A part of the catalogue against its demand. part: None where the catalogue has none for the need.

    count: there, with other parts of the same need. short_day: from which on fewer than the least count are left, None
    within the days looked at. order_by: its lead time before that, never before today. to_order: until the last day, so
    that the least count is left.
    """

    part: StockRow | None
    demand: Demand | None
    count: int
    weekly: tuple[float, ...]
    short_day: date | None
    order_by: date | None
    to_order: int

    @property
    def is_now(self) -> bool:
        """Return whether it has to be ordered at once."""
        return self.order_by is not None and self.demand is not None and self.order_by <= self.demand.days[0]


def due_chances(rows: Sequence[DueRow], days: Sequence[date]) -> Floats:
    """Return the chance (rows, days) that each part is due by each day.

    Straight between early (1 of 10), likely (5) and late (9); as steep before and after; a day that isn't foreseen is
    taken as the end of the horizon of forecasts. A part without any day is not expected.
    """
    grid = np.array([one.toordinal() for one in days], np.float64)
    if not rows:
        return np.zeros((0, len(days)))
    made = _ordinals([one.day for one in rows])
    ends = made + HORIZON_DAYS
    known = np.array([one.early is not None or one.likely is not None for one in rows])
    likely = _ordinals([one.likely for one in rows], ends)
    early = np.minimum(_ordinals([one.early for one in rows], likely), likely)
    late = np.maximum(_ordinals([one.late for one in rows], np.maximum(ends, likely)), likely)
    points = (early - _TAIL * (likely - early), early, likely, late, late + _TAIL * (late - likely))
    levels = (0.0, 0.1, 0.5, 0.9, 1.0)
    found = np.zeros((len(rows), len(grid)))
    for begin, end, low, high in zip(points, points[1:], levels, levels[1:], strict=False):
        width = np.maximum(end - begin, 1e-9)[:, None]
        part = low + (high - low) * np.clip((grid[None, :] - begin[:, None]) / width, 0.0, 1.0)
        part = np.where(grid[None, :] >= end[:, None], high, part)
        found = np.where(grid[None, :] >= begin[:, None], part, found)
    return np.where(known[:, None], found, 0.0)


def make_demands(
    rows: Sequence[DueRow],
    days: Sequence[date],
    specific: Collection[tuple[str, str]] = (),
    profiles: Mapping[str, Profile] | None = None,
    renewed: Mapping[str, Collection[str]] | None = None,
) -> tuple[Demand, ...]:
    """Return what is expected of each need, in the order of part_needs.

    Args:
        rows: of Reading.due_rows. days: ends of weeks. specific: (need, profile name) with a part of its own.
        profiles: by name, for oil. renewed: parts replaced here since their forecast.
    """
    rows = [one for one in rows if one.part in PARTS and one.part not in (renewed or {}).get(one.damper_id, ())]
    builds: dict[_Build, list[DueRow]] = {}
    for row in rows:
        builds.setdefault((row.construction, row.reservoir, row.joints, row.profile_name), []).append(row)
    sums: dict[tuple[str, str | None], _Sum] = {}
    for build, its in builds.items():
        profile_name = build[3]
        chances = _chances_by_part(its, days)
        for needed in needs_for(PARTS, *build[:3], (profiles or {}).get(profile_name or "")):
            key = (needed.need.key, profile_name if (needed.need.key, profile_name) in specific else None)
            total = sums.setdefault(key, _Sum(needed.need, np.zeros(len(days)), np.zeros(len(days))))
            total.add(needed.count, chances[:, [PARTS.index(part) for part in needed.parts]].max(axis=1))
    order = [one.key for one in NEEDS]
    return tuple(
        Demand(one.need, profile, tuple(days), _tuple(one.mean), _tuple(np.sqrt(one.variance)), one.dampers_count)
        for (key, profile), one in sorted(sums.items(), key=lambda item: (order.index(item[0][0]), item[0][1] or ""))
        if one.mean[-1] > 0.0
    )


def match(parts: Sequence[StockRow], demands: Iterable[Demand], today: date, until: date) -> tuple[PartDemand, ...]:
    """Return each part of the catalogue with its demand, those to order first; then needs without a part of their own.

    Of several parts for one need the first by its number carries the demand, with what is there of all of them.
    """
    by_key = {(one.need.key, one.profile_name): one for one in demands}
    counts: dict[tuple[str, str | None], int] = {}
    for part in parts:
        counts[part.need or "", part.profile_name] = counts.get((part.need or "", part.profile_name), 0) + part.count
    found = []
    for part in parts:
        key = (part.need or "", part.profile_name)
        demand = by_key.pop(key, None)
        found.append(judge(part, demand, part.count if demand is None else counts[key], today, until))
    found += [judge(None, demand, 0, today, until) for demand in by_key.values()]
    return tuple(sorted(found, key=lambda one: (one.part is None, one.order_by or date.max)))


def judge(part: StockRow | None, demand: Demand | None, count: int, today: date, until: date) -> PartDemand:
    """Return a part against its demand.

    Args:
        count: how many are there. until: last day on which ordering is looked at; what goes within the lead time after
        it counts, as far as the demand reaches.
    """
    lead_days = 0 if part is None else min(part.lead_days, MOST_LEAD_DAYS)
    least = 0 if part is None else part.least_count
    if demand is None:
        missing = max(0, least - count)
        return PartDemand(part, None, count, (), today if missing else None, today if missing else None, missing)
    days, expected = demand.days, demand.expected
    weekly = tuple(later - before for before, later in zip((0.0, *expected), expected, strict=False))
    horizon = until + timedelta(days=lead_days)
    short_day = _short_day(days, expected, count - least)
    if short_day is not None and short_day > horizon:
        short_day = None
    order_by = None if short_day is None or part is None else max(today, short_day - timedelta(days=lead_days))
    to_order = 0 if short_day is None else math.ceil(round(demand.by(horizon) + least - count, 6))
    return PartDemand(part, demand, count, weekly, short_day, order_by, max(0, to_order))


def _short_day(days: Sequence[date], expected: Sequence[float], spare: int) -> date | None:
    """Return the first day on which more is expected to be gone than can be spared; None within the days."""
    if spare < 0 or expected[0] > spare:
        return days[0]
    for before, after, low, high in zip(days, days[1:], expected, expected[1:], strict=False):
        if high > spare:
            return before + timedelta(days=math.ceil((after - before).days * (spare - low) / (high - low)))
    return None


@dataclass(slots=True)
class _Sum:
    """Demand being added up, by day."""

    need: Need
    mean: Floats
    variance: Floats
    dampers_count: int = 0

    def add(self, count: float, chances: Floats) -> None:
        """Add dampers; chances: (dampers, days)."""
        self.mean += count * chances.sum(axis=0)
        self.variance += count**2 * (chances * (1.0 - chances)).sum(axis=0)
        self.dampers_count += int(np.count_nonzero(chances[:, -1] > 0.0))


def _chances_by_part(rows: Sequence[DueRow], days: Sequence[date]) -> Floats:
    """Return the chance (dampers, PARTS, days) that each part of each damper is due by each day."""
    places: dict[str, int] = {}
    for row in rows:
        places.setdefault(row.damper_id, len(places))
    found = np.zeros((len(places), len(PARTS), len(days)))
    where = [(places[row.damper_id], PARTS.index(row.part)) for row in rows]
    found[tuple(np.array(where).T)] = due_chances(rows, days)
    return found


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(one) for one in values)


def _ordinals(texts: Sequence[str | None], otherwise: Floats | None = None) -> Floats:
    """Return ISO days as ordinals, those that are unknown from `otherwise`."""
    # each day once: there are thousands of rows and hundreds of days
    known: dict[str | None, float] = {one: float(date.fromisoformat(one).toordinal()) for one in set(texts) if one}
    found = np.array([known.get(one, np.nan) for one in texts], np.float64)
    return found if otherwise is None else np.where(np.isnan(found), otherwise, found)
