"""What to look at first on a damper that has come in, and why: rules over its facts, strongest first.

Every rule that speaks is a reason of a topic; reasons of one topic add up as 1 - product of (1 - strength), so that
more of them never make it weaker (judgement). Limits and strengths: look_rules.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from dutylog.bench import look_rules as rules
from dutylog.bench.facts import STATED, AlertFact, PartFact, UnitFacts
from dutylog.bench.figures import Figure, Sentence, percent
from dutylog.bench.gas_facts import judge_gas
from dutylog.bench.look_rules import LOOK_RULES, TOPIC_OF_PART, TOPICS
from dutylog.bench.since_service import (
    count_bottom_outs,
    count_top_outs,
    last_service_day,
    renewed_day,
    standing_alerts,
    trips_since,
)
from dutylog.bench.store.rows import LikeRow
from dutylog.life.gas import HIGH, LOW
from dutylog.units import MM_PER_INCH

TOLD_WEAR = 1.1
"""A mark that wears the seal less than so many times as fast is told without it. Judgement."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a topic is looked at. rule: key of look_rules.LOOK_RULES. strength: 0..1."""

    rule: str
    topic: str
    text: Sentence
    strength: float

    @property
    def source(self) -> str:
        """Return where its limit is from."""
        return LOOK_RULES[self.rule].source


@dataclass(frozen=True, slots=True)
class FirstLook:
    """A place to look at. strength: 0..1 of all reasons together; level: in words. reasons: the strongest first.

    topic: key of look_rules.TOPICS. parts: wear parts of this damper it speaks of. caution: '' where there is none.
    """

    topic: str
    name: str
    how: str
    parts: tuple[str, ...]
    strength: float
    level: str
    reasons: tuple[Reason, ...]
    caution: str


def find_first_looks(facts: UnitFacts, likes: Mapping[str, LikeRow], today: date) -> tuple[FirstLook, ...]:
    """Return what to look at first, strongest first; empty where nothing stands out.

    Args:
        facts: of the damper. likes: by part, of like units. today: for the calendar.
    """
    by_topic: dict[str, list[Reason]] = {}
    for reason in _reasons(facts, likes, today):
        by_topic.setdefault(reason.topic, []).append(reason)
    looks = [_make_look(facts, topic, reasons) for topic, reasons in by_topic.items()]
    places = list(TOPICS)
    return tuple(sorted(looks, key=lambda one: (-one.strength, places.index(one.topic))))


def _make_look(facts: UnitFacts, topic: str, reasons: Sequence[Reason]) -> FirstLook:
    left = 1.0
    for one in reasons:
        left *= 1.0 - one.strength
    strength = min(rules.MOST, 1.0 - left)
    there = tuple(key for key in TOPICS[topic].parts if facts.part(key) is not None)
    name = _name_of(facts, topic)
    ordered = tuple(sorted(reasons, key=lambda one: -one.strength))
    place = TOPICS[topic]
    return FirstLook(topic, name, place.how, there, strength, rules.say_level(strength), ordered, place.caution)


def _name_of(facts: UnitFacts, topic: str) -> str:
    if topic == "joints":
        return "bushings" if facts.joints == "bushing" else "rod ends"
    return TOPICS[topic].name


def _reasons(facts: UnitFacts, likes: Mapping[str, LikeRow], today: date) -> Iterator[Reason]:
    yield from _of_marks(facts)
    for part in facts.parts:
        yield from _of_part(part, likes.get(part.key), today, facts.is_clock_sure is not False)
    yield from _of_heat(facts)
    yield from _of_hits(facts)
    yield from _of_dirt(facts)
    yield from _of_gas(facts, today)
    yield from _of_alerts(facts)
    yield from _of_services(facts)
    yield from _of_coverage(facts)


