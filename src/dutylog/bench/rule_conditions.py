"""Conditions of triage rules: on findings and on measured duty, joined by all or any. There is no `not`.

So a worse finding can only make more conditions true, and never a milder row: what keeps that so for edited rules as
well is checked where they are read (`check_direction`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from dutylog.bench.facts import AlertFact, MarkFact
from dutylog.bench.facts_card import TRIPS_KEPT
from dutylog.bench.figures import Figure, Sentence, say
from dutylog.bench.findings import GRADE_WORDS, Finding
from dutylog.bench.inspection_items import ITEM_OF, measure_of
from dutylog.bench.items_outside import LESS, MORE
from dutylog.bench.look_rules import ALERT_OVER, DIRT_OVER
from dutylog.bench.since_service import renewed_day, standing_alerts, trips_since
from dutylog.bench.triage_values import VALUES, Evidence
from dutylog.domain.wear import GRADES
from dutylog.life.dirt import CARRIED_S
from dutylog.life.marks import NEXT_SERVICE, SOON, STOP, WATCH
from dutylog.life.parts import part_names

ANY_ITEM = "any"
PART_NAMES = part_names(None)
MARK_LEVELS = (WATCH, NEXT_SERVICE, SOON, STOP)
"""The mildest first."""
Seen = tuple[Sentence, ...]
"""What made a condition true, a sentence each."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of a number, None: open on that side."""

    at_least: float | None
    at_most: float | None

    def holds(self, value: float) -> bool:
        """Return whether a value lies within."""
        return (self.at_least is None or value >= self.at_least) and (self.at_most is None or value <= self.at_most)


@dataclass(frozen=True, slots=True)
class GradeAtLeast:
    """One of some points (ANY_ITEM: of all) has this grade or a worse one."""

    items: tuple[str, ...]
    grade: str


@dataclass(frozen=True, slots=True)
class MeasureWithin:
    """A measure of one of some points lies within limits."""

    items: tuple[str, ...]
    measure: str
    limits: Limits


@dataclass(frozen=True, slots=True)
class ValueWithin:
    """A value of measured duty (triage_values) lies within limits; part: '' where it needs none."""

    value: str
    part: str
    limits: Limits


@dataclass(frozen=True, slots=True)
class MarkAtLeast:
    """A mark on the shaft, told on the vehicle, is that urgent or more (shared/LIFE.md)."""

    level: str


@dataclass(frozen=True, slots=True)
class AlertRaised:
    """An alert of this kind isn't over, nor was what it speaks of made new since (look_rules.ALERT_OVER)."""

    kind: str


@dataclass(frozen=True, slots=True)
class DirtLeft:
    """A trip since the seal was new had this dirt, nobody said that it was washed then or later, and the damper hasn't
    run it off yet (life.dirt)."""

    dirt: str


@dataclass(frozen=True, slots=True)
class Joined:
    """All of some conditions, or any."""

    is_all: bool
    parts: tuple[Condition, ...]


Condition = GradeAtLeast | MeasureWithin | ValueWithin | MarkAtLeast | AlertRaised | DirtLeft | Joined


def find(condition: Condition, evidence: Evidence) -> Seen:
    """Return what makes a condition true, nothing where it isn't."""
    match condition:
        case Joined(is_all, parts):
            found = [find(part, evidence) for part in parts]
            if is_all and not all(found):
                return ()
            return tuple(dict.fromkeys(one for seen in found for one in seen))
        case GradeAtLeast(items, grade):
            least = GRADES.index(grade)
            bad = [one for one in _said(items, evidence) if GRADES.index(one.grade) >= least]
            return tuple(_say_grade(one) for one in bad)
        case MeasureWithin(items, measure, limits):
            told = [one for one in _measured(items, evidence) if measure in one.measures]
            return tuple(_say_measure(one, measure) for one in told if limits.holds(one.measures[measure]))
        case ValueWithin(value, part, limits):
            return _find_value(value, part, limits, evidence)
        case MarkAtLeast(level):
            least = MARK_LEVELS.index(level)
            marks = [one for one in evidence.facts.marks if _level(one) >= least]
            return tuple((f"mark told on the vehicle: {one.text}",) for one in marks)
        case AlertRaised(kind):
            alerts = [one for one in standing_alerts(evidence.facts, kind) if not one.is_over]
            return tuple(_say_alert(one) for one in alerts[:1])
        case DirtLeft(dirt):
            return _find_dirt(dirt, evidence)


