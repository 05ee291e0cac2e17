"""How standing height has changed over trips, by how much it may be wrong, and what may be behind it.

Stops are compared with the first ones of the same load, by their medians. Rules and figures: shared/REVIEW.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.quantity import position_text
from dutylog.review.heights_book import TripHeights
from dutylog.review.review import FINE, LOOK, Figure, HeightTrend, StandingHeight, Words

Floats = NDArray[np.float64]

REFERENCE_STOPS = 6
"""The first trips count as the beginning until they have so many stops. Judgement."""
SLOPE_M = 0.004
"""One deviation of what ground does to one wheel at a stop: 2 degrees either way on a vehicle whose centre of mass
stands 0.45 times its track high, 90 mm of travel under its weight. Judgement."""
LIKE_BODY_K = 20.0
"""Stops are compared with those whose bodies were as warm, within this, where there are LIKE_STOPS of them."""
LIKE_STOPS = 3
HEAT_M_PER_K = 6e-5
"""What warmer gas may lift: 0.032 and 0.046 mm/K front and rear of the simulated vehicle; a third more. Judgement."""
UNKNOWN_BODY_K = 40.0
"""How much warmer or colder a body may have been that nobody measured. Judgement."""
NORMAL_95 = 1.96
"""95 % of a normal distribution lie within so many deviations."""
MEDIAN_DEVIATION = 1.2533
"""Deviation of a median over that of a mean, sqrt(pi / 2): normal distribution, many values."""
LEAST_FREE = 4
"""Stops beyond one a group from which their own spread is believed where it is larger. Judgement."""
STAYS_TRIPS = 3
"""A height that stays through so many trips, this one included, is no load of a day. Judgement."""
LARGE_M = 0.025
"""A wheel that stands so much lower is looked at before it has stayed: a broken spring doesn't wait. Judgement."""
_ON_PURPOSE = "; if it was set so, a load note of its own begins the comparison anew"
_NO_GAS: Mapping[str, bool] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class _Change:
    """Change of one damper against its beginning. is_same_load: compared with stops of the same load note.

    stays_count: trips in a row, this one the last, that differ beyond doubt in the same direction.
    """

    stops_count: int
    trips_count: int
    change_m: float
    doubt_m: float
    is_same_load: bool
    stays_count: int

    @property
    def is_clear(self) -> bool:
        return abs(self.change_m) > self.doubt_m


def judge_trends(
    now: Sequence[StandingHeight], earlier: Sequence[TripHeights], gas_falling: Mapping[str, bool] = _NO_GAS
) -> tuple[HeightTrend, ...]:
    """Return how each damper of a trip stands against its first stops, in the order of `now`.

    Args:
        now: of the trip. earlier: of trips before it, oldest first.
        gas_falling: by position, whether its charge reads lower than it did or its damping output fell.
    """
    changes = {place: _compare(place, now, earlier) for place in dict.fromkeys(one.position for one in now)}
    notes = {one.position: one.load_note for one in now}
    return tuple(
        _first(place, now)
        if change is None
        else _trend(place, change, changes, notes[place], gas_falling.get(place, False))
        for place, change in changes.items()
    )


def _compare(place: str, now: Sequence[StandingHeight], earlier: Sequence[TripHeights]) -> _Change | None:
    """Return the change of one damper, None with nothing to compare it with."""
    own = _at(place, now)
    trips = [stops for trip in earlier if (stops := _at(place, trip.heights))]
    note = _folded(own[0].load_note)
    same = [stops for trip in trips if (stops := [one for one in trip if _folded(one.load_note) == note])]
    pool = same or trips
    if not pool:
        return None
    first_count = _reference_length(pool)
    reference = [one for stops in pool[:first_count] for one in stops]
    spread_m = _spread_m([own, reference, *pool[first_count:]])
    change_m, doubt_m = _difference(own, reference, spread_m)
    stays_count = 0
    for stops in [own, *reversed(pool[first_count:])]:
        there_m, there_doubt_m = _difference(stops, reference, spread_m)
        if abs(there_m) <= there_doubt_m or (there_m > 0) != (change_m > 0):
            break
        stays_count += 1
    used = len(own) + sum(len(stops) for stops in pool)
    return _Change(used, 1 + len(pool), change_m, doubt_m, bool(same), stays_count)


