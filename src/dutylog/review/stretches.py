"""A trip in stretches of about 30 s of one kind of road: small sums, from which trips and dampers are compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from dutylog.review.roads import NO_SEGMENT, compute_row_distance_m, find_segments_of_rows
from dutylog.review.trip_data import PARKED, DamperData, Floats, Ints, Segment, TripData

STRETCH_S = 30.0
"""Length of a stretch. Source: judgement; longer than a damper remembers a road, short enough for many of a kind."""
SHORTEST_S = 10.0
"""What is left of a segment behind its last whole stretch joins that one below this (judgement)."""
MEASURED_RATIO = 0.9
"""A damper measured for less of a stretch says nothing there (judgement)."""


@dataclass(frozen=True, slots=True)
class StretchDamper:
    """One damper's sums (n,) by stretch; NaN where it wasn't measured or, for warm_ks and stored_j, not known.

    sliding_m: way of the shaft.
    warm_ks: body above the air, summed over time [K s]. stored_j: heat that went into warming the damper itself.
    """

    position: str
    wheel: str
    unit_id: str
    profile: str
    energy_j: Floats
    sliding_m: Floats
    strokes_count: Floats
    bottom_outs_count: Floats
    warm_ks: Floats
    stored_j: Floats


ARRAYS = ("energy_j", "sliding_m", "strokes_count", "bottom_outs_count", "warm_ks", "stored_j")
"""Fields of a StretchDamper that go by stretch."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """A trip, or several one after the other. kinds: (n,) of the road; seconds, distance_m: (n,), NaN without speed."""

    name: str
    start_utc_s: float | None
    kinds: tuple[str, ...]
    seconds: Floats
    distance_m: Floats
    dampers: tuple[StretchDamper, ...]

    def at(self, position: str) -> StretchDamper | None:
        """Return the damper of a position, None where there is none."""
        return next((one for one in self.dampers if one.position == position), None)

    def of_kind(self, kind: str) -> Stretches:
        """Return the stretches of one kind of road."""
        inside = np.array([one == kind for one in self.kinds], dtype=bool)
        dampers = tuple(
            _with_arrays(one, {name: getattr(one, name)[inside] for name in ARRAYS}) for one in self.dampers
        )
        kinds = (kind,) * int(inside.sum())
        return Stretches(self.name, self.start_utc_s, kinds, self.seconds[inside], self.distance_m[inside], dampers)


def make_stretches(data: TripData, segments: Sequence[Segment], name: str) -> Stretches:
    """Return a trip's stretches; time parked is left out."""
    of_row, kinds = _number_stretches(data, segments)
    count, inside = len(kinds), of_row != NO_SEGMENT
    numbers = of_row[inside]
    driven_m = compute_row_distance_m(data)
    return Stretches(
        name,
        data.start_utc_s,
        tuple(kinds),
        _add_up(numbers, data.dt_s[inside], count),
        _add_up(numbers, driven_m[inside], count),
        _by_position(_sum_damper(data, one, of_row, count) for one in data.dampers),
    )


def join_stretches(parts: Sequence[Stretches], name: str) -> Stretches:
    """Return several trips as one: the dampers of the positions that all have, units as in the last."""
    last = parts[-1]
    shared = [one.position for one in last.dampers if all(part.at(one.position) for part in parts)]
    dampers = []
    for position in shared:
        members = [one for part in parts if (one := part.at(position)) is not None]
        arrays = {name: np.concatenate([getattr(one, name) for one in members]) for name in ARRAYS}
        dampers.append(_with_arrays(members[-1], arrays))
    return Stretches(
        name,
        last.start_utc_s,
        tuple(kind for part in parts for kind in part.kinds),
        np.concatenate([part.seconds for part in parts]),
        np.concatenate([part.distance_m for part in parts]),
        tuple(dampers),
    )


