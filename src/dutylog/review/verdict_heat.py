"""Rules of the verdict on heat: limits, left against right, axles, roads, cavitation, and what it took of budgets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from dutylog.domain.quantity import position_text
from dutylog.domain.vehicle import Vehicle
from dutylog.review.differences import HEAT, WARMTH, Pair
from dutylog.review.review import ACT, FINE, LOOK, DamperRow, Figure, Sentence, UsedPart, Words
from dutylog.review.seen import Seen, add_others
from dutylog.review.trip_data import PARKED
from dutylog.review.verdict_rules import ROAD_WORDS, limit
from dutylog.units import M_PER_MILE


def say_heat(seen: Seen) -> list[Sentence]:
    """Return the sentences on heat."""
    found = [_judge_cavitation(seen)]
    if seen.facts.not_driven is None:
        found += [_judge_budget(seen), _judge_roads(seen)]
    told = (one for one in found if one is not None)
    return [*_judge_limits(seen), *told, *_judge_sides(seen), *_judge_axles(seen)]


def body_limit_c(vehicle: Vehicle, position: str) -> float | None:
    """Return what the body of a position may have, None where the vehicle has no such place."""
    found = next((one for one in vehicle.dampers if one.position == position), None)
    return None if found is None else vehicle.profile_of(found).body_limit_c


def _judge_limits(seen: Seen) -> Iterator[Sentence]:
    """Say which bodies were over their limits, and which came near to them."""
    near_k = limit("too_hot", "look_below_limit_k")
    hot: list[tuple[float, float, DamperRow]] = []
    for row in seen.dampers:
        most_c = body_limit_c(seen.data.vehicle, row.position)
        if most_c is not None and row.peak_body_c is not None and row.peak_body_c >= most_c - near_k:
            hot.append((row.peak_body_c - most_c, row.peak_body_c, row))
    hot.sort(key=lambda one: -one[0])
    for level in (ACT, LOOK):
        if some := [one for one in hot if (one[0] >= 0.0) == (level == ACT)]:
            yield _say_limit(seen, level, some)


def _say_limit(seen: Seen, level: str, hot: list[tuple[float, float, DamperRow]]) -> Sentence:
    """Return who was nearest to its limit, or furthest over it; over_k, peak_c and row of each, the worst first."""
    over_k, peak_c, row = hot[0]
    verb, near_k = "over" if level == ACT else "below", limit("too_hot", "look_below_limit_k")
    others = [(seen.name(one), Figure("temperature_k", abs(over))) for over, _, one in hot[1:]]
    words: Words = (
        f"{seen.name(row)} got as hot as ",
        Figure("temperature_c", peak_c),
        ", ",
        Figure("temperature_k", abs(over_k)),
        f" {verb} its limit",
        *add_others(others),
        *_in_air(seen),
    )
    why: Words = (
        "the profile's limit is ",
        Figure("temperature_c", peak_c - over_k),
        "; said from ",
        Figure("temperature_k", near_k),
        " below it on",
    )
    return Sentence("too_hot", level, _places(one for _, _, one in hot), words, why)


def _places(rows: Iterable[DamperRow]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.position for row in rows))


def _in_air(seen: Seen) -> Words:
    known = seen.data.ambient_c[seen.data.ambient_c == seen.data.ambient_c]
    return (", in air of up to ", Figure("temperature_c", float(known.max()))) if len(known) else ()


def _judge_sides(seen: Seen) -> Iterator[Sentence]:
    for pair in seen.sides:
        rule = {HEAT: "side_heat", WARMTH: "side_warmth"}.get(pair.figure)
        if rule is None or (more := _larger(pair)) is None:
            continue
        ratio, larger, smaller = more
        if ratio - 1.0 < limit(rule, "look_ratio"):
            continue
        level = ACT if rule == "side_heat" and ratio - 1.0 >= limit(rule, "act_ratio") else LOOK
        change = Figure("change_ratio", ratio - 1.0)
        words: Words = (f"{position_text(larger)} took ", change, f" more heat than {position_text(smaller)}")
        if rule == "side_warmth":
            who, other = position_text(larger), position_text(smaller)
            cause = "dirt or less air on one of them, or a force that isn't the curve's"
            words = (f"{who} rises ", change, f" more above the air than {other} by the same heat: {cause}")
        yield Sentence(rule, level, (larger, smaller), words, _why_side(pair, rule))


def _larger(pair: Pair) -> tuple[float, str, str] | None:
    """Return how much larger the larger one is, and which is which; None where that is within the doubt."""
    ratio = pair.difference.ratio
    if not pair.difference.is_clear or ratio is None:
        return None
    first, second = pair.names
    return (ratio, second, first) if ratio >= 1.0 else (1.0 / ratio, first, second)


def _why_side(pair: Pair, rule: str) -> Words:
    low, high = pair.difference.low or 1.0, pair.difference.high or 1.0
    bounds = sorted((low - 1.0, high - 1.0) if (pair.difference.ratio or 1.0) >= 1.0 else (1 / high - 1, 1 / low - 1))
    return (
        "between ",
        Figure("change_ratio", bounds[0]),
        " and ",
        Figure("change_ratio", bounds[1]),
        " with all doubt; said from ",
        Figure("change_ratio", limit(rule, "look_ratio")),
        " on where even the least of that is more",
    )


def _judge_axles(seen: Seen) -> Iterator[Sentence]:
    least = limit("axle_heat", "fine_ratio")
    for pair in seen.axles:
        more = _larger(pair)
        if more is not None and more[0] - 1.0 >= least:
            ratio, larger, smaller = more
            who, other = position_text(larger), position_text(smaller)
            words: Words = (f"the {who} took ", Figure("change_ratio", ratio - 1.0), f" more heat than the {other}")
            why: Words = (
                "said from ",
                Figure("change_ratio", least),
                " on; axles differ by nature, trips compare them",
            )
            yield Sentence("axle_heat", FINE, (), words, why)


def _judge_roads(seen: Seen) -> Sentence | None:
    """Say which road made far more heat than its share of the driven time; not of a log with holes."""
    if not seen.data.is_raw_whole:
        return None
    driven_s = sum(row.seconds for row in seen.roads if row.kind != PARKED)
    share, more = limit("roads", "fine_ratio"), limit("roads", "fine_times")
    for row in sorted(seen.roads, key=lambda one: -one.energy_ratio):
        if row.kind == PARKED or row.energy_ratio < share or driven_s <= 0.0:
            continue
        by_time = row.seconds / driven_s
        if row.energy_ratio < more * by_time:
            continue
        far = Figure("duration_s", row.seconds) if row.distance_m is None else Figure("distance_m", row.distance_m)
        words: Words = (
            far,
            f" of {ROAD_WORDS[row.kind]} made ",
            Figure("share_ratio", row.energy_ratio),
            " of the heat",
        )
        why: Words = (
            "it took ",
            Figure("share_ratio", by_time),
            " of the driven time; said from ",
            Figure("share_ratio", share),
            f" of the heat on where that is {more:g} times its share of the time or more",
        )
        return Sentence("roads", FINE, (), words, why)
    return None


def _judge_budget(seen: Seen) -> Sentence | None:
    used = [(row.used[0], row) for row in seen.dampers if row.used]
    if not used:
        return None
    most, row = max(used, key=lambda one: one[0].ratio)
    if most.ratio < limit("budget", "fine_ratio"):
        return None
    level = LOOK if most.ratio >= limit("budget", "look_ratio") else FINE
    words: Words = (
        f"{seen.name(row)} used ",
        Figure("share_ratio", most.ratio),
        f" of the budget of its {most.name}",
        *_as_street(row, most),
    )
    why: Words = (
        "the most used part of all dampers; said from ",
        Figure("share_ratio", limit("budget", "fine_ratio")),
        " on, worth a look from ",
        Figure("share_ratio", limit("budget", "look_ratio")),
        " on",
    )
    return Sentence("budget", level, (row.position,), words, why)


def _as_street(row: DamperRow, most: UsedPart) -> Words:
    if row.street_miles is None or row.used[0] != most:
        return ()
    return (", as much as ", Figure("far_m", row.street_miles * M_PER_MILE), " of street")


def _judge_cavitation(seen: Seen) -> Sentence | None:
    share, least_s = limit("cavitation", "look_ratio"), limit("cavitation", "look_s")
    found = []
    for row, one in zip(seen.dampers, seen.data.dampers, strict=True):
        energy_uj = one.totals.energy_uj
        ratio = one.totals.cavitation_energy_uj / energy_uj if energy_uj else 0.0
        if ratio >= share and one.totals.cavitation_us / 1e6 >= least_s:
            found.append((ratio, one.totals.cavitation_us / 1e6, row))
    if not found:
        return None
    found.sort(key=lambda one: -one[0])
    ratio, seconds, row = found[0]
    words: Words = (
        f"{seen.name(row)} was beyond its cavitation margin for ",
        Figure("duration_s", seconds),
        "; ",
        Figure("share_ratio", ratio),
        " of its heat is uncertain",
        *add_others([(seen.name(one), Figure("share_ratio", other)) for other, _, one in found[1:]]),
    )
    why: Words = ("said from ", Figure("share_ratio", share), " of the heat on; have the charge read when cold")
    return Sentence("cavitation", LOOK, _places(one for _, _, one in found), words, why)