def _at(place: str, heights: Sequence[StandingHeight]) -> list[StandingHeight]:
    return [one for one in heights if one.position == place]


def _folded(note: str | None) -> str | None:
    return None if note is None else " ".join(note.casefold().split())


def _reference_length(trips: Sequence[Sequence[StandingHeight]]) -> int:
    """Return how many of the first trips are the beginning."""
    counts = np.cumsum([len(stops) for stops in trips])
    return min(len(trips), int(np.searchsorted(counts, REFERENCE_STOPS)) + 1)


def _spread_m(groups: Sequence[Sequence[StandingHeight]]) -> float:
    """Return by how much one stop may be off, 95 % [m]: friction, noise and ground, or the stops' own spread if larger.

    Source: deviations from each group's median, with Student's quantile for as many as are free.
    """
    sd_m = float(np.hypot(np.median([one.sd_m for stops in groups for one in stops]), SLOPE_M))
    rests = np.concatenate([_travels_m(stops) - np.median(_travels_m(stops)) for stops in groups])
    free = len(rests) - len(groups)
    if free < LEAST_FREE:
        return NORMAL_95 * sd_m
    return max(NORMAL_95 * sd_m, _student_95(free) * float(np.sqrt(np.sum(rests**2) / free)))


def _student_95(free: int) -> float:
    """Return within how many deviations 95 % lie where the deviation was found from `free` values.

    Source: Abramowitz and Stegun, 26.7.5, first two terms (from memory); 2 % short at 4, less above.
    """
    z = NORMAL_95
    return z + (z**3 + z) / (4.0 * free) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * free**2)


def _difference(
    own: Sequence[StandingHeight], reference: Sequence[StandingHeight], spread_m: float
) -> tuple[float, float]:
    """Return how much further in the stops are than the reference, and its 95 % doubt [m].

    Source: medians of stops that may be off by spread_m each; warmth adds what it may lift.
    """
    own_c = _body_c(own)
    warm = [one for one in reference if one.body_c is not None and abs(one.body_c - own_c) <= LIKE_BODY_K]
    used = warm if len(warm) >= LIKE_STOPS else reference
    of_medians_m = spread_m * float(np.hypot(_median_factor(len(own)), _median_factor(len(used))))
    apart_k = abs(own_c - _body_c(used))
    warmth_m = HEAT_M_PER_K * (apart_k if np.isfinite(apart_k) else UNKNOWN_BODY_K)
    change_m = float(np.median(_travels_m(own)) - np.median(_travels_m(used)))
    return change_m, float(np.hypot(of_medians_m, warmth_m))


def _travels_m(stops: Sequence[StandingHeight]) -> Floats:
    return np.array([one.travel_m for one in stops])


def _body_c(stops: Sequence[StandingHeight]) -> float:
    """Return the median body temperature of stops, NaN where none is known."""
    known = [one.body_c for one in stops if one.body_c is not None]
    return float(np.median(known)) if known else float("nan")


def _median_factor(count: int) -> float:
    """Return the deviation of the median of so many values, as a share of one value's; up to two it is the mean."""
    return (1.0 if count <= 2 else MEDIAN_DEVIATION) / float(np.sqrt(count))


# words


def _first(place: str, now: Sequence[StandingHeight]) -> HeightTrend:
    words = ("nothing to compare with yet: these are the first stops that are known",)
    return HeightTrend(place, len(_at(place, now)), 1, None, None, FINE, words)


