"""Rules of the verdict on the trip as a whole: what was measured, sensors, alerts, dirt, standing height."""

from __future__ import annotations

from collections.abc import Iterator

from dutylog.domain.quantity import position_text
from dutylog.life.dirt import FACTORS
from dutylog.review.differences import HEAT
from dutylog.review.review import ACT, FINE, LOOK, DamperRow, Figure, Sentence, Words
from dutylog.review.seen import Seen, add_others, join_names, join_words
from dutylog.review.verdict_rules import FAULT_WORDS, RULES, limit

_ALERTS = {
    "damping_lost": ("damping_lost", ACT, "lost damping on the way; have it checked before the next outing"),
    "oil_over_limit": ("oil_too_hot", LOOK, "got its oil hotter than its limit"),
    "charge_leaking": ("gas_leaking", ACT, "may have lost gas; don't open it, have the charge read when cold"),
}
"""Alerts that no other rule tells of: rule, level, what is said of the damper."""
_NOT_DRIVEN = {"dyno": "on a dyno", "transport": "on a trailer or transporter"}


def say_trip(seen: Seen) -> list[Sentence]:
    """Return the sentences on the trip as a whole."""
    found = [_judge_measured(seen), _judge_dirt(seen), _judge_not_driven(seen), _judge_raw(seen)]
    lists = (_judge_coverage(seen), _judge_alerts(seen), _judge_sensors(seen), _judge_standing(seen))
    return [*(one for one in found if one is not None), *(one for each in lists for one in each)]


def say_uneventful(seen: Seen) -> Sentence:
    """Return what is said where nothing is to be looked at; only what was measured is called well."""
    parts = ["nothing met the ends of travel hard"]
    measured = [row for row in seen.dampers if row.measured_s > 0.0]
    if measured and all(row.peak_body_c is not None for row in measured):
        parts.append("nothing ran hot")
    parts += _say_sides(seen)
    said = f"an uneventful trip: {', '.join(parts[:-1])} and {parts[-1]}" if parts[1:] else f"uneventful: {parts[0]}"
    return Sentence("uneventful", FINE, (), (said,), ("none of the other rules found anything to look at",))


def _say_sides(seen: Seen) -> list[str]:
    """Return what is known of left against right; that they were alike only where their ranges leave no more room."""
    heats = [pair.difference for pair in seen.sides if pair.figure == HEAT]
    if not heats or any(one.is_clear for one in heats):
        return []
    most = 1.0 + limit("uneventful", "alike_ratio")
    ranges = [(one.low, one.high) for one in heats]
    if all(low is not None and high is not None and low >= 1.0 / most and high <= most for low, high in ranges):
        return ["left and right took alike"]
    return ["no clear difference showed between left and right"]


def _judge_measured(seen: Seen) -> Sentence | None:
    if any(row.measured_s > 0.0 for row in seen.dampers):
        return None
    words: Words = ("nothing was measured on this trip: look at sensors, plugs and the logger",)
    return Sentence("nothing_measured", ACT, (), words, ("no damper has any measured time",))


def _judge_coverage(seen: Seen) -> Iterator[Sentence]:
    """Say whose motion wasn't measured; where nobody's was, another rule says so."""
    if all(row.measured_s <= 0.0 for row in seen.dampers):
        return
    shares = [(_measured_ratio(row), row) for row in seen.dampers]
    low = [(share, row) for share, row in shares if share is not None and share < limit("coverage", "look_ratio")]
    low.sort(key=lambda one: one[0])
    for level in (ACT, LOOK):
        if some := [one for one in low if (one[0] < limit("coverage", "act_ratio")) == (level == ACT)]:
            why: Words = ("said below ", Figure("ratio", limit("coverage", "look_ratio")), " of moving time")
            positions = tuple(dict.fromkeys(row.position for _, row in some))
            yield Sentence("coverage", level, positions, _say_coverage(seen, some), why)


def _measured_ratio(row: DamperRow) -> float | None:
    """Return the share of moving time that was measured, 0 where there was none at all; None where nothing moved."""
    if row.measured_s <= 0.0 and row.unmeasured_s > 0.0:
        return 0.0
    return row.coverage_ratio


