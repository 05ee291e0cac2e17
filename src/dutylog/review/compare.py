"""What differs: left from right, front from rear, one trip from another, before from after a change.

Each figure comes with its range of 95 % (review/ranges.py): what stretches of road scatter, and what sensors and force
curves leave in doubt. Roads of one kind differ too; shares of the heat don't depend on that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dutylog.review.compare_heights import compare_heights
from dutylog.review.differences import (
    BOTTOMS,
    HEAT,
    SHAFT,
    SHARE,
    STROKES,
    WARMTH,
    Pair,
    has_distance,
    pair_of_sides,
    pair_of_trips,
)
from dutylog.review.ranges import LEAST_STRETCHES, Range, Sums, compare_counts, compare_sums
from dutylog.review.review import Difference, StandingHeight
from dutylog.review.standing import find_stops
from dutylog.review.stretches import StretchDamper, Stretches, join_stretches, make_stretches
from dutylog.review.trip_data import ROAD_KINDS, Floats, Segment, TripData

SAME_DOUBT, LIKE_DOUBT, OTHER_DOUBT = 0.03, 0.07, 0.15
"""Of heat: the same damper again; another of the same profile; one of another profile. Source: judgement (scale 1-2 %,
curve and temperature 5-10 %, of which like dampers share most)."""
COUNT_DOUBT = 0.03
"""Of strokes, contacts and shaft speed, which need no force curve. Source: judgement, scale of the travel sensor."""
WARMTH_DOUBT = 0.25
"""Of a rise by heat between trips: wind alone moves it by a quarter. Source: judgement."""
LEAST_RISE_K = 5.0
"""Less above the air says nothing of how well a damper sheds heat. Source: judgement."""
_LEFT, _RIGHT = "left", "right"
_Side = Callable[[StretchDamper], Floats]


@dataclass(frozen=True, slots=True)
class LookedAt:
    """What of a trip is compared with another."""

    stretches: Stretches
    heights: tuple[StandingHeight, ...]


def look_at(data: TripData, segments: Sequence[Segment], load_note: str | None = None) -> LookedAt:
    """Return what of a trip is compared. segments: people's words laid over them."""
    return LookedAt(make_stretches(data, segments, f"trip {data.key}"), find_stops(data, load_note))


def compare_looked_at(first: LookedAt, second: LookedAt) -> tuple[Difference, ...]:
    """Return what differs between two trips, damper by damper, by kinds of road that both had; clear ones first."""
    names = first.stretches.name, second.stretches.name
    found = [*_compare_stretches(first.stretches, second.stretches)]
    found += compare_heights(first.heights, second.heights, names)
    return tuple(sorted(found, key=lambda one: not one.is_clear))


def _compare_stretches(first: Stretches, second: Stretches) -> list[Difference]:
    positions = [one.position for one in second.dampers if first.at(one.position) is not None]
    found = [one for position in positions for one in compare_at(first, second, position)]
    return [one.difference for one in found]


def compare_at(first: Stretches, second: Stretches, position: str) -> list[Pair]:
    """Return what differs between two trips at one position, road by road."""
    one, other = first.at(position), second.at(position)
    if one is None or other is None:
        return []
    found = []
    for kind in ROAD_KINDS:
        parts = [trip.of_kind(kind) for trip in (first, second)]
        if min(len(part.kinds) for part in parts) >= LEAST_STRETCHES:
            found += _compare_on_road(parts[0], parts[1], position, kind)
    warmth = compare_sums(_warmth(first, one), _warmth(second, other), WARMTH_DOUBT, False)
    found += pair_of_trips(WARMTH, position, (first, second), warmth)
    if has_distance(first, second):
        (before, before_m), (after, after_m) = _bottom_outs(first, one), _bottom_outs(second, other)
        counted = compare_counts(before, after, before_m, after_m, COUNT_DOUBT)
        found += pair_of_trips(BOTTOMS, position, (first, second), counted)
    return found


def compare_sides(trip: Stretches) -> list[Pair]:
    """Return left against right of each axle: heat by wheel, the rest by damper."""
    found = []
    for left, right in _wheel_pairs(trip):
        sides = [[one for one in trip.dampers if one.wheel == wheel] for wheel in (left, right)]
        doubt = _doubt([one.profile for side in sides for one in side])
        sums = [_heat_of(trip, side) for side in sides]
        found += pair_of_sides(HEAT, (left, right), "power_w", compare_sums(sums[0], sums[1], doubt, True))
        for one in sides[0]:
            other = trip.at(_mirror(one.position))
            if other is not None:
                found += _compare_dampers(trip, one, other)
    return found


def compare_axles(trip: Stretches) -> list[Pair]:
    """Return heat of each axle against the one before it."""
    axles: dict[str, list[StretchDamper]] = {}
    for left, right in _wheel_pairs(trip):
        name = left.removesuffix(f"_{_LEFT}")
        axles[name] = [one for one in trip.dampers if one.wheel in (left, right)]
    names, found = list(axles), []
    for first, second in pairwise(names):
        sides = axles[first], axles[second]
        doubt = _doubt([one.profile for side in sides for one in side])
        ranged = compare_sums(_heat_of(trip, sides[0]), _heat_of(trip, sides[1]), doubt, True)
        found += pair_of_sides(HEAT, (first, second), "power_w", ranged)
    return found