def _of_marks(facts: UnitFacts) -> Iterator[Reason]:
    for mark in facts.marks:
        faster = f"; the seal wears {mark.wear_factor:.3g} times as fast" if mark.wear_factor >= TOLD_WEAR else ""
        text: Sentence = (
            f"{'sharp' if mark.is_sharp else 'blunt'} {mark.kind}, ",
            f"{mark.size_mm:g} mm ({mark.size_mm / MM_PER_INCH:.2g} in) long, ",
            Figure("travel_m", mark.distance_mm * 1e-3),
            f" from the seal head: {mark.urgency}{faster}",
        )
        yield Reason("mark", "seal_head", text, rules.MARK_STRENGTHS.get(mark.urgency, rules.MARK_STRENGTHS["watch"]))


def _of_part(part: PartFact, like: LikeRow | None, today: date, is_clock_sure: bool) -> Iterator[Reason]:
    topic = TOPIC_OF_PART[part.key]
    if part.used_ratio is not None and (strength := rules.used_strength(part.used_ratio)):
        word = " of its budget is used (estimate)" if part.is_estimate else " of its believed budget is used"
        text: Sentence = (f"{part.name}: ", percent(part.used_ratio), word)
        yield Reason("used", topic, text, strength * (rules.ESTIMATE_RATIO if part.is_estimate else 1.0))
    if part.calendar_day is not None and is_clock_sure:
        left = (part.calendar_day - today).days
        strength = next((value for days, value in rules.CALENDAR_STRENGTHS if left <= days), 0.0)
        word = "its years were over on" if left <= 0 else "its years are over on"
        if strength:
            yield Reason("calendar", topic, (f"{part.name}: {word} {part.calendar_day}",), strength)
    if like is None or part.used_ratio is None or like.count < rules.LIKE_LEAST_COUNT:
        return
    if part.used_ratio >= like.median_ratio:
        text = (
            f"{part.name}: {like.count} of like units were replaced at ", percent(like.median_ratio), " (",
            percent(like.low_ratio), " to ", percent(like.high_ratio), "), this one is at ", percent(part.used_ratio),
        )  # fmt: skip
        yield Reason("like", topic, text, rules.LIKE_STRENGTH)


def _of_heat(facts: UnitFacts) -> Iterator[Reason]:
    for rule, topic, seconds, what in (
        ("hot_seal", "seal_head", facts.heat.hot_seal_s, "hotter than seals should be"),
        ("hot_oil", "oil", facts.heat.hot_oil_s, "hotter than oil should be"),
    ):
        strength = rules.log_strength(seconds, rules.HOT_FROM_S, rules.HOT_FULL_S, 0.3, 0.7)
        if strength:
            yield Reason(rule, topic, (f"{what} for ", Figure("duration_s", seconds), " since it was new"), strength)
    peak_c, profile = facts.heat.peak_body_c, facts.profile
    if peak_c is not None and profile is not None and peak_c > profile.body_limit_c:
        text: Sentence = (
            "body at ", Figure("temperature_c", peak_c), ", its limit is ",
            Figure("temperature_c", profile.body_limit_c),
        )  # fmt: skip
        yield Reason("peak_body", "seal_head", text, rules.PEAK_STRENGTH)


def _of_hits(facts: UnitFacts) -> Iterator[Reason]:
    since = last_service_day(facts)
    when = "in its life" if since is None else f"since {since}"
    for rule, topic, hits, what in (
        ("bottom_outs", "hard_hits", count_bottom_outs(facts), "bottomed out"),
        ("top_outs", "top_out", count_top_outs(facts), "topped out"),
    ):
        strength = rules.log_strength(hits.most, rules.HITS_FROM, rules.HITS_FULL, 0.3, 0.65) if hits else 0.0
        if strength and hits:
            text: Sentence = (f"{what} {'' if hits.is_whole else 'at least '}", Figure("count", hits.least), " times ")
            yield Reason(rule, topic, (*text, when, *hits.tell_most()), strength)