def _by_position(dampers: Iterable[StretchDamper]) -> tuple[StretchDamper, ...]:
    """Return one for each position: where dampers changed places on the way, each tells of its own stretches."""
    found: dict[str, StretchDamper] = {}
    for latest in dampers:
        one, before = latest, found.get(latest.position)
        if before is not None:
            pairs = {name: (getattr(before, name), getattr(one, name)) for name in ARRAYS}
            arrays = {name: np.where(np.isnan(new), old, new) for name, (old, new) in pairs.items()}
            one = _with_arrays(one, arrays)
        found[one.position] = one
    return tuple(found.values())


def _with_arrays(damper: StretchDamper, arrays: Mapping[str, Floats]) -> StretchDamper:
    return StretchDamper(damper.position, damper.wheel, damper.unit_id, damper.profile, **arrays)


def _number_stretches(data: TripData, segments: Sequence[Segment]) -> tuple[Ints, list[str]]:
    """Return for each row the number (n,) of its stretch, NO_SEGMENT for none, and the kind of each stretch."""
    of_segment = find_segments_of_rows(data, segments)
    middle_s = data.t_s + data.dt_s / 2.0
    found = np.full(len(middle_s), NO_SEGMENT, dtype=np.int64)
    kinds: list[str] = []
    for index, one in enumerate(segments):
        rows = np.flatnonzero(of_segment == index)
        if one.kind == PARKED or not len(rows):
            continue
        whole = max(1, int((one.end_s - one.start_s + STRETCH_S - SHORTEST_S) // STRETCH_S))
        inner = np.minimum((middle_s[rows] - one.start_s) // STRETCH_S, whole - 1).astype(np.int64)
        used, inner = np.unique(inner, return_inverse=True)
        found[rows] = len(kinds) + inner
        kinds += [one.kind] * len(used)
    return found, kinds


def _sum_damper(data: TripData, one: DamperData, of_row: Ints, count: int) -> StretchDamper:
    inside = of_row != NO_SEGMENT
    numbers = of_row[inside]

    def summed(values: Iterable[float] | Floats | Ints) -> Floats:
        return _add_up(numbers, np.asarray(values, dtype=np.float64)[inside], count)

    seconds, measured_s = summed(data.dt_s), summed(one.measured_us) / 1e6
    with np.errstate(divide="ignore", invalid="ignore"):
        is_measured = measured_s >= MEASURED_RATIO * seconds
        scale = np.where(is_measured, seconds / measured_s, np.nan)
    body_c = np.asarray(one.body_c, dtype=np.float64)
    warm_k = body_c - np.asarray(data.ambient_c, dtype=np.float64)
    damper = next((place for place in data.vehicle.dampers if place.position == one.position), None)
    capacity_j_per_k = np.nan if damper is None else data.vehicle.profile_of(damper).heat_capacity_j_per_k
    return StretchDamper(
        one.position,
        one.wheel,
        one.unit_id,
        "" if damper is None else damper.profile,
        energy_j=summed(one.energy_uj) / 1e6 * scale,
        sliding_m=summed(one.shaft_travel_um) / 1e6 * scale,
        strokes_count=summed(one.strokes_count) * scale,
        bottom_outs_count=summed(one.bottom_outs_count) * scale,
        warm_ks=summed(warm_k * data.dt_s),
        stored_j=capacity_j_per_k * _gained_k(body_c, of_row, count),
    )


def _add_up(numbers: Ints, values: Floats, count: int) -> Floats:
    return np.asarray(np.bincount(numbers, values, count), dtype=np.float64)


def _gained_k(body_c: Floats, of_row: Ints, count: int) -> Floats:
    """Return by how much the body got warmer from each stretch's first row to its last."""
    gained = np.full(count, np.nan)
    rows = np.flatnonzero(of_row != NO_SEGMENT)
    if len(rows):
        numbers, first = np.unique(of_row[rows], return_index=True)
        last = np.concatenate([first[1:], [len(rows)]]) - 1
        gained[numbers] = body_c[rows[last]] - body_c[rows[first]]
    return gained
