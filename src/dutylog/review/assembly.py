"""What a pass over the raw log found, put together with what the ledger says, as TripData."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from dutylog import ENGINE
from dutylog.domain.vehicle import Vehicle
from dutylog.duty.histograms import POSITION_BINS, SPEED_BINS
from dutylog.duty.strokes import LENGTH_BINS
from dutylog.duty.totals import Totals
from dutylog.errors import LedgerError
from dutylog.ledger.trip_book import BookTrip
from dutylog.review.pass_job import Part
from dutylog.review.segments import find_segments
from dutylog.review.tiles import FREQUENCIES, HISTOGRAMS, SeatRows
from dutylog.review.trip_data import COUNTS, SIGNALS, Contact, DamperData, Floats, TripData

FIX_S = 1.5
"""A row's place is that of the nearest fix, at most so far away in time: receivers tell one a second. Judgement."""
_KEPT = "The raw log of this trip, or part of it, is gone or damaged since it was read"
_OTHER_SUMS = "The raw log doesn't give the ledger's sums again"
BEGIN_S = 2.0
"""Raw samples that begin later than this after the trip did are no longer all there."""


def has_lost_begin(t_s: Floats) -> bool:
    """Tell whether rows begin later than the trip did."""
    return len(t_s) > 0 and bool(t_s[0] > BEGIN_S)


@dataclass(frozen=True, slots=True)
class Context:
    """What the ledger says of a trip. labels: what people call each unit. vehicle: the newest it knows."""

    trip: BookTrip
    labels: Mapping[str, str]
    vehicle: Vehicle | None


def assemble(part: Part | None, context: Context, problem: str | None = None) -> TripData:
    """Return all of a trip. part: None where there is no raw log. problem: in what sums both differ.

    Raises:
        LedgerError: nobody knows the vehicle.
    """
    trip = context.trip
    vehicle = context.vehicle if part is None or part.vehicle is None else part.vehicle
    if vehicle is None:
        raise LedgerError(f"trip {trip.key}: neither raw log nor ledger know the vehicle; it can't be reviewed")
    is_empty = part is None or not len(part.t_s)
    if part is None or is_empty:
        part = _empty(vehicle)
    latitude_deg, longitude_deg = _find_fixes(part)
    distance_m = _sum_distance_m(part)
    seats = {seat.seat: seat for seat in part.seats}
    shares = {(one.unit_id, one.position): one.totals for one in trip.dampers}
    order = {damper.position: number for number, damper in enumerate(vehicle.dampers)}
    every = sorted(dict.fromkeys([*seats, *shares]), key=lambda seat: order.get(seat[1], len(order)))
    notes = _make_notes(part, problem, is_empty=is_empty)
    data = TripData(
        key=trip.key,
        engine=ENGINE,
        vehicle=vehicle,
        start_utc_s=None if trip.start_utc_ns is None else trip.start_utc_ns / 1e9,
        utc_trusted=trip.utc_trusted,
        t_s=part.t_s,
        dt_s=part.dt_s,
        moving=part.moving,
        vehicle_mps=part.vehicle_mps.astype(np.float32),
        ambient_c=part.ambient_c.astype(np.float32),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        distance_m=distance_m,
        dampers=tuple(_make_damper(seat, seats.get(seat), shares.get(seat), context, part, vehicle) for seat in every),
        contacts=(),
        segments=find_segments(part.roads),
        faults=tuple(sorted(part.faults, key=lambda one: (one.start_s, one.position, one.kind))),
        is_raw_whole=not notes,
        notes=notes,
    )
    return replace(data, contacts=_place_contacts(data, part.contacts))


def keep_rows(old: TripData, new: TripData) -> TripData | None:
    """Return what an earlier reading of the same stretch of time found, where the raw log has no longer all of it.

    None where the later reading is as good. Sums, names and notes on them are those of now.
    """
    kept = {(one.unit_id, one.position): one for one in old.dampers}
    now = {(one.unit_id, one.position): one for one in new.dampers}
    if new.is_raw_whole or len(old.t_s) < len(new.t_s) or set(kept) != set(now):
        return None
    dampers = tuple(replace(one, totals=now[seat].totals, label=now[seat].label) for seat, one in kept.items())
    problem = _find_other_sum(dampers)
    if len(old.t_s) == len(new.t_s) and (problem is not None or not old.is_raw_whole):
        return None
    seats: dict[str, list[str]] = {}
    for unit_id, position in kept:
        seats.setdefault(position, []).append(unit_id)
    contacts = tuple(
        replace(one, unit_id=seats[one.position][0])
        if one.unit_id is None and len(seats.get(one.position, ())) == 1
        else one
        for one in old.contacts
    )
    notes = tuple(one for one in old.notes if not one.startswith((_KEPT, _OTHER_SUMS)))
    notes += (_KEPT + "; plots show what was found then.",)
    if problem is not None:
        notes += (f"{_OTHER_SUMS} ({problem}); tables show the ledger's.",)
    # Rows that were all there still are.
    is_whole = old.is_raw_whole and problem is None
    return replace(old, dampers=dampers, contacts=contacts, is_raw_whole=is_whole, notes=notes)