def _trend(
    place: str, change: _Change, changes: Mapping[str, _Change | None], note: str | None, gas_falls: bool
) -> HeightTrend:
    level, reason = _judge(place, changes, gas_falls)
    words = (*_say_change(change, note), *reason)
    return HeightTrend(place, change.stops_count, change.trips_count, change.change_m, change.doubt_m, level, words)


def _say_change(change: _Change, note: str | None) -> Words:
    with_load = "" if note is None else f" with the load '{note}'"
    base = f"at its first stops{with_load}" if change.is_same_load else "at stops with other loads"
    doubt = Figure("travel_m", change.doubt_m)
    if not change.is_clear:
        return (f"stands as it did {base}, within ", doubt)
    way = "lower" if change.change_m > 0 else "higher"
    return ("stands ", Figure("travel_m", abs(change.change_m)), f" {way} than {base} (give or take ", doubt, ")")


def _judge(place: str, changes: Mapping[str, _Change | None], gas_falls: bool) -> tuple[str, Words]:
    """Return how much a change matters, and what may be behind it."""
    change = changes[place]
    if change is None or not change.is_clear:
        return FINE, ()
    if not change.is_same_load:
        return FINE, ("; no earlier stop has this load note, so load explains it as well as anything",)
    stays, far = change.stays_count >= STAYS_TRIPS, abs(change.change_m) >= LARGE_M
    is_lower, other, many = change.change_m > 0, _across(place), Figure("count", change.stays_count)
    if is_lower and gas_falls:
        return LOOK, ("; its gas or its damping output has fallen too: have the charge read when cold",)
    if not stays and _is_tilted(place, changes):
        return FINE, ("; the opposite wheels moved the other way, as they do on a slope",)
    if not is_lower:
        return FINE, ("; less load, more preload, another spring or hotter gas do that",)
    if other in changes and _moved_alike(change, changes[other]):
        if stays:
            said = f"; so does {position_text(other)}, for "
            return LOOK, (said, many, f" trips now: springs that settled, or a load that stays{_ON_PURPOSE}")
        return FINE, (f"; so does {position_text(other)}: load or fuel does that; say so with a load note",)
    if stays:
        looked = f" trips now: have its spring, seat and preload looked at{_ON_PURPOSE}"
        return LOOK, ("; alone of its axle, for ", many, looked)
    if far:
        return LOOK, (
            "; alone of its axle and by so much: look at its spring, seat and preload ring before the next outing",
        )
    return FINE, ("; alone of its axle: uneven ground or a load on one corner, or a spring if it stays",)


def _across(place: str) -> str:
    """Return the position across the axle, '' where the name doesn't tell."""
    return _swapped(place, "left", "right")


def _swapped(place: str, first: str, second: str) -> str:
    if first in place:
        return place.replace(first, second)
    return place.replace(second, first) if second in place else ""


def _moved_alike(one: _Change, other: _Change | None) -> bool:
    """Return whether two wheels changed by the same within their doubts."""
    if other is None or not other.is_clear:
        return False
    return abs(one.change_m - other.change_m) <= float(np.hypot(one.doubt_m, other.doubt_m))


def _is_tilted(place: str, changes: Mapping[str, _Change | None]) -> bool:
    """Return whether the wheels across went the other way, or both of the other axle did."""
    own, across = changes[place], changes.get(_across(place))
    ends = _swapped(place, "front", "rear")
    other_axle = [changes.get(ends), changes.get(_across(ends))]
    if own is None:
        return False
    if across is not None and _is_against(own, across):
        return True
    is_end_down = across is None or _moved_alike(own, across)
    return is_end_down and all(one is not None and _is_against(own, one) for one in other_axle)


def _is_against(one: _Change, other: _Change) -> bool:
    """Return whether a wheel went the other way by as much, a factor of three allowed."""
    return one.change_m * other.change_m < 0 and abs(other.change_m) >= abs(one.change_m) / 3.0