def _of_dirt(facts: UnitFacts) -> Iterator[Reason]:
    trips = trips_since(facts, renewed_day(facts, rules.DIRT_OVER))
    told = [(trip.dirt, trip.washed, trip.day) for trip in trips if trip.dirt is not None]
    told += [(word, facts.is_dirt_washed, None) for word in facts.dirt_words]
    worst: dict[str, tuple[float, Sentence]] = {}
    for word, washed, day in told:
        strength = rules.DIRT_STRENGTHS.get(word, 0.0)
        if not strength:
            continue
        strength += 0.0 if washed else rules.NOT_WASHED if washed is False else rules.WASH_UNKNOWN
        wash = (
            "washed off" if washed else "not washed off" if washed is False else "nobody said whether it was washed off"
        )
        text: Sentence = (f"{word} on the shaft{'' if day is None else f', {day}'}: {wash}",)
        if strength > worst.get(word, (0.0, ()))[0]:
            worst[word] = (strength, text)
    for strength, text in worst.values():
        yield Reason("dirt", "seal_head", text, strength)


def _of_gas(facts: UnitFacts, today: date) -> Iterator[Reason]:
    found = judge_gas(facts, today)
    if found is None:
        return
    if found.verdict in (LOW, HIGH) and found.newest_pa is not None:
        text: Sentence = (
            f"charge read {'' if found.newest_day is None else f'on {found.newest_day} '}comes to ",
            Figure("pressure_pa", found.newest_pa), " cold and fully extended, its target is ",
            Figure("pressure_pa", found.target_pa or 0.0),
        )  # fmt: skip
        is_low = found.verdict == LOW
        yield Reason("gas_low" if is_low else "gas_high", "charge", text, rules.GAS_LOW if is_low else rules.GAS_HIGH)
    if found.is_falling and found.rate_pa_year is not None:
        text = (
            "charge falls by ", Figure("pressure_fine_pa", found.rate_pa_year), " a year, ",
            f"by {found.readings_count} readings since {found.since}",
        )  # fmt: skip
        yield Reason("gas_falling", "charge", text, rules.GAS_FALLING)


def _of_alerts(facts: UnitFacts) -> Iterator[Reason]:
    newest: dict[str, AlertFact] = {}
    counts: dict[str, int] = {}
    for one in standing_alerts(facts):
        counts[one.kind] = counts.get(one.kind, 0) + 1
        if one.kind not in newest or (one.day or date.min) >= (newest[one.kind].day or date.min):
            newest[one.kind] = one
    for kind, alert in newest.items():
        for topic, strength in rules.ALERT_TOPICS.get(kind, ()):
            times = f", {counts[kind]} times" if counts[kind] > 1 else ""
            day = "a day nobody knows" if alert.day is None else str(alert.day)
            text: Sentence = (f"alert of {day}{times}: {alert.text}",)
            yield Reason("alert", topic, text, strength)


def _of_services(facts: UnitFacts) -> Iterator[Reason]:
    """Yield what was found and left in: the last grade of each part that wasn't replaced then or since."""
    left: dict[str, tuple[str, date | None]] = {}
    for one in sorted(facts.services, key=lambda each: each.day or date.min):
        left.update({part: (grade, one.day) for part, grade in one.found})
        for part in one.replaced:
            left.pop(part, None)
    for key, (grade, day) in left.items():
        found, strength = facts.part(key), rules.EARLIER_STRENGTHS.get(grade, 0.0)
        if found is not None and strength:
            when = "at a service" if day is None else f"on {day}"
            yield Reason("earlier", TOPIC_OF_PART[key], (f"{found.name}: found {grade} {when} and left in",), strength)


def _of_coverage(facts: UnitFacts) -> Iterator[Reason]:
    ratio = facts.life.coverage_ratio
    if ratio is not None and (strength := rules.coverage_strength(ratio)):
        text: Sentence = ("only ", Figure("ratio", ratio), " of its moving time was measured")
        yield Reason("unmeasured", "whole", text, strength)
    is_untold = all(one.used_ratio is None and one.since is None for one in facts.parts)
    if facts.basis == STATED and is_untold:
        yield Reason("untold", "whole", ("nobody told its miles, years or last service",), rules.UNTOLD)
