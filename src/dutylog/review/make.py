"""A trip's Review from its samples' summary, the ledger's row and what people told: a pure function."""

from __future__ import annotations

import numpy as np

from dutylog.ledger.trip_book import BookTrip
from dutylog.review.care import make_care
from dutylog.review.compare import compare_axles, compare_change, compare_sides
from dutylog.review.damper_rows import compute_coverage, make_damper_rows
from dutylog.review.hits import order_hits
from dutylog.review.review import CareItem, Difference, Review, TripFacts
from dutylog.review.roads import make_roads
from dutylog.review.roads_said import as_said
from dutylog.review.seen import Seen
from dutylog.review.standing import LEVEL_UNKNOWN, find_stops, judge_trends
from dutylog.review.stretches import Stretches, make_stretches
from dutylog.review.told import Told
from dutylog.review.trip_data import TripData
from dutylog.review.verdict import make_verdict

WHAT_IS_LEFT = "Roads, their shares of the heat and contacts are of what is left of the log."
"""Said where part of the raw log is gone; a table of roads bears it too."""


def make_review(data: TripData, trip: BookTrip, told: Told) -> Review:
    """Return all that is told of a trip; the same arguments give the same review.

    Args:
        data: of the trip's raw samples. trip: as the ledger has it, whose sums count. told: the rest.
    """
    data = as_said(data, told.notes.roads)
    stretches = make_stretches(data, data.segments, f"trip {trip.key}")
    heights = find_stops(data, told.notes.load_note)
    seen = Seen(
        data=data,
        facts=make_facts(trip, told),
        dampers=make_damper_rows(data, trip, told.costs),
        roads=make_roads(data, data.segments),
        trends=judge_trends(heights, told.earlier_heights, told.gas_falling),
        sides=compare_sides(stretches),
        axles=compare_axles(stretches),
        told=told,
    )
    return Review(
        facts=seen.facts,
        verdict=make_verdict(seen),
        dampers=tuple(seen.dampers),
        roads=tuple(seen.roads),
        segments=data.segments,
        hits=order_hits(data.contacts),
        heights=heights,
        trends=tuple(seen.trends),
        differences=_gather_differences(seen, stretches),
        care=_make_care(seen),
        ambient_c=_ambient_range_c(data),
        track_points_count=int((np.isfinite(data.latitude_deg) & np.isfinite(data.longitude_deg)).sum()),
        is_raw_whole=data.is_raw_whole,
        cost_problem=told.cost_problem,
        notes=_gather_notes(data, has_heights=bool(heights)),
    )


def make_facts(trip: BookTrip, told: Told) -> TripFacts:
    """Return the trip as the ledger has it; sums are those of all its dampers, coverage the least covered one's."""
    shares = [share for one in trip.dampers if (share := compute_coverage(one.totals)) is not None]
    dirt = told.dirt
    return TripFacts(
        key=trip.key,
        name=trip.name,
        is_open=trip.is_open,
        start_utc_s=None if trip.start_utc_ns is None else trip.start_utc_ns / 1e9,
        end_utc_s=None if trip.end_utc_ns is None else trip.end_utc_ns / 1e9,
        utc_trusted=trip.utc_trusted,
        seconds=trip.duration_ns / 1e9,
        moving_s=trip.moving_us / 1e6,
        distance_m=trip.distance_m,
        energy_j=sum(one.totals.energy_uj for one in trip.dampers) / 1e6,
        coverage_ratio=min(shares, default=None),
        not_driven=trip.not_driven,
        dirt=None if dirt is None else f"{dirt.what}, {'washed' if dirt.washed else 'not washed off yet'}",
        load_note=told.notes.load_note,
    )


def _gather_notes(data: TripData, *, has_heights: bool) -> tuple[str, ...]:
    """Return what to know beside the tables."""
    notes = [*data.notes]
    if not data.is_raw_whole:
        notes.append(WHAT_IS_LEFT)
    if has_heights:
        notes.append(LEVEL_UNKNOWN)
    return tuple(notes)


def _make_care(seen: Seen) -> tuple[CareItem, ...]:
    told, dirt = seen.told, seen.told.dirt
    return make_care(
        data=seen.data,
        dampers=seen.dampers,
        seconds=seen.facts.seconds,
        dirt=None if dirt is None else dirt.what,
        is_washed=None if dirt is None else dirt.washed,
        gas_days=told.gas_days,
        done=told.notes.care,
    )


def _gather_differences(seen: Seen, stretches: Stretches) -> tuple[Difference, ...]:
    """Return left against right, axle against axle, then before against after each damper's latest change."""
    pairs = [*seen.sides, *seen.axles]
    for one in seen.told.sided if seen.facts.not_driven is None else ():
        pairs += compare_change(one.before, (*one.after, stretches), one.change.position, one.change.what)
    return tuple(pair.difference for pair in pairs)


def _ambient_range_c(data: TripData) -> tuple[float, float] | None:
    known = data.ambient_c[np.isfinite(data.ambient_c)]
    return (float(known.min()), float(known.max())) if len(known) else None