def _find_other_sum(dampers: tuple[DamperData, ...]) -> str | None:
    """Return in which place and sum rows differ from the ledger, None where all are equal."""
    for one in dampers:
        for name in COUNTS:
            stored, found = getattr(one.totals, name), int(getattr(one, name).sum())
            if stored != found:
                return f"{one.position}, {name}: {found} of {stored}"
    return None


def _make_notes(part: Part, problem: str | None, *, is_empty: bool) -> tuple[str, ...]:
    """Return why the raw log isn't all of the trip, in words; nothing where it is."""
    if is_empty:
        return ("The raw log of this trip is gone; tables come from the ledger, there are no plots.",)
    notes = []
    if has_lost_begin(part.t_s):
        notes.append(f"The raw log of the first {part.t_s[0] / 60:.0f} minutes of this trip is gone.")
    if part.damage:
        notes.append(f"Part of the raw log is damaged: {part.damage[0]}.")
    if problem is not None:
        notes.append(f"{_OTHER_SUMS} ({problem}); tables show the ledger's.")
    return tuple(notes)


def _make_damper(
    seat: tuple[str, str],
    found: SeatRows | None,
    share: Totals | None,
    context: Context,
    part: Part,
    vehicle: Vehicle,
) -> DamperData:
    """Return a damper's columns spread over all rows of the trip; its totals are the ledger's where it has them."""
    n = len(part.t_s)
    counts = np.zeros((len(COUNTS), n), dtype=np.int64)
    signals = np.full((len(SIGNALS), n), np.nan, dtype=np.float32)
    if found is not None:
        counts[:, found.rows] = found.counts.T
        signals[:, found.rows] = found.signals.T
    sizes = dict(zip(HISTOGRAMS, (SPEED_BINS, SPEED_BINS, POSITION_BINS), strict=True))
    histograms = {name: np.zeros(size, dtype=np.int64) for name, size in sizes.items()}
    strokes = np.zeros((LENGTH_BINS, FREQUENCIES), dtype=np.int64)
    unit_id, position = seat
    damper = next((one for one in vehicle.dampers if one.position == position), None)
    if found is not None:
        damper = found.damper
    return DamperData(
        position=position,
        wheel=position if damper is None else damper.wheel,
        unit_id=unit_id,
        label=context.labels.get(unit_id, unit_id),
        stroke_m=_stroke_m(found, vehicle, position),
        bump_stop_m=None if damper is None else damper.bump_stop_m,
        strap_m=None if damper is None else damper.strap_m,
        **{name: counts[number] for number, name in enumerate(COUNTS)},
        **{name: signals[number] for number, name in enumerate(SIGNALS)},
        totals=share if share is not None else found.totals if found is not None else Totals(),
        **(histograms if found is None else found.histograms),
        strokes_by_length_frequency=strokes if found is None else found.strokes,
    )


def _stroke_m(found: SeatRows | None, vehicle: Vehicle, position: str) -> float:
    if found is not None:
        return found.stroke_m
    return next((vehicle.profile_of(one).stroke_m for one in vehicle.dampers if one.position == position), 0.0)


def _find_fixes(part: Part) -> tuple[Floats, Floats]:
    """Return latitude and longitude of each row [deg], NaN where no fix is near."""
    middle_s, fixes = part.t_s + part.dt_s / 2, part.fixes
    found = np.full((len(middle_s), 2), np.nan)
    if len(fixes) and len(middle_s):
        behind = np.clip(np.searchsorted(fixes[:, 0], middle_s), 1, max(1, len(fixes) - 1))
        behind = np.minimum(behind, len(fixes) - 1)
        before = np.maximum(behind - 1, 0)
        is_before = middle_s - fixes[before, 0] <= fixes[behind, 0] - middle_s
        nearest = np.where(is_before, before, behind)
        near = np.abs(fixes[nearest, 0] - middle_s) <= FIX_S
        found[near] = fixes[nearest[near], 1:]
    return found[:, 0], found[:, 1]


def _sum_distance_m(part: Part) -> Floats:
    """Return the way up to the end of each row, NaN before speed was first known.

    NaN everywhere where rows don't begin with the trip: how far it had come by then isn't known.
    """
    known = np.isfinite(part.driven_m)
    if has_lost_begin(part.t_s):
        known[:] = False
    total = np.cumsum(np.where(known, part.driven_m, 0.0))
    total[~np.logical_or.accumulate(known)] = np.nan
    return total


def _place_contacts(data: TripData, contacts: tuple[Contact, ...]) -> tuple[Contact, ...]:
    """Return contacts in order of time, each with where the vehicle was and how fast."""
    placed = []
    for one in sorted(contacts, key=lambda contact: contact.t_s):
        row = max(0, int(np.searchsorted(data.t_s, one.t_s, side="right")) - 1)
        placed.append(
            replace(
                one,
                vehicle_mps=_known(data.vehicle_mps[row]),
                distance_m=_known(data.distance_m[row]),
                latitude_deg=_known(data.latitude_deg[row]),
                longitude_deg=_known(data.longitude_deg[row]),
            )
        )
    return tuple(placed)


def _known(value: np.floating[np.typing.NBitBase]) -> float | None:
    return float(value) if np.isfinite(value) else None


def _empty(vehicle: Vehicle) -> Part:
    from dutylog.review.road import RoadRows

    none = np.zeros(0)
    return Part(vehicle, none, none, none > 0.0, none, none, none, np.zeros((0, 3)), (), (), (), RoadRows.join([]), ())
