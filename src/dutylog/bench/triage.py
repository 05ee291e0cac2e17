"""Triage: how urgent a damper is, by visible rules on what was found and what was measured (shared/BENCH.md).

The most urgent row with a reason counts. Reasons stand strongest first: by row, then as the rules stand in their table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from types import MappingProxyType

from dutylog.bench.facts import UnitFacts
from dutylog.bench.figures import Sentence
from dutylog.bench.findings import Finding
from dutylog.bench.inspection import newest
from dutylog.bench.items_inside import GAS, OPENED
from dutylog.bench.items_outside import HOT, STANDS
from dutylog.bench.rule_conditions import Points, find, find_points, items_of
from dutylog.bench.rule_read import Rule
from dutylog.bench.rules_book import Rules
from dutylog.bench.triage_values import Evidence, gather
from dutylog.bench.triage_words import FINE, OUTING, ROWS, WITHIN
from dutylog.units import M_PER_MILE

CAUTIONS: Mapping[str, str] = MappingProxyType({"gas": GAS, "opened": OPENED, "stands": STANDS, "hot": HOT})
"""Words of the cautions that a rule may name."""
DAYS_PER_WEEK = 7


@dataclass(frozen=True, slots=True)
class Limit:
    """How long it may go on: whichever comes first. None: no limit of that kind."""

    distance_m: float | None
    weeks: int | None
    until: date | None


@dataclass(frozen=True, slots=True)
class Reason:
    """A rule that fired. seen: what made it fire, a sentence each. row: that of the rule, or OUTING where the time that
    it would have allowed is over already. cautions: whole sentences. is_found: something found at the bench is in it.
    points: which points and wear parts it speaks of here.
    """

    rule: Rule
    row: str
    seen: tuple[Sentence, ...]
    cautions: tuple[str, ...]
    is_found: bool
    limit: Limit | None = None
    points: Points = field(default_factory=Points)


@dataclass(frozen=True, slots=True)
class Triage:
    """How urgent a damper is. reasons: strongest first; none: no rule fired. limit: for the row `within`, the strictest
    of all its reasons. open_count: points nobody looked at, about which it says nothing.
    """

    row: str
    reasons: tuple[Reason, ...]
    limit: Limit | None
    open_count: int
    rules_version: int


def judge(
    facts: UnitFacts, findings: Iterable[Finding], rules: Rules, today: date, measured: Iterable[Finding] = ()
) -> Triage:
    """Return how urgent a damper is and why.

    Args:
        facts: what is known of it. findings: of this visit, in the order in which they were written.
        rules: of rules_book. today: the day from which weeks are counted. measured: figures that were worked out, of
        points that somebody may not have answered; their grade says nothing.
    """
    evidence = gather(facts, newest(findings), today, newest(measured))
    reasons = [reason for rule in rules.rules if (reason := _try(rule, evidence)) is not None]
    reasons.sort(key=lambda reason: ROWS.index(reason.row))  # stable: the table's own order stays within a row
    row = reasons[0].row if reasons else FINE
    limit = _strictest([one.limit for one in reasons if one.limit is not None]) if row == WITHIN else None
    return Triage(row, tuple(reasons), limit, evidence.open_count, rules.version)


def _try(rule: Rule, evidence: Evidence) -> Reason | None:
    seen = find(rule.when, evidence)
    if not seen:
        return None
    cautions = tuple(CAUTIONS[key] for key in rule.cautions)
    is_found, points = bool(items_of(rule.when)), find_points(rule.when, evidence)
    if rule.row != WITHIN:
        return Reason(rule, rule.row, seen, cautions, is_found, points=points)
    limit = _limit_of(rule, evidence)
    is_over = limit.until is not None and limit.until < evidence.today + timedelta(weeks=1)
    return Reason(rule, OUTING if is_over else WITHIN, seen, cautions, is_found, None if is_over else limit, points)


def _limit_of(rule: Rule, evidence: Evidence) -> Limit:
    weeks = rule.weeks
    part = evidence.facts.part(rule.until_due) if rule.until_due else None
    if part is not None and part.due_early is not None and evidence.facts.is_clock_sure is not False:
        left = (part.due_early - evidence.today).days // DAYS_PER_WEEK
        weeks = max(0, left) if weeks is None else max(0, min(weeks, left))
    distance_m = None if rule.miles is None else rule.miles * M_PER_MILE
    return Limit(distance_m, weeks, None if weeks is None else evidence.today + timedelta(weeks=weeks))


def _strictest(limits: list[Limit]) -> Limit:
    distances = [one.distance_m for one in limits if one.distance_m is not None]
    timed = [one for one in limits if one.weeks is not None]
    soonest = min(timed, key=lambda one: one.weeks or 0, default=None)
    return Limit(min(distances, default=None), soonest.weeks if soonest else None, soonest.until if soonest else None)
