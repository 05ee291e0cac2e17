"""Like units: what this bench's own findings on dampers of the same profile teach of a part's budget.

At what use the same part was replaced on them comes from the store (`LikeRow`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from dutylog.bench.facts import CARD, PartFact, UnitFacts
from dutylog.bench.store.rows import PartLook
from dutylog.domain.vehicle import LEAD_DAYS
from dutylog.domain.wear import FAILED, GRADES, WORN
from dutylog.life.budget import PRIOR_BUDGET, RANGE_80, Budget
from dutylog.life.learning import SHARES, Belief, Finding, learn

FINDINGS_KEPT = 60
"""Dampers seen last, and their newest findings of a part, that count. Source: judgement; by then the prior hardly
speaks, and materials change."""


def gather_findings(looks: Iterable[PartLook], part: str, left_out: Collection[str] = ()) -> list[Finding]:
    """Return what this bench found of a part of like units, one finding for each part that was in there.

    Args:
        looks: of the store; those without a measured used share teach nothing.
        left_out: dampers whose findings are known otherwise.
    """
    by_damper: dict[str, list[PartLook]] = {}
    for one in sorted((one for one in looks if one.part == part), key=lambda one: (one.day, one.row), reverse=True):
        if one.damper_id in by_damper:
            by_damper[one.damper_id].append(one)
        elif len(by_damper) < FINDINGS_KEPT and one.damper_id not in left_out:
            by_damper[one.damper_id] = [one]
    found: list[tuple[str, int, Finding]] = []
    for rows in by_damper.values():
        found += _findings_of_damper(rows[::-1])
    return [finding for _, _, finding in sorted(found, key=lambda one: one[:2])[-FINDINGS_KEPT:]]


def believe(part: PartFact, looks: Iterable[PartLook], facts: UnitFacts, left_out: Collection[str] = ()) -> Belief:
    """Return the budget of a part with this bench's own findings.

    A card's budget holds what its own vehicle has learned, also what this bench once sent it: it is the prior, and
    only findings of other vehicles are added, so that none counts twice.

    Args:
        looks: of like units. left_out: dampers of the same vehicle, as the bench knows them.
    """
    if facts.basis != CARD:
        return learn(gather_findings(looks, part.key))
    prior = PRIOR_BUDGET
    if part.findings_count:
        prior = Budget(part.budget, math.log(part.budget_high / part.budget_low) / (2.0 * RANGE_80))
    return learn(gather_findings(looks, part.key, left_out), prior)


def with_learned(
    facts: UnitFacts, looks: Iterable[PartLook], today: date, left_out: Collection[str] = ()
) -> tuple[UnitFacts, dict[str, Belief]]:
    """Return facts with the budgets believed here, and what is believed of each part; arguments as of `believe`."""
    by_part: dict[str, list[PartLook]] = {}
    for one in looks:
        by_part.setdefault(one.part, []).append(one)
    beliefs = {part.key: believe(part, by_part.get(part.key, ()), facts, left_out) for part in facts.parts}
    lead_days = LEAD_DAYS if facts.profile is None else facts.profile.lead_days
    parts = tuple(relearn(part, beliefs[part.key], today, lead_days) for part in facts.parts)
    return facts.with_parts(parts), beliefs


def relearn(part: PartFact, belief: Belief, today: date, lead_days: int = LEAD_DAYS) -> PartFact:
    """Return a part with the budget believed here; its due days move with what is left of it, at the same pace.

    A part that is over by the budget it came with keeps its days: how fast it is used nobody knows from them.
    """
    if not part.used_ratio or belief.evidence_count == 0:
        return part
    budget = belief.budget.median
    left, left_now = part.budget - part.used_share, max(0.0, budget - part.used_share)
    days = (part.due_early, part.due_likely, part.due_late)
    if left > 0.0:
        days = tuple(_move(day, left_now / left, part.calendar_day, today) for day in days)  # type: ignore[assignment]
    order_by = None if days[0] is None else max(today, days[0] - timedelta(days=lead_days))
    return replace(
        part,
        used_ratio=part.used_share / budget,
        budget=budget,
        budget_low=belief.low,
        budget_high=belief.high,
        findings_count=part.findings_count + belief.evidence_count,
        due_early=days[0],
        due_likely=days[1],
        due_late=days[2],
        order_by=order_by,
    )


def _move(day: date | None, ratio: float, calendar: date | None, today: date) -> date | None:
    """Return a due day with another amount left until then; the calendar stays the last day."""
    if day is None or (calendar is not None and day >= calendar and ratio >= 1.0):
        return day
    try:
        moved = today + timedelta(days=max(0, round((day - today).days * ratio)))
    except OverflowError:
        return None
    return moved if calendar is None else min(moved, max(today, calendar))


def _findings_of_damper(rows: Sequence[PartLook]) -> list[tuple[str, int, Finding]]:
    """Return (day, row, finding) of one damper's part, oldest first; found worn and left in, it ends once."""
    found: list[tuple[str, int, Finding]] = []
    usable: tuple[str, int, Finding] | None = None
    is_over = False
    for one in rows:
        share = one.used_share
        if one.grade in GRADES and share is not None and 0.0 <= share <= SHARES[1] and not is_over:
            if one.grade in (WORN, FAILED):
                good = 0.0 if usable is None else min(usable[2].share, share)
                found.append((one.day, one.row, Finding(share, one.grade, good)))
                usable, is_over = None, True
            else:
                usable = one.day, one.row, Finding(share, one.grade)
        if one.is_replaced:
            found += [] if usable is None else [usable]
            usable, is_over = None, False
    return found if usable is None else [*found, usable]