def items_of(condition: Condition) -> frozenset[str]:
    """Return the points a condition looks at."""
    if isinstance(condition, Joined):
        return frozenset(item for part in condition.parts for item in items_of(part))
    return frozenset(condition.items) if isinstance(condition, GradeAtLeast | MeasureWithin) else frozenset()


@dataclass(frozen=True, slots=True)
class Points:
    """What a condition that is true points at: points of the inspection, and wear parts that were measured or told.

    is_dirty: at dirt that is still there.
    """

    items: frozenset[str] = frozenset()
    parts: frozenset[str] = frozenset()
    is_dirty: bool = False


def find_points(condition: Condition, evidence: Evidence) -> Points:
    """Return what a condition points at, by those of its parts that are true."""
    if not find(condition, evidence):
        return Points()
    match condition:
        case Joined(_, parts):
            found = [find_points(part, evidence) for part in parts]
            return Points(
                frozenset(item for one in found for item in one.items),
                frozenset(part for one in found for part in one.parts),
                any(one.is_dirty for one in found),
            )
        case GradeAtLeast(items, grade):
            least = GRADES.index(grade)
            return Points(frozenset(one.item for one in _said(items, evidence) if GRADES.index(one.grade) >= least))
        case MeasureWithin(items, measure, limits):
            told = [one for one in _measured(items, evidence) if measure in one.measures]
            return Points(frozenset(one.item for one in told if limits.holds(one.measures[measure])))
        case ValueWithin(value, part, _):
            return Points(parts=frozenset((part,) if part else VALUES[value].parts))
        case MarkAtLeast():
            return Points(frozenset(("shaft_marks",)))
        case AlertRaised(kind):
            return Points(parts=frozenset(ALERT_OVER.get(kind, ())))
        case DirtLeft():
            return Points(is_dirty=True)


def say_condition(condition: Condition) -> str:
    """Return a condition in words, for whoever reads the rules."""
    match condition:
        case Joined(is_all, parts):
            inner = [say_condition(part) for part in parts]
            nested = [
                f"({text})" if isinstance(part, Joined) else text for part, text in zip(parts, inner, strict=True)
            ]
            return (" and " if is_all else "; or ").join(nested if len(parts) > 1 else inner)
        case GradeAtLeast(items, grade):
            return f"{_names(items)} graded '{GRADE_WORDS[grade]}'{'' if grade == GRADES[-1] else ' or worse'}"
        case MeasureWithin(items, measure, limits):
            return f"{_names(items)}, {_say_limits_of_measure(items[0], measure, limits)}"
        case ValueWithin(value, part, limits):
            known = VALUES[value]
            of = f"{PART_NAMES[part]}: " if part else ""
            return f"{of}{_say_limits(limits, lambda one: Figure(known.kind, one).text())} {known.name}"
        case MarkAtLeast(level):
            return f"a mark on the shaft told as '{level}' or worse"
        case AlertRaised(kind):
            return f"the vehicle's alert {kind.replace('_', ' ')} isn't over"
        case DirtLeft(dirt):
            return f"{dirt} on a trip, not washed after"


def check_direction(condition: MeasureWithin | ValueWithin) -> str | None:
    """Return what is wrong with limits that would take a worse figure for a milder one, None where they don't."""
    if isinstance(condition, MeasureWithin):
        worse = {
            one.worse for item in condition.items if (one := measure_of(ITEM_OF[item], condition.measure)) is not None
        }
        name = condition.measure
    else:
        worse, name = {VALUES[condition.value].worse}, condition.value
    if MORE in worse and condition.limits.at_most is not None:
        return f"at_most on {name}, of which more is worse: a worse figure would fire less; write at_least"
    if LESS in worse and condition.limits.at_least is not None:
        return f"at_least on {name}, of which less is worse: a worse figure would fire less; write at_most"
    return None