def _say_coverage(seen: Seen, low: list[tuple[float, DamperRow]]) -> Words:
    """Return who wasn't measured at all and who for part of the time; share and row of each, the least first."""
    dead = [seen.name(row) for _, row in low if row.measured_s <= 0.0]
    partly = [(share, row) for share, row in low if row.measured_s > 0.0]
    words: Words = ()
    if dead:
        words = (f"{join_words(dead)} {'was' if len(dead) == 1 else 'were'} not measured at all",)
        if not partly:
            return (*words, ": nothing is known of what happened there")
        words = (*words, "; ")
    ratio, row = partly[0]
    return (
        *words,
        f"{seen.name(row)} was measured for only ",
        Figure("ratio", ratio),
        " of moving time",
        *add_others([(seen.name(one), Figure("ratio", share)) for share, one in partly[1:]]),
        ": heat and strokes are lower bounds",
    )


def _judge_dirt(seen: Seen) -> Sentence | None:
    dirt = seen.told.dirt
    is_washed = any(one.item == "wash" for one in seen.told.notes.care)
    if dirt is None or dirt.washed or is_washed or FACTORS[dirt.what] < limit("dirt", "act_factor"):
        return None
    factor = FACTORS[dirt.what]
    words: Words = (f"{dirt.what} on the shafts and not washed off yet: it wears seals {factor:g} times as fast",)
    why: Words = (f"{dirt.what} was told by {dirt.said.by}; said from {limit('dirt', 'act_factor'):g} times on",)
    return Sentence("dirt", ACT, (), words, why)


def _judge_not_driven(seen: Seen) -> Sentence | None:
    told = seen.facts.not_driven
    if told is None:
        return None
    words: Words = (f"this was no drive ({_NOT_DRIVEN.get(told, told)}): it doesn't count for the dampers",)
    return Sentence("not_driven", LOOK, (), words, ("somebody said so; `dutylog trip repairs` has the entry",))


def _judge_raw(seen: Seen) -> Sentence | None:
    if seen.data.is_raw_whole:
        return None
    words: Words = ("part of the raw log of this trip is gone or damaged: plots show less than the tables",)
    return Sentence("raw_lost", LOOK, (), words, ("sums are the ledger's and whole",))


def _judge_alerts(seen: Seen) -> Iterator[Sentence]:
    for kind, (rule, level, says) in _ALERTS.items():
        positions = tuple(dict.fromkeys(one.position for one in seen.told.alerts if one.kind == kind and one.position))
        if positions:
            words: Words = (f"{join_names(positions)} {says}",)
            yield Sentence(rule, level, positions, words, (f"{RULES[rule].what} on this trip",))


def _judge_sensors(seen: Seen) -> Iterator[Sentence]:
    """Say whose sensors failed; the time is that of all its faults, each second once."""
    seconds = seen.data.end_s
    for position in dict.fromkeys(one.position for one in seen.data.faults):
        own = [one for one in seen.data.faults if one.position == position]
        lost_s = _covered_s([(one.start_s, seconds if one.end_s is None else one.end_s) for one in own])
        ratio = lost_s / seconds if seconds > 0.0 else 0.0
        if ratio < limit("sensor", "look_ratio") or lost_s < limit("sensor", "look_s"):
            continue
        kinds = ", ".join(FAULT_WORDS.get(kind, kind) for kind in dict.fromkeys(one.kind for one in own))
        who = position_text(position) if position else "the logger"
        words: Words = (f"{who} told nothing true for ", Figure("duration_s", lost_s), f": {kinds}")
        why: Words = (
            Figure("share_ratio", ratio),
            " of the trip; said from ",
            Figure("share_ratio", limit("sensor", "look_ratio")),
            " on",
        )
        level = ACT if ratio >= limit("sensor", "act_ratio") else LOOK
        yield Sentence("sensor", level, (position,) if position else (), words, why)


def _covered_s(spans: list[tuple[float, float]]) -> float:
    """Return how long spans last together, overlaps once."""
    total_s, until_s = 0.0, float("-inf")
    for start_s, end_s in sorted(spans):
        total_s += max(0.0, end_s - max(start_s, until_s))
        until_s = max(until_s, end_s)
    return total_s


def _judge_standing(seen: Seen) -> Iterator[Sentence]:
    for trend in seen.trends:
        if trend.level != FINE:
            words: Words = (f"{position_text(trend.position)} ", *trend.words)
            why: Words = ("of ", Figure("count", trend.stops_count), " stops on ", Figure("count", trend.trips_count))
            yield Sentence("standing", trend.level, (trend.position,), words, (*why, " trips"))