def compare_change(before: Sequence[Stretches], after: Sequence[Stretches], position: str, what: str) -> list[Pair]:
    """Return what differs at a position between trips before and after a change.

    Args:
        what: the change in words, 'the shaft seal was replaced'.
    """
    if not before or not after:
        return []
    earlier = join_stretches(before, f"before: {what}")
    return compare_at(earlier, join_stretches(after, f"after: {what}"), position)


def _compare_on_road(first: Stretches, second: Stretches, position: str, kind: str) -> list[Pair]:
    one, other = first.at(position), second.at(position)
    if one is None or other is None:
        return []
    doubt = SAME_DOUBT if one.unit_id == other.unit_id else _doubt([one.profile, other.profile])
    by_metre, trips = has_distance(first, second), (first, second)

    def ranged(top: _Side, by_distance: bool, doubt_ratio: float) -> Range | None:
        sums = [
            Sums(top(damper), trip.distance_m if by_distance else trip.seconds, trip.kinds)
            for trip, damper in ((first, one), (second, other))
        ]
        return compare_sums(sums[0], sums[1], doubt_ratio, is_paired=False)

    heat = ranged(lambda damper: damper.energy_j, by_metre, doubt)
    found = pair_of_trips(HEAT, position, trips, heat, kind, "energy_per_m" if by_metre else "power_w")
    found += pair_of_trips(SHAFT, position, trips, ranged(lambda damper: damper.sliding_m, False, COUNT_DOUBT), kind)
    if by_metre:
        strokes = ranged(lambda damper: damper.strokes_count, True, COUNT_DOUBT)
        found += pair_of_trips(STROKES, position, trips, strokes, kind)
    shares = [Sums(of.energy_j, _all_heat_j(trip), trip.kinds) for trip, of in ((first, one), (second, other))]
    return found + pair_of_trips(
        SHARE, position, trips, compare_sums(shares[0], shares[1], doubt, is_paired=False), kind
    )


def _compare_dampers(trip: Stretches, one: StretchDamper, other: StretchDamper) -> list[Pair]:
    names, doubt = (one.position, other.position), _doubt([one.profile, other.profile])
    shaft = [Sums(of.sliding_m, trip.seconds, trip.kinds) for of in (one, other)]
    found = pair_of_sides(SHAFT, names, "shaft_mps", compare_sums(shaft[0], shaft[1], COUNT_DOUBT, True))
    warmth = [_warmth(trip, of) for of in (one, other)]
    found += pair_of_sides(WARMTH, names, "temperature_k", compare_sums(warmth[0], warmth[1], doubt, True))
    both = np.isfinite(one.bottom_outs_count) & np.isfinite(other.bottom_outs_count)
    counts = one.bottom_outs_count[both], other.bottom_outs_count[both]
    return found + pair_of_sides(BOTTOMS, names, "count", compare_counts(*counts, 1.0, 1.0, COUNT_DOUBT))


def _heat_of(trip: Stretches, dampers: Iterable[StretchDamper]) -> Sums:
    return Sums(np.sum([one.energy_j for one in dampers], axis=0), trip.seconds, trip.kinds)


def _all_heat_j(trip: Stretches) -> Floats:
    return np.asarray(np.sum([one.energy_j for one in trip.dampers], axis=0))


def _warmth(trip: Stretches, one: StretchDamper) -> Sums:
    """Return the rise above the air by 100 W carried off; nothing where it was hardly warm.

    Source: what goes in less what warms the damper itself leaves through its skin, in proportion to the rise.
    """
    known = np.isfinite(one.warm_ks)
    is_warm = known.any() and one.warm_ks[known].sum() >= LEAST_RISE_K * trip.seconds[known].sum()
    carried_j = (one.energy_j - one.stored_j) / 100.0
    # a stretch may warm the damper by more than went in: heat of the one before
    top = one.warm_ks if is_warm else np.full(len(trip.kinds), np.nan)
    return Sums(top, carried_j, trip.kinds)


def _bottom_outs(trip: Stretches, one: StretchDamper) -> tuple[Floats, float]:
    """Return bottom-outs by stretch where distance is known, and that distance together."""
    known = np.isfinite(one.bottom_outs_count) & np.isfinite(trip.distance_m)
    return one.bottom_outs_count[known], float(trip.distance_m[known].sum())


def _doubt(profiles: Sequence[str]) -> float:
    return LIKE_DOUBT if len(set(profiles)) == 1 else OTHER_DOUBT


def _wheel_pairs(trip: Stretches) -> list[tuple[str, str]]:
    wheels = list(dict.fromkeys(one.wheel for one in trip.dampers))
    lefts = [wheel for wheel in wheels if wheel.endswith(f"_{_LEFT}")]
    return [(wheel, other) for wheel in lefts if (other := _mirror(wheel)) in wheels]


def _mirror(name: str) -> str:
    """Return the name of the other side: 'rear_left_bypass' gives 'rear_right_bypass'."""
    return "_".join(_RIGHT if word == _LEFT else word for word in name.split("_"))
