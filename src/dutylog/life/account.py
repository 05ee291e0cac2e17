"""What is used up of each wear part of a damper: measured, estimated, since when, and what that is worth.

Everything is a sum over rows of use, so that a service, a move or a cut anywhere leaves the sums as they were.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.wear import BEFORE_INSTALL, FAILED, PARTS, WORN
from dutylog.ledger.life_entries import Service, StatedUse, known_day
from dutylog.life.budget import RANGE_80
from dutylog.life.doses import compute_shares
from dutylog.life.history import UnitHistory
from dutylog.life.learning import Finding
from dutylog.life.parts import WearPart, parts_of
from dutylog.life.reference import per_mile
from dutylog.units import DAYS_PER_YEAR, M_PER_MILE

Floats = NDArray[np.float64]

MEASURED_SD_RATIO = 0.12
"""Physical doubt of a measured dose: force curve, temperature, scale. Source: judgement, 8 to 15 % is typical."""
MISSED_SD_RATIO = 0.5
"""Doubt of what stands in for moving time that wasn't measured. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Since:
    """From when a part counts. running_s: the unit's running time then. row: entry of the service, None without one."""

    running_s: float
    day: date
    text: str
    row: int | None = None


@dataclass(frozen=True, slots=True)
class Used:
    """Used share of one part, in budgets of its reference. The kinds add up.

    measured, missed, stated, marks: measured use; moving time that was not measured; distances people told; what marks
    on the shaft cost a seal beyond. sd: of the sum. by_mechanism: measured doses in each mechanism's own unit.
    """

    measured: float
    missed: float
    stated: float
    sd: float
    by_mechanism: Mapping[str, float]
    marks: float = 0.0

    @property
    def share(self) -> float:
        """Return all of it."""
        return self.measured + self.missed + self.stated + self.marks

    @property
    def measured_ratio(self) -> float | None:
        """Return what part of it was measured, None while nothing is used."""
        return self.measured / self.share if self.share > 0.0 else None


def find_since(part: WearPart, history: UnitHistory, services: Sequence[Service], uses: Sequence[StatedUse]) -> Since:
    """Return from when a part of a unit counts: its newest replacement, else the beginning of what is known.

    services, uses: of this unit.
    """
    done = [one for one in services if part.key in one.replaced]
    if done:
        last = max(done, key=_order)
        day = last.said.day or _day_at(history, last.running_s)
        return Since(last.running_s, day, f"replaced by {last.said.by}", last.said.row)
    known = [one.from_day for one in uses if one.from_day is not None]
    added = day_added(history)
    if known and min(known) < added:
        return Since(-1.0, min(known), "as told, from the beginning")
    return Since(-1.0, added, "since it was entered here; its age before is unknown")


def day_added(history: UnitHistory) -> date:
    """Return the day on which a unit was entered, or its first known day of use if that was earlier."""
    day, known = known_day(history.unit.added_utc_ns), history.days[history.days > 0]
    first = date.fromordinal(int(known.min())) if len(known) else history.today
    return first if day is None else min(day, first)


def compute_used(part: WearPart, history: UnitHistory, since: Since, uses: Sequence[StatedUse]) -> Used:
    """Return what is used of a part since a place in the unit's life; uses: of this unit."""
    after = history.part_after(since.running_s)
    measured = float(compute_shares(part, history.doses) @ after)
    missed = float(compute_shares(part, history.missed) @ after)
    stated, variance = 0.0, 0.0
    for one in uses:
        share = stated_share(part, one) * _part_of_use_after(one, since)
        stated += share
        variance += (share * _log_normal_sd_ratio(one.factor)) ** 2
    variance += (MEASURED_SD_RATIO * measured) ** 2 + (MISSED_SD_RATIO * missed) ** 2
    doses = {name: float(history.doses[name] @ after) for name, _ in part.weights}
    return Used(measured, missed, stated, math.sqrt(variance), doses)


def stated_share(part: WearPart, use: StatedUse) -> float:
    """Return what a told distance takes of a part's budget."""
    doses = {name: np.array([value]) for name, value in per_mile(use.mix).items()}
    return float(compute_shares(part, doses)[0]) * use.distance_m / M_PER_MILE


