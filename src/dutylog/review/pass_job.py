"""What a pass over the raw log is given, and what it finds; both go from process to process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog.domain.vehicle import Vehicle
from dutylog.ledger.corrections import CorrectedLog
from dutylog.ledger.trip_book import Span
from dutylog.review.road import RoadRows
from dutylog.review.tiles import SeatRows
from dutylog.review.trip_data import Contact, Fault, Floats, Mask

Place = tuple[int, int]
"""An epoch and a tile of it."""


@dataclass(frozen=True, slots=True)
class PassJob:
    """What is to be read and counted.

    after_sequence: the segment that begins behind this frame is the first that is read. until_sequence: last frame
    that counts. warm_from: samples of an epoch before an instant [ns] are left out. corrected: brought to
    after_sequence. takes_late: strokes that end with a run behind the last row may still belong to the trip;
    grace_ns: so long after it. since: rows begin with this tile, None: with the trip.
    """

    log: Path
    after_sequence: int
    until_sequence: int
    warm_from: tuple[int, int]
    spans: tuple[Span, ...]
    corrected: CorrectedLog
    takes_late: bool
    grace_ns: int
    since: Place | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """What a pass found, (n,) as in TripData. driven_m: in each row, NaN where speed wasn't known.

    fixes: (k, 3) time since the trip's begin, latitude, longitude. damage: what of the log couldn't be read.
    """

    vehicle: Vehicle | None
    t_s: Floats
    dt_s: Floats
    moving: Mask
    vehicle_mps: Floats
    driven_m: Floats
    ambient_c: Floats
    fixes: Floats
    seats: tuple[SeatRows, ...]
    contacts: tuple[Contact, ...]
    faults: tuple[Fault, ...]
    roads: RoadRows
    damage: tuple[str, ...]
