"""What the ledger and people say of a trip beside its samples: all that make_review needs to be a pure function."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from dutylog.errors import LedgerError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import Dirt, LifeEntries, read_life
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.ledger.trip_notes import Notes, find_load_note, load_notes, read_notes
from dutylog.life.history import day_of
from dutylog.review.changes import DatedTrip, Sided, day_of_trip, find_changes, take_sides
from dutylog.review.costs import Cost, read_costs
from dutylog.review.gas_told import read_gas_days, read_leaking
from dutylog.review.heights_book import TripHeights, read_heights
from dutylog.review.roads_said import lay_over
from dutylog.review.stamps import make_spans
from dutylog.review.store import HEIGHTS_NAME, REVIEWS, load_current
from dutylog.review.stretches import Stretches, make_stretches
from dutylog.review.trip_data import TripData

EARLIER_TRIPS = 200
"""So many trips back changes are looked for; heights are compared with those of all. Source: judgement."""
GAS_ALERTS = ("charge_leaking", "damping_lost")


@dataclass(frozen=True, slots=True)
class ToldAlert:
    """An alert that was raised on the trip. position: None for the vehicle."""

    kind: str
    position: str | None


@dataclass(frozen=True, slots=True)
class Told:
    """All that is told of one trip.

    costs: by unit; cost_problem: why some are lacking, '' where none is. dirt: the last word on it. notes: care, load
    and roads. gas_days, gas_falling: by position, see review/care.py and review/height_trend.py. earlier_heights: of
    all trips before it, oldest first. sided: the latest change of each damper, with trips on both sides; none of a
    trip that was no drive.
    """

    costs: Mapping[str, Cost] = field(default_factory=dict)
    cost_problem: str = ""
    dirt: Dirt | None = None
    notes: Notes = field(default_factory=Notes)
    alerts: tuple[ToldAlert, ...] = ()
    gas_days: Mapping[str, float | None] = field(default_factory=dict)
    gas_falling: Mapping[str, bool] = field(default_factory=dict)
    earlier_heights: tuple[TripHeights, ...] = ()
    sided: tuple[Sided, ...] = ()


def read_told(ledger: Ledger, data_dir: Path, trip: BookTrip, data: TripData) -> Told:
    """Return what is told of a trip.

    Args:
        data_dir: where earlier trips' files lie; what isn't there isn't compared.
    Raises:
        LedgerError, LedgerCorrupt: the ledger can't be read.
    """
    entries, units = read_life(ledger), {one.position: one.unit_id for one in data.dampers}
    today = day_of(ledger.stamp().utc_ns)
    costs, problem = read_costs(ledger, trip.spans, (one.unit_id for one in data.dampers))
    alerts = _read_alerts(ledger, trip)
    falling = read_leaking(ledger, entries, units, today)
    falling |= {one.position: True for one in alerts if one.position and one.kind in GAS_ALERTS}
    return Told(
        costs=costs,
        cost_problem=problem,
        dirt=_last_dirt(entries, trip),
        notes=read_notes(ledger, trip.key),
        alerts=alerts,
        gas_days=read_gas_days(ledger, entries, units, _end_day(trip)),
        gas_falling=falling,
        earlier_heights=_read_earlier_heights(ledger, data_dir, trip),
        sided=_read_sided(ledger, data_dir, data, entries, units, trip),
    )


def _last_dirt(entries: LifeEntries, trip: BookTrip) -> Dirt | None:
    """Return the last word on a trip's dirt; of a part that on the whole counts."""
    told = [one for one in entries.dirts if one.number in trip.numbers]
    return max(told, key=lambda one: one.said.row, default=None)


def _read_alerts(ledger: Ledger, trip: BookTrip) -> tuple[ToldAlert, ...]:
    """Return the alerts raised on the trip, each kind and place once."""
    found = [stored.row for stored in TripBook(ledger).alerts(trip)]
    return tuple(dict.fromkeys(ToldAlert(row.kind, row.position) for row in found))


def _read_earlier_heights(ledger: Ledger, data_dir: Path, trip: BookTrip) -> tuple[TripHeights, ...]:
    """Return the heights of all trips before this one that were drives, oldest first; damaged files are left out."""
    book, told = TripBook(ledger), load_notes(ledger)
    spans, notes = {}, {}
    for path in (data_dir / REVIEWS).glob(f"trip-*/{HEIGHTS_NAME}"):
        key = path.parent.name.removeprefix("trip-")
        try:
            one = book.get(key)
        except LedgerError:
            continue  # somebody else's folder
        if one is None or one.key != key or one.parts or one.not_driven is not None or not _is_before(one, trip):
            continue
        spans[key] = make_spans(one)
        if (note := find_load_note(told, one)) is not None:
            notes[key] = note
    return read_heights(data_dir, notes, spans)


def _is_before(one: BookTrip, trip: BookTrip) -> bool:
    first, second = one.spans[0], trip.spans[0]
    return (first.epoch, first.start_ns) < (second.epoch, second.start_ns)


def _earlier_trips(ledger: Ledger, trip: BookTrip) -> list[BookTrip]:
    """Return trips before this one, the newest first; those that were no drive are left out."""
    found = TripBook(ledger).trips(EARLIER_TRIPS, trip.key)
    return [one for one in found if one.not_driven is None]


def _read_sided(
    ledger: Ledger,
    data_dir: Path,
    data: TripData,
    entries: LifeEntries,
    units: Mapping[str, str],
    trip: BookTrip,
) -> tuple[Sided, ...]:
    day = day_of_trip(data.start_utc_s, data.utc_trusted)
    if day is None or trip.not_driven is not None:
        return ()
    changes = find_changes(data.vehicle.dampers, units, entries.services, day)
    dated = [DatedTrip(one.key, when) for one in _earlier_trips(ledger, trip) if (when := _day(one)) is not None]

    def load_one(key: str) -> Stretches | None:
        found = load_current(data_dir, ledger, key)
        if found is None:
            return None
        return make_stretches(found, lay_over(found.segments, read_notes(ledger, key).roads), f"trip {key}")

    return take_sides(changes, dated, load_one) if changes else ()


def _end_day(trip: BookTrip) -> date | None:
    return day_of_trip(None if trip.end_utc_ns is None else trip.end_utc_ns / 1e9, trip.utc_trusted)


def _day(trip: BookTrip) -> date | None:
    return day_of_trip(None if trip.start_utc_ns is None else trip.start_utc_ns / 1e9, trip.utc_trusted)