def stated_days(part: WearPart, use: StatedUse, today: date) -> list[tuple[int, float, float]]:
    """Return (ordinal, share, miles) of each day that a told distance is spread over evenly; none where undated."""
    if use.from_day is None or use.to_day is None:
        return []
    count = (use.to_day - use.from_day).days + 1
    share, miles = stated_share(part, use) / count, use.distance_m / M_PER_MILE / count
    first = use.from_day.toordinal()
    return [(day, share, miles) for day in range(first, min(first + count, today.toordinal() + 1))]


def calendar_day(part: WearPart, since: Since) -> date | None:
    """Return the day on which a part's time is over, None where no calendar limit is known."""
    years = part.calendar_years.value
    return since.day + timedelta(days=round(years * DAYS_PER_YEAR)) if years > 0.0 else None


def gather_findings(
    part: WearPart, history: UnitHistory, services: Sequence[Service], uses: Sequence[StatedUse]
) -> list[Finding]:
    """Return what benches found of a part of one unit, each with the share that was used then."""
    ordered = sorted(services, key=_order)
    found: list[Finding] = []
    usable: Finding | None = None
    is_over = False
    for place, service in enumerate(ordered):
        grade = service.found.get(part.key)
        # Found worn and left in, it ends once, however often it is looked at before it is replaced.
        if grade is not None and not is_over:
            share = _share_at(part, history, find_since(part, history, ordered[:place], uses), uses, service)
            if grade in (WORN, FAILED):
                found.append(Finding(share, grade, 0.0 if usable is None else min(usable.share, share)))
                usable, is_over = None, True
            else:
                # A later look at the same part says more than an earlier one.
                usable = Finding(share, grade, 0.0)
        if part.key in service.replaced:
            found += [] if usable is None else [usable]
            usable, is_over = None, False
    return found if usable is None else [*found, usable]


def miles_since(history: UnitHistory, since: Since, uses: Sequence[StatedUse]) -> float | None:
    """Return miles driven since a place in a unit's life; None where speed was never known and nothing told."""
    after = history.part_after(since.running_s)
    known = ~np.isnan(history.use.distance_m)
    told = sum(one.distance_m * _part_of_use_after(one, since) for one in uses)
    if not known.any() and not told:
        return None
    return (float(history.use.distance_m[known] @ after[known]) + told) / M_PER_MILE


def parts_with_places(history: UnitHistory) -> tuple[WearPart, ...]:
    """Return the wear parts of a unit, in the order people know."""
    return tuple(sorted(parts_of(history.profile), key=lambda part: PARTS.index(part.key)))


def _share_at(part: WearPart, history: UnitHistory, since: Since, uses: Sequence[StatedUse], service: Service) -> float:
    """Return the used share of a part at a service."""
    day = max(service.said.day or _day_at(history, service.running_s), since.day)
    before = Since(service.running_s, day, "", service.said.row)
    return max(0.0, compute_used(part, history, since, uses).share - compute_used(part, history, before, uses).share)


def _part_of_use_after(use: StatedUse, since: Since) -> float:
    """Return what share of a told distance came after a place in the unit's life."""
    if since.row is None:
        return 1.0
    if use.from_day is None and use.to_day is None and (use.kind == BEFORE_INSTALL or use.said.day is None):
        return 0.0 if use.kind == BEFORE_INSTALL or use.running_s <= since.running_s else 1.0
    told = use.said.day or since.day
    first, last = use.from_day or use.to_day or told, use.to_day or told
    if first > since.day or (use.running_s > since.running_s and first >= since.day):
        return 1.0
    if last <= since.day:
        return 0.0
    return (last - since.day).days / max(1, (last - first).days)


def _order(one: Service) -> tuple[float, date, int]:
    """Return what puts services of a unit in their order."""
    return one.running_s, one.said.day or date.min, one.said.row


def _day_at(history: UnitHistory, running_s: float) -> date:
    """Return the last known day of use before a running time, else the day a unit was entered."""
    known = history.days[(history.days > 0) & (history.start_s < running_s)]
    return date.fromordinal(int(known.max())) if len(known) else day_added(history)


def _log_normal_sd_ratio(factor: float) -> float:
    """Return the standard deviation of a log-normal doubt whose 80 % range is a factor either way."""
    log_sd = math.log(factor) / RANGE_80
    return math.sqrt(math.expm1(log_sd * log_sd))