def _said(items: tuple[str, ...], evidence: Evidence) -> Iterable[Finding]:
    keys = tuple(ITEM_OF) if items == (ANY_ITEM,) else items
    # What nobody looked at has no grade, and its figures are not believed.
    return [evidence.said[key] for key in keys if key in evidence.said and evidence.said[key].grade in GRADES]


def _measured(items: tuple[str, ...], evidence: Evidence) -> Iterable[Finding]:
    worked_out = [evidence.measured[key] for key in items if key in evidence.measured]
    return [*_said(items, evidence), *worked_out]


def _find_value(key: str, part: str, limits: Limits, evidence: Evidence) -> Seen:
    known = VALUES[key]
    value = known.read(evidence, part)
    if value is None or not limits.holds(value):
        return ()
    found = evidence.facts.part(part) if part else None
    of = f"{found.name}: " if found else ""
    estimate = " (estimate from what was told)" if found and found.is_estimate else ""
    least = None if known.least is None else known.least(evidence)
    if least is None:
        return ((of, Figure(known.kind, value), f" {known.name}{estimate}"),)
    most: Sentence = (", at most ", Figure(known.kind, value)) if value > least else ()
    why = f" (its card holds the newest {TRIPS_KEPT} trips only)"
    return (("at least ", Figure(known.kind, least), f" {known.name}", *most, why),)


def _find_dirt(dirt: str, evidence: Evidence) -> Seen:
    facts = evidence.facts
    if dirt in facts.dirt_words and facts.is_dirt_washed is not True:
        return ((f"{dirt}, as its owner told",),)
    driven_s = 0.0
    # Newest first: a wash told on a later trip took off what was there before, and in the end it wears off by itself.
    for trip in trips_since(facts, renewed_day(facts, DIRT_OVER)):
        if trip.washed or driven_s > CARRIED_S:
            return ()
        if trip.dirt == dirt:
            return ((f"{dirt} on a trip{f' of {trip.day}' if trip.day else ''}, not washed after",),)
        driven_s += trip.moving_s
    return ()


def _level(mark: MarkFact) -> int:
    return MARK_LEVELS.index(mark.urgency) if mark.urgency in MARK_LEVELS else 0


def _say_alert(alert: AlertFact) -> Sentence:
    return (f"alert of the vehicle{f' of {alert.day}' if alert.day else ''}: {alert.text}",)


def _say_grade(finding: Finding) -> Sentence:
    by = f" ({finding.by})" if finding.by else ""
    return (f"{ITEM_OF[finding.item].name}: {GRADE_WORDS[finding.grade]}{by}",)


def _say_measure(finding: Finding, key: str) -> Sentence:
    item = ITEM_OF[finding.item]
    measure = measure_of(item, key)
    if measure is None:
        return (item.name,)
    value = finding.measures[key]
    head = f"{item.name}, {measure.name}: "
    if measure.choices:
        return (head + dict(measure.choices).get(value, f"{value:g}"),)
    return (head, Figure(measure.kind, value)) if measure.kind else (f"{head}{value:g} {measure.unit}",)


def _say_limits_of_measure(item: str, key: str, limits: Limits) -> str:
    measure = measure_of(ITEM_OF[item], key)
    if measure is None:
        return key
    words = dict(measure.choices)

    def text(value: float) -> str:
        if words:
            return f"'{words.get(value, f'{value:g}')}'"
        return say((Figure(measure.kind, value),)) if measure.kind else f"{value:g} {measure.unit}"

    return f"{measure.name}: {_say_limits(limits, text)}"


def _say_limits(limits: Limits, text: Callable[[float], str]) -> str:
    low, high = limits.at_least, limits.at_most
    if low is not None and low == high:
        return text(low)
    words = [f"at least {text(low)}"] if low is not None else []
    return " and ".join(words + ([f"at most {text(high)}"] if high is not None else []))


def _names(items: tuple[str, ...]) -> str:
    return "any point" if items == (ANY_ITEM,) else " / ".join(f"“{ITEM_OF[item].name}”" for item in items)
