"""Standing height: how far each damper is pushed in where the vehicle stops; trends of it are in height_trend.py.

Springs, load and charge show there. Friction leaves a suspension a little above or below where it would come to rest
without, and ground is seldom level; both are doubt, and no stop alone can tell a slope from a load.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dutylog.review.height_trend import judge_trends
from dutylog.review.review import StandingHeight
from dutylog.review.trip_data import DamperData, Mask, TripData

__all__ = ["find_stops", "judge_trends"]

LEAST_STOP_S = 30.0
"""Shorter stops aren't used: people change gear, look round, roll on. Judgement."""
SETTLE_S = 5.0
"""Begin of a stop left out: the body comes to rest in well under that. Judgement."""
LEAST_SEEN_S = 20.0
"""Of a stop in which a damper's travel must be known. Judgement."""
STILL_MPS = 0.5
"""Satellite receivers show up to this at rest. Judgement."""
GAP_S = 1.5
"""Rows further apart are two stops: nobody saw what happened between."""
HYSTERESIS_M = 0.002
"""One deviation of what friction of seals, bushings and joints leaves at a stop. Judgement."""
SPOILING_FAULTS = ("travel_open", "travel_stuck", "impossible_speed")
"""Faults that make a mean of travel wrong; gaps and spikes are mended or missing already."""
LEVEL_UNKNOWN = (
    "Standing height: whether the ground was level can't be told. A slope pushes one side or end down and lets the "
    "other rise; load on one axle pushes both of its wheels down."
)
"""What belongs beside every table of heights."""
STOPS_LIMIT = 20
"""Of one trip; the longest are kept."""


def find_stops(data: TripData, load_note: str | None = None) -> tuple[StandingHeight, ...]:
    """Return the standing height of each damper at each stop of a trip, by time, then in the order of the dampers.

    Args:
        data: rows; a stop is a run of them in which the vehicle doesn't move and no damper makes a stroke, longer than
            LEAST_STOP_S. A damper whose travel isn't known for LEAST_SEEN_S of it, or faulty in it, is left out.
        load_note: what people said of the trip's load, kept with each.
    """
    stops = list(_runs(data, _is_still(data)))
    longest = sorted(stops, key=lambda stop: data.t_s[stop.stop - 1] - data.t_s[stop.start], reverse=True)[:STOPS_LIMIT]
    found = []
    for stop in sorted(longest, key=lambda one: one.start):
        for damper in data.dampers:
            height = _height(data, damper, stop, load_note)
            if height is not None:
                found.append(height)
    return tuple(found)


def _is_still(data: TripData) -> Mask:
    """Return (n,) whether the vehicle stands; a speed that isn't known doesn't speak against it."""
    strokes = np.zeros(len(data.t_s), dtype=np.int64)
    for damper in data.dampers:
        strokes += damper.strokes_count
    rolls = np.nan_to_num(data.vehicle_mps, nan=0.0) > STILL_MPS
    still: Mask = ~np.asarray(data.moving, dtype=np.bool_) & (strokes == 0) & ~rolls
    return still


def _runs(data: TripData, still: Mask) -> Iterator[slice]:
    """Yield the rows of each stop that is long enough, its begin left out."""
    ends_s = data.t_s + data.dt_s
    joins = np.zeros(len(still), dtype=np.bool_)
    joins[1:] = still[1:] & still[:-1] & (data.t_s[1:] - ends_s[:-1] < GAP_S)
    starts = np.flatnonzero(still & ~joins)
    stops = np.flatnonzero(still & ~np.append(joins[1:], False)) + 1
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if ends_s[stop - 1] - data.t_s[start] > LEAST_STOP_S:
            settled = start + int(np.searchsorted(data.t_s[start:stop], data.t_s[start] + SETTLE_S))
            yield slice(settled, stop)


def _height(data: TripData, damper: DamperData, stop: slice, load_note: str | None) -> StandingHeight | None:
    """Return a damper's height at one stop, None where its travel wasn't seen for long enough."""
    start_s, end_s = float(data.t_s[stop][0]), float(data.t_s[stop][-1] + data.dt_s[stop][-1])
    travel_m = np.asarray(damper.travel_mean_m[stop], dtype=np.float64)
    seen = np.isfinite(travel_m) & (damper.measured_us[stop] > 0)
    if float(data.dt_s[stop][seen].sum()) < LEAST_SEEN_S or _is_faulty(data, damper.position, start_s, end_s):
        return None
    mean_m = float(np.mean(travel_m[seen]))
    noise_m = float(np.std(travel_m[seen])) / np.sqrt(np.count_nonzero(seen))
    body_c = np.asarray(damper.body_c[stop], dtype=np.float64)
    known = body_c[np.isfinite(body_c)]
    bump_m = damper.stroke_m if damper.bump_stop_m is None else damper.bump_stop_m
    return StandingHeight(
        position=damper.position,
        start_s=start_s,
        seconds=end_s - start_s,
        travel_m=mean_m,
        sd_m=float(np.hypot(noise_m, HYSTERESIS_M)),
        to_bump_m=bump_m - mean_m,
        to_droop_m=mean_m - (damper.strap_m or 0.0),
        utc_s=None if data.start_utc_s is None else data.start_utc_s + start_s,
        body_c=float(np.mean(known)) if len(known) else None,
        load_note=load_note,
    )


def _is_faulty(data: TripData, position: str, start_s: float, end_s: float) -> bool:
    """Return whether a fault of the travel sensor reaches into a stop."""
    return any(
        fault.position == position
        and fault.kind in SPOILING_FAULTS
        and fault.start_s < end_s
        and (fault.end_s is None or fault.end_s > start_s)
        for fault in data.faults
    )
